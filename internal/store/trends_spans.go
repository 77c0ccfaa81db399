package store

import (
	"cmp"
	"slices"
	"sort"
	"time"

	"basecourse/internal/farm"
)

// groupSpan is a span of time whose layers are of one group: an hour of the day, or a
// shift; it begins where the one before ends.
type groupSpan struct {
	until int64
	group int32
}

// spansOf gives each layer's group by the span it began in.
func (c *trendCounter) spansOf(d *layerDay) {
	c.group = sized(c.group, d.len())
	span := sort.Search(len(c.spans)-1, func(i int) bool { return c.spans[i].until > d.day*microsPerDay })
	for i, at := range d.times {
		if !c.keep[i] {
			continue
		}
		for at >= c.spans[span].until && span < len(c.spans)-1 {
			span++
		}
		c.group[i] = c.spans[span].group
	}
}

// hourSpans cuts time from one instant to another into the hours of a zone's days; a
// group is an hour's number. Where clocks change, an hour may be cut in two.
func hourSpans(zone *time.Location, from, to int64) []groupSpan {
	const microsPerHour = microsPerDay / 24
	if zone == nil {
		zone = time.UTC
	}
	var spans []groupSpan
	for at := from; ; {
		t := time.UnixMicro(at).In(zone)
		_, offset := t.Zone()
		same := to // the zone keeps its distance from UTC until then
		if _, end := t.ZoneBounds(); !end.IsZero() {
			same = min(same, end.UnixMicro())
		}
		ahead := int64(offset) * 1_000_000
		for local := at + ahead; at < same; local = at + ahead {
			hour := local / microsPerHour
			if local%microsPerHour < 0 {
				hour--
			}
			at = min(same, (hour+1)*microsPerHour-ahead)
			spans = append(spans, groupSpan{at, int32((hour%24 + 24) % 24)})
		}
		if at >= to {
			return spans
		}
	}
}

// shiftSpans cuts time from one instant to another into the shifts that were on, of
// several the one begun last. A group is the shifts with the same hours in a zone:
// "06:00–14:00"; who worked in them plays no part.
func (c *trendCounter) shiftSpans(shifts []farm.Span, zone *time.Location) (spans []groupSpan) {
	if zone == nil {
		zone = time.UTC
	}
	var edges []int64
	for _, s := range shifts {
		for _, t := range []time.Time{s.From, s.To} {
			if at := t.UnixMicro(); at > c.from && at < c.to {
				edges = append(edges, at)
			}
		}
	}
	edges = append(edges, c.from, c.to)
	slices.Sort(edges)
	edges = slices.Compact(edges)
	order := slices.Clone(shifts)
	slices.SortFunc(order, func(a, b farm.Span) int { return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To)) })
	begun, at := 0, c.from
	var on []farm.Span // begun and perhaps not over, in the order they began
	for _, until := range edges[1:] {
		for begun < len(order) && order[begun].From.UnixMicro() <= at {
			on = append(on, order[begun])
			begun++
		}
		on = slices.DeleteFunc(on, func(s farm.Span) bool { return s.To.UnixMicro() <= at })
		name := ""
		if len(on) > 0 {
			s := on[len(on)-1]
			name = s.From.In(zone).Format("15:04") + "–" + s.To.In(zone).Format("15:04")
		}
		spans = append(spans, groupSpan{until, c.groupNamed(name)})
		at = until
	}
	return spans
}
