package web

import (
	"cmp"
	"slices"
	"time"

	"basecourse/internal/store"
)

// breakLong is up to how long a person's pause between two recorded shifts is a break
// in one (common practice, no source).
const breakLong = 90 * time.Minute

// shiftMost is how long one shift is at most: beyond it two follow one another.
const shiftMost = 12 * time.Hour

// stretch is a time that is drawn.
type stretch struct{ from, to time.Time }

// shiftsOf are the farm's shifts by its recorded turns, which come by person and time:
// each once, however many work in it, a person's breaks included; by begin, then end.
func shiftsOf(turns []store.Turn) (out []stretch) {
	for i := 0; i < len(turns); {
		x := stretch{turns[i].Starts, turns[i].Ends}
		k := i + 1
		for ; k < len(turns) && turns[k].Person == turns[i].Person && turns[k].Starts.Sub(x.to) <= breakLong && turns[k].Ends.Sub(x.from) <= shiftMost; k++ {
			if turns[k].Ends.After(x.to) {
				x.to = turns[k].Ends
			}
		}
		i = k
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b stretch) int { return cmp.Or(a.from.Compare(b.from), a.to.Compare(b.to)) })
	return slices.CompactFunc(out, func(a, b stretch) bool { return a.from.Equal(b.from) && a.to.Equal(b.to) })
}

// shiftAt is the shift that is on at a time, the one begun last; else the next that
// begins; else the last. -1: there are none.
func shiftAt(shifts []stretch, at time.Time) int {
	on, next := -1, -1
	for i, x := range shifts {
		switch {
		case x.from.After(at):
			if next < 0 {
				next = i
			}
		case x.to.After(at):
			on = i
		}
	}
	switch {
	case on >= 0:
		return on
	case next >= 0:
		return next
	}
	return len(shifts) - 1
}

// words say when a shift is: the day it begins on, and its hours.
func (x stretch) words(zone *time.Location) string {
	from, to := x.from.In(zone), x.to.In(zone)
	s := from.Format("Mon 2 Jan 15:04") + " to " + to.Format("15:04")
	if y, m, d := to.Date(); (d != from.Day() || m != from.Month() || y != from.Year()) && to.Sub(from) > 24*time.Hour {
		s = from.Format("Mon 2 Jan 15:04") + " to " + to.Format("Mon 2 Jan 15:04")
	}
	return s
}

// hourTicks are the full hours of the farm's clock in a stretch, every so many from
// midnight; at a change of clocks there is one less or more between two.
func hourTicks(x stretch, every int, zone *time.Location) (list []time.Time) {
	local := x.from.In(zone)
	t := x.from.Add(-time.Duration(local.Minute())*time.Minute - time.Duration(local.Second())*time.Second - time.Duration(local.Nanosecond()))
	for ; !t.After(x.to); t = t.Add(time.Hour) {
		if l := t.In(zone); !t.Before(x.from) && l.Hour()%every == 0 && l.Minute() == 0 {
			list = append(list, t)
		}
	}
	return list
}
