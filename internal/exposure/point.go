package exposure

import (
	"maps"
	"slices"
)

// Point is how far a sweep has come: what it knows of printers and plates once all that
// happened before an instant was counted. It is not changed once it is made.
type Point struct {
	at, seq             int64
	printers            []printerState
	plates              []plateState
	fittedSeq, failedAt map[uint64]int64
	sent                map[int32]int64 // by printer, until when a probe may belong to a start before the instant
	// Whether the last start of a printer and of a plate failed.
	printerFailed, plateFailed []bool
}

// Moved tells which numbers printers and plates have on the farm, by those that rows name
// them by.
type Moved struct{ Printers, Plates []int32 }

// PointAt counts what happened before an instant: h's rows, which all lie before it and
// are in order of time, but for its fittings, which are all and have the farm's numbers
// already. see takes the exposure of each start.
func PointAt(h *History, at int64, moved *Moved, see func(i int, x *Exposure)) *Point {
	p := &Point{at: at, sent: map[int32]int64{}, printerFailed: make([]bool, len(h.RecordsAll)), plateFailed: make([]bool, h.Plates)}
	latest := make([]int32, h.Plates) // start of each plate
	s := newSweep(h, nil)
	s.moved = moved
	s.out = func(i int, x *Exposure) {
		f := &h.Starts[i]
		printer := s.printer(f.Printer)
		p.printerFailed[printer] = f.Failed // starts of one printer come in their order
		if j := x.Plate; j >= 0 && int32(i) >= latest[j] {
			latest[j], p.plateFailed[j] = int32(i), f.Failed
		}
		if f.Sent && f.At+h.StartWindow >= at {
			p.sent[printer] = max(p.sent[printer], f.At+h.StartWindow)
		}
		see(i, x)
	}
	s.run(at)
	p.seq, p.printers, p.plates, p.fittedSeq, p.failedAt = s.seq, s.printers, s.plates, s.fittedSeq, s.failedAt
	// What cannot matter any more.
	maps.DeleteFunc(p.fittedSeq, func(pair uint64, seq int64) bool { return seq <= p.printers[pair>>32].probeSeq })
	maps.DeleteFunc(p.failedAt, func(_ uint64, failed int64) bool { return at-failed > RestartWithin })
	return p
}

// Parts tells whether the point parts a history: whether none of the probes after it may
// belong to a start before it.
func (p *Point) Parts(later []Probe) bool {
	return len(p.sent) == 0 || !slices.ContainsFunc(later, func(x Probe) bool {
		end, sent := p.sent[x.Printer]
		return sent && x.Ends && x.At <= end
	})
}

// FailedBefore tells of each printer and plate whether its last start before those of the
// history failed.
func (h *History) FailedBefore() (printers, plates []bool) {
	printers, plates = make([]bool, len(h.RecordsAll)), make([]bool, h.Plates)
	if h.From != nil {
		copy(printers, h.From.printerFailed)
		copy(plates, h.From.plateFailed)
	}
	return printers, plates
}

// resume makes a sweep go on from the point.
func (p *Point) resume(s *sweep) {
	s.seq, s.printers, s.plates = p.seq, slices.Clone(p.printers), slices.Clone(p.plates)
	s.fittedSeq, s.failedAt = maps.Clone(p.fittedSeq), maps.Clone(p.failedAt)
}
