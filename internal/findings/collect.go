package findings

import (
	"time"

	"basecourse/internal/exposure"
)

// Label is what was recorded of a start beside its exposures.
type Label struct {
	Graded   bool
	Material int32
	Grader   int32
	Height   uint8 // strongest severity of nozzle_low and nozzle_high
	Grip     uint8 // of blobs, dragged and lifting
	Dirt     uint8 // of contamination
	Else     uint8 // of any other mark
}

// Collect gathers the graded layers with from < start ≤ to out of a history in
// order of time, with its exposures and labels aligned to its starts. What had
// just happened on printer and plate is taken from all starts before. Days and
// hours are the zone's.
func Collect(h *exposure.History, ex []exposure.Exposure, label func(i int) Label, from, to int64, zone *time.Location) *Layers {
	l := &Layers{}
	n := 0
	for i := range h.Starts {
		if label(i).Graded { // when it was graded need not be known
			n++
		}
	}
	l.Grow(n)
	l.resize(n)
	k := 0
	printerFailed, plateFailed := h.FailedBefore()
	clock := dayClock{zone: zone}
	first := clock.day(from)
	for i := range h.Starts {
		s, e := &h.Starts[i], &ex[i]
		recent := RecentNone
		switch {
		case e.RestartThen:
			recent = RecentRestart
		case printerFailed[s.Printer]:
			recent = RecentPrinterFailed
		case e.Plate >= 0 && plateFailed[e.Plate]:
			recent = RecentPlateFailed
		}
		lb, failed := label(i), h.Failed(s)
		printerFailed[s.Printer] = failed
		if e.Plate >= 0 {
			plateFailed[e.Plate] = failed
		}
		if !lb.Graded || s.At <= from || s.At > to {
			continue
		}
		day, hour := clock.at(s.At)
		l.At[k], l.Printer[k], l.Plate[k] = s.At, s.Printer, e.Plate
		l.Material[k], l.Grader[k], l.Failed[k] = lb.Material, lb.Grader, failed
		l.Probing[k], l.SinceP[k], l.Gap[k], l.Recent[k] = Probing(e.State), e.PrintsSinceProbe, e.PrintsSinceClean, recent
		l.Height[k], l.Grip[k], l.Dirt[k], l.Else[k] = lb.Height, lb.Grip, lb.Dirt, lb.Else
		l.Hour[k], l.Day[k] = hour, day-first
		k++
	}
	l.resize(k)
	return l
}

// dayClock turns instants into days and hours of a zone; it keeps the hour it
// is in, since instants come in order.
type dayClock struct {
	zone     *time.Location
	from, to int64
	d        int32
	h        uint8
}

const hourMicros = int64(time.Hour / time.Microsecond)

func (c *dayClock) at(t int64) (day int32, hour uint8) {
	if t < c.from || t >= c.to {
		// Quarter hours hold every zone's whole hours.
		c.from = t - mod(t, hourMicros/4)
		c.to = c.from + hourMicros/4
		local := time.UnixMicro(t).In(c.zone)
		y, m, d := local.Date()
		c.d = int32(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
		c.h = uint8(local.Hour())
	}
	return c.d, c.h
}

func (c *dayClock) day(t int64) int32 {
	d, _ := c.at(t)
	return d
}

func mod(a, b int64) int64 { return ((a % b) + b) % b }
