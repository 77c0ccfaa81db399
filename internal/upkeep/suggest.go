package upkeep

import (
	"math"

	"basecourse/internal/findings"
)

// Suggestion is the interval between renewals that costs least in the long run: of
// probing a printer, or of cleaning a plate.
type Suggestion struct {
	Task  Task
	Every int // before each so many-th start (print); 0: never for this alone
	// EveryLow and EveryHigh are the intervals that would be best were the effect as
	// large, and as small, as its 95 % interval goes; 0: never.
	EveryLow, EveryHigh int
	Curve               []Point

	a *Adviser
	known
	rest [horizon]float64 // chance that the other effect spares a start, 1 without
	loss float64
	mean wear

	pooled bool
	drawn  []wear // of pooled ones
}

// Point is what an interval costs in the long run, per 100 starts: money beyond what
// starts cost that were all just renewed for, with its 95 % interval, and what it
// trades, failures and minutes.
type Point struct {
	Every                         int // 0 never
	Cost, Low, High               float64
	Failures                      float64 // beyond those of starts just renewed for
	FailuresLow, FailuresHigh     float64
	PersonMinutes, MachineMinutes float64
}

// intervals at which a curve is told.
var intervals = []int{1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 130, horizon, 0}

// SuggestProbing gives the cheapest probing interval of a printer. usual is a usual
// start of it; only its printer, plate, material and gap count (-1 unknown).
func (a *Adviser) SuggestProbing(usual Next) Suggestion {
	usual.Probing, usual.PrinterFailed, usual.PlateFailed = findings.ProbingValid, false, false
	s := Suggestion{Task: Probe, a: a, known: a.skipping(usual.Printer)}
	for k := range s.rest {
		s.rest[k] = 1
	}
	s.loss = a.costs.Failure() * (1 - a.cast.Chance(usual))
	s.solve()
	return s
}

// SuggestCleaning gives the cheapest interval of wiping a plate. usual is a usual
// start on it; only its printer, plate and material count (-1 unknown).
func (a *Adviser) SuggestCleaning(usual Next) Suggestion {
	usual.Probing, usual.Gap, usual.PrinterFailed, usual.PlateFailed = findings.ProbingValid, 0, false, false
	printer, plate := a.gaps(&usual)
	s := Suggestion{Task: Wipe, a: a, known: plate}
	printer.mean(&s.rest)
	s.loss = a.costs.Failure() * (1 - a.cast.Chance(usual))
	s.solve()
	return s
}

// wear of a start by count if the effect had one of its forms.
func (s *Suggestion) wear(form int) wear {
	spares := s.table[form]
	for k := range spares {
		spares[k] *= s.rest[k]
	}
	return wearOf(&spares, s.loss)
}

func (s *Suggestion) solve() {
	chance, wears := s.wears()
	cost := s.a.costs.Of(s.Task)
	for i, c := range chance {
		for k := range s.mean {
			s.mean[k] += c * wears[i][k]
		}
	}
	s.Every = s.mean.best(cost).every
	best := make([]float64, len(wears))
	for i := range best {
		if best[i] = float64(wears[i].best(cost).every); best[i] == 0 {
			best[i] = math.Inf(1)
		}
	}
	s.between(chance, best)
	for _, n := range withInterval(s.Every) {
		s.Curve = append(s.Curve, s.point(n, chance, wears))
	}
}
