package store

import (
	"cmp"
	"slices"
	"time"

	"basecourse/internal/farm"
)

// shiftSpan is a span of time within one shift; no name: no shift was on.
type shiftSpan struct {
	until int64
	group int32
}

// shiftSpans cuts time from one instant to another into the shifts that were on, of
// several the one begun last. A group is the shifts with the same hours in a zone:
// "06:00–14:00"; who worked in them plays no part.
func (c *trendCounter) shiftSpans(shifts []farm.Span, zone *time.Location) (spans []shiftSpan) {
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
		n, ok := c.byName[name]
		switch {
		case name == "":
			n = 0
		case !ok:
			n = c.newGroup(name)
			c.byName[name] = n
		}
		spans = append(spans, shiftSpan{until, n})
		at = until
	}
	return spans
}

func (c *trendCounter) shiftsOf(d *layerDay) {
	c.group = sized(c.group, d.len())
	span := 0
	for i, at := range d.times {
		if !c.keep[i] {
			continue
		}
		for at >= c.shifts[span].until && span < len(c.shifts)-1 {
			span++
		}
		c.group[i] = c.shifts[span].group
	}
}
