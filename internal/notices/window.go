package notices

import "time"

// PerShift is how many notices a person gets by themselves in one shift; what is
// beyond is one line that counts it.
const PerShift = 5

// Shift is when somebody works.
type Shift struct{ Start, End time.Time }

// windowHours are when the windows of whoever has no shift begin, in the farm's
// own time; common practice of three shifts, no source.
var windowHours = []int{6, 14, 22}

// Window is the shift a notice at a time counts to, by its beginning: that of the
// person's shift that is on (the one begun last, where two overlap); else, for
// those whom mail reaches in their shifts only, their next one; else about eight
// hours of the farm's clock. wait is when mail may go: the zero time is at once.
// Where no next shift is known, nothing waits for one.
func Window(at time.Time, shifts []Shift, zone *time.Location, inShifts bool) (start, wait time.Time) {
	var next time.Time
	for _, s := range shifts {
		switch {
		case !s.Start.After(at) && at.Before(s.End):
			if s.Start.After(start) {
				start = s.Start
			}
		case s.Start.After(at) && (next.IsZero() || s.Start.Before(next)):
			next = s.Start
		}
	}
	switch {
	case !start.IsZero():
		return start, time.Time{}
	case inShifts && !next.IsZero():
		return next, next
	}
	return standing(at, zone), time.Time{}
}

// standing is the beginning of the standing window at lies in. Beginnings are
// readings of the clock, so that a window is an hour shorter or longer where the
// clocks change in it.
func standing(at time.Time, zone *time.Location) time.Time {
	local := at.In(zone)
	y, m, d := local.Date()
	start := time.Date(y, m, d-1, windowHours[len(windowHours)-1], 0, 0, 0, zone)
	for _, h := range windowHours {
		if t := time.Date(y, m, d, h, 0, 0, 0, zone); !t.After(at) {
			start = t
		}
	}
	return start.UTC()
}

// Waits between tries to deliver grow fourfold up to the longest; after the last
// try a delivery is given up.
const (
	firstWait   = 30 * time.Second
	longestWait = 6 * time.Hour
	MostTries   = 9
)

// Wait is how long to wait after a number of tries, all failed; false: no more.
func Wait(tries int) (time.Duration, bool) {
	if tries >= MostTries {
		return 0, false
	}
	w := firstWait
	for range tries - 1 {
		w = min(4*w, longestWait)
	}
	return w, true
}
