package firstlayer

import (
	"math"
	"slices"
	"time"
)

// LookTimes says when a running first layer is down, to be judged from above, and
// when the next one covers it. Zero times are unknown.
type LookTimes struct {
	Down, Covered time.Time
	Earlier       int // learned from so many earlier starts of the job; 0: as the job says
}

// fewestLooks is how many earlier starts a first layer's time is learned from at
// least. Common practice, no source: the middle of three is not one odd one out.
const fewestLooks = 3

// TimesOf works the times of a layer out that began at start: from the minutes its job
// says a first layer takes, or, where the job says none (NaN), from how many minutes
// after their start earlier layers of the job were looked at while they printed: the
// middle one, because people look when the layer is down and before it is covered.
// The second layer is taken to need at most as long as the first, which is laid
// slower; common practice, no source.
func TimesOf(start time.Time, minutes float64, earlier []float64) (t LookTimes) {
	if math.IsNaN(minutes) || minutes <= 0 {
		known := slices.DeleteFunc(slices.Clone(earlier), func(x float64) bool { return math.IsNaN(x) || x <= 0 })
		if len(known) < fewestLooks {
			return LookTimes{}
		}
		slices.Sort(known)
		minutes, t.Earlier = (known[(len(known)-1)/2]+known[len(known)/2])/2, len(known)
	}
	takes := time.Duration(minutes * float64(time.Minute))
	t.Down = start.Add(takes)
	t.Covered = t.Down.Add(takes)
	return t
}

// LookState is how a running layer stands.
type LookState int

// The states of a running layer.
const (
	LookUnknown LookState = iota // nobody knows when it is down
	LookPrinting
	LookDown    // down and not covered: to be looked at
	LookCovered // too late to see it from above
)

// State tells how a layer stands at a time.
func (t LookTimes) State(at time.Time) LookState {
	switch {
	case t.Down.IsZero():
		return LookUnknown
	case at.Before(t.Down):
		return LookPrinting
	case at.Before(t.Covered):
		return LookDown
	}
	return LookCovered
}

// Look is a running layer of a round. Walk is its printer's place in walking order.
type Look struct {
	Bay   string
	Walk  int
	Times LookTimes
}

// lookSoon is how far ahead a layer that comes down is worth waiting for in its bay.
const lookSoon = 10 * time.Minute

// Round puts looks in the order of one round at a time: bay by bay, so that nobody
// walks twice; first the bay in which a layer that is down, or will be within ten
// minutes, is covered first, then by when a bay's first layer comes down, then in
// walking order. In a bay those that are down stand in walking order, then the others
// as they come down, then those of which nothing is known. Covered ones are left out.
// It gives places in the list.
func Round(looks []Look, at time.Time) []int {
	far := at.AddDate(100, 0, 0)
	type bay struct{ covered, down, walk time.Time }
	bays := map[string]*bay{}
	var order []int
	for i := range looks {
		x := &looks[i]
		state := x.Times.State(at)
		if state == LookCovered {
			continue
		}
		order = append(order, i)
		b := bays[x.Bay]
		if b == nil {
			b = &bay{far, far, far}
			bays[x.Bay] = b
		}
		first := func(have *time.Time, t time.Time) {
			if t.Before(*have) {
				*have = t
			}
		}
		first(&b.walk, at.Add(time.Duration(x.Walk)))
		if state != LookUnknown {
			first(&b.down, x.Times.Down)
			if x.Times.Down.Before(at.Add(lookSoon)) {
				first(&b.covered, x.Times.Covered)
			}
		}
	}
	rank := map[LookState]int{LookDown: 0, LookPrinting: 1, LookUnknown: 2}
	slices.SortStableFunc(order, func(i, j int) int {
		a, b := &looks[i], &looks[j]
		if a.Bay != b.Bay {
			x, y := bays[a.Bay], bays[b.Bay]
			for _, c := range []int{x.covered.Compare(y.covered), x.down.Compare(y.down), x.walk.Compare(y.walk)} {
				if c != 0 {
					return c
				}
			}
			return 0
		}
		s, u := a.Times.State(at), b.Times.State(at)
		switch {
		case rank[s] != rank[u]:
			return rank[s] - rank[u]
		case s == LookPrinting && !a.Times.Down.Equal(b.Times.Down):
			return a.Times.Down.Compare(b.Times.Down)
		}
		return a.Walk - b.Walk
	})
	return order
}

// DownSoon counts the layers of one bay that are down at a time or will be within ten
// minutes, and tells when the last of them is: that is when one walk sees them all.
func DownSoon(looks []Look, at time.Time) (n int, by time.Time) {
	by = at
	for i := range looks {
		t := looks[i].Times
		if s := t.State(at); s == LookDown || s == LookPrinting && t.Down.Before(at.Add(lookSoon)) {
			n++
			if t.Down.After(by) {
				by = t.Down
			}
		}
	}
	return n, by
}
