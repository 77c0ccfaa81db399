package upkeep

import (
	"math"
	"slices"

	"basecourse/internal/trial"
)

// Lot is what the standing lot of a start goes by.
type Lot struct {
	// Limit is how much of a failure's cost doing and leaving may differ by, for the lot
	// to decide; 0: it decides nothing that is not drawn already.
	Limit float64
	// Number is what the lot drew for a task, from 0 (included) to 1 (left out): the
	// same whenever it is asked.
	Number func(Task) float64
	// Held are the draws that were made for this start already: they stand, whatever is
	// known by now.
	Held []Drawn
	// Spent are tasks that were drawn for this start and waited for it too long.
	Spent []Task
}

// Drawn is what the lot decided before a start.
type Drawn struct {
	Task   Task
	Do     bool
	Chance float64 // that it says do
	Saves  float64 // expected of doing it now against leaving it, money; NaN not weighed
	Kept   bool    // it was drawn before, and is not to be recorded again
	Why    string  // of a kept one: "" the standing lot, else the planned test
}

// draw decides by lot, where doing and leaving differ by so little.
func (a *Adviser) draw(s *State, t Task, saves float64) (x Drawn, ok bool) {
	if s.Lot == nil {
		return x, false
	}
	for _, h := range s.Lot.Held {
		if h.Task == t {
			h.Kept = true
			return h, true
		}
	}
	if slices.Contains(s.Lot.Spent, t) {
		return x, false
	}
	limit := s.Lot.Limit * a.costs.Failure()
	if !(math.Abs(saves) < limit) {
		return x, false
	}
	x = Drawn{Task: t, Saves: saves, Chance: trial.Chance(saves, limit)}
	x.Do = s.Lot.Number(t) < x.Chance
	return x, true
}

// because says of a draw why it was made.
func (x *Drawn) because() string {
	if x.Why != "" {
		return "drawn by lot for a planned test"
	}
	return "drawn by lot: doing it and leaving it cost about the same"
}

// Free tells whether a task may be drawn as things stand: never on a printer or a plate
// on hold, on a plate that is away, or of what was left out.
func (s *Standing) Free(t Task) bool {
	if s.Held || t.AboutPlate() && (s.PlateHeld || s.PlateAway) {
		return false
	}
	return !slices.Contains(s.Skipped, t)
}
