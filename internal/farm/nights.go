package farm

import (
	"slices"
	"time"
)

// Span is a stretch of time: From and up to, not including, To.
type Span struct{ From, To time.Time }

// Night is one night of the farm. Day is the local date of its evening. Empty tells
// that nobody was on shift through it; else it is the hours from 22 to 6 in the
// farm's zone, because the shifts leave no gap or none are recorded.
type Night struct {
	Span
	Day   string // 2006-01-02
	Empty bool
}

// leastNight is the shortest time without anybody that is a night: a shorter one is
// a break between two shifts.
const leastNight = 2 * time.Hour

// Nights gives the last n nights that began before a time, the latest first, each
// between the noons of two local days: the longest stretch in which nobody is on
// shift. Days are the calendar's, so that a night at the change of clocks is an hour
// longer or shorter. shifts need no order; they may touch and overlap. shifted says
// that the farm records its shifts.
func Nights(shifts []Span, shifted bool, zone *time.Location, before time.Time, n int) []Night {
	shifts = slices.Clone(shifts)
	slices.SortFunc(shifts, func(a, b Span) int { return a.From.Compare(b.From) })
	year, month, day := before.In(zone).Date()
	at := func(back, hour int) time.Time { return time.Date(year, month, day-back, hour, 0, 0, 0, zone) }
	var out []Night
	for back := 0; len(out) < n && back <= n+1; back++ {
		noon, next := at(back, 12), at(back-1, 12)
		night := Night{Span: Span{at(back, 22), at(back-1, 6)}, Day: noon.Format("2006-01-02")}
		if gap := longestGap(shifts, Span{noon, next}); shifted && gap.To.Sub(gap.From) >= leastNight {
			night.Span, night.Empty = gap, true
		}
		if night.From.Before(before) {
			out = append(out, night)
		}
	}
	return out
}

// longestGap is the longest stretch of a span that no shift, in order, covers; the
// first of equals.
func longestGap(shifts []Span, within Span) (best Span) {
	free := within.From
	take := func(to time.Time) {
		if to.Sub(free) > best.To.Sub(best.From) {
			best = Span{free, to}
		}
	}
	for _, x := range shifts {
		if !x.To.After(free) || !x.From.Before(within.To) {
			continue
		}
		if x.From.After(free) {
			take(x.From)
		}
		free = x.To
	}
	if free.Before(within.To) {
		take(within.To)
	}
	return best
}
