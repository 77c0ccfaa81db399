package farm

import "time"

// turnOver is how long after its end a shift is still the one that hands over.
const turnOver = time.Hour

// Turn gives the shift that hands over at a time: of those that have begun and are
// not over for more than an hour, the one whose end is nearest; of equals the one
// that began first. It is false where there is none. Shifts are instants: a night
// shift at the change of clocks is an hour longer or shorter than its clock says.
func Turn(shifts []Span, at time.Time) (turn Span, ok bool) {
	away := func(s Span) time.Duration { return s.To.Sub(at).Abs() }
	for _, s := range shifts {
		if s.From.After(at) || s.To.Before(at.Add(-turnOver)) {
			continue
		}
		if !ok || away(s) < away(turn) || away(s) == away(turn) && s.From.Before(turn.From) {
			turn, ok = s, true
		}
	}
	return turn, ok
}
