package upkeep

// Pair is a failed start of a printer and its next one, neither probed for: what was
// known before each, and whether the next one failed too.
type Pair struct {
	Failed, Then Next
	Again        bool
}

// What an echo is taken for before any pair is seen, and how many pairs' worth
// that is; how it fades is not learned (a zero that was lost comes back slowly).
const (
	echoBefore = 0.2
	echoWorth  = 4.0
	echoKeep   = 0.85
)

// LearnEcho learns from a farm's pairs how often a failure that a missing probe
// brought about is followed by another beyond what the forecast says (least squares
// through the origin, the weights being how likely the probe was to blame).
func LearnEcho(cast *Forecast, pairs []Pair) Echo {
	a := &Adviser{cast: cast}
	over, weight := echoBefore*echoWorth, echoWorth
	for i := range pairs {
		p := &pairs[i]
		h := at(cast.m.Skip, p.Failed.Printer, cast.m.NewSkip)
		r := a.guilty(&p.Failed, &h)
		if r <= 0 {
			continue
		}
		x := -cast.Chance(p.Then)
		if p.Again {
			x++
		}
		over += r * x
		weight += r * r
	}
	return Echo{min(max(over/weight, 0), 0.9), echoKeep}
}
