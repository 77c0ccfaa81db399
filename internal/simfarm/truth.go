package simfarm

import "math"

// Effect is the truth of one question: what a subject's graded starts came to,
// and would have come to with a valid probe (a clean plate) at every start.
type Effect struct {
	Graded   int
	Failures int     // as they were recorded
	Was      float64 // expected failures among them as things were
	Replayed float64 // expected failures in the replay
}

// Avoidable is failures avoided per 100 graded starts; NaN without any.
func (e Effect) Avoidable() float64 { return 100 * (e.Was - e.Replayed) / float64(e.Graded) }

// Truth holds the truth of every question, by index of printer or plate.
type Truth struct {
	PrinterProbing  []Effect
	PrinterCleaning []Effect
	PlateCleaning   []Effect
}

// Truth replays the farm on the schedule that happened in it: who started what
// with which plate, when, graded by whom, probed and cleaned before or not, all
// stay as they were (what a failure led to is part of the schedule). In the
// replay a valid probe precedes every start, so that the zero is off by that
// start's probe noise alone and the plate's thickness has been seen where the
// printer takes its zero from the plate; or every plate is free of oil. All
// else, the draws included, is the same.
//
// With replays = 0 the hidden states are the ones that happened and the answer
// is the exact conditional expectation: chances of failure given those states,
// summed over the graded starts. It is what was avoidable on this very farm,
// without the noise of drawn failures, and the default to judge findings by.
//
// With replays > 0 it is the mean over that many replays in which wandering,
// probe noise, oil, bursts and failures are drawn anew, each pair on the same
// draws: what such a schedule has avoidable on average. Failures are counted,
// not chances.
func (f *Farm) Truth(replays int) Truth {
	t := Truth{make([]Effect, len(f.printers)), make([]Effect, len(f.printers)), make([]Effect, len(f.plates))}
	for n := range f.starts {
		s := &f.starts[n]
		if !s.graded {
			continue
		}
		for _, e := range t.of(s) {
			e.Graded++
			if s.failed {
				e.Failures++
			}
		}
		if replays == 0 {
			t.add(s, s.was, s.valid, s.clean)
		}
	}
	for salt := 1; salt <= replays; salt++ {
		f.Replay(uint64(salt), func(n int, was, valid, clean bool) {
			if s := &f.starts[n]; s.graded {
				weigh := func(failed bool) float64 {
					if failed {
						return 1 / float64(replays)
					}
					return 0
				}
				t.add(s, weigh(was), weigh(valid), weigh(clean))
			}
		})
	}
	return t
}

func (t *Truth) of(s *start) [3]*Effect {
	return [3]*Effect{&t.PrinterProbing[s.printer], &t.PrinterCleaning[s.printer], &t.PlateCleaning[s.plate]}
}

func (t *Truth) add(s *start, was, valid, clean float64) {
	for n, e := range t.of(s) {
		e.Was += was
		if n == 0 {
			e.Replayed += valid
		} else {
			e.Replayed += clean
		}
	}
}

// Replay runs the schedule again and tells of every start, in order, whether it
// would have failed as things were, with a valid probe, and with a clean plate,
// all on the same draws. Salt 0 is what happened; any other draws the hidden
// states and failures anew.
func (f *Farm) Replay(salt uint64, tell func(n int, was, valid, clean bool)) {
	w := f.newWorld(salt)
	for n := range f.starts {
		s := f.starts[n]
		r := w.step(&s)
		as := func(p *[causes]float64) bool {
			_, _, grade := f.verdict(&s, p, salt)
			return isFailure(grade, s.shown)
		}
		was := as(&r.p)
		valid, clean := was, was
		if p := r.p; p[causeHeight] != r.heightValid || p[causeTip] != r.tipValid {
			p[causeHeight], p[causeTip] = r.heightValid, r.tipValid
			valid = as(&p)
		}
		if p := r.p; p[causeOil] != r.oilClean || p[causeOverBond] != r.overClean {
			p[causeOil], p[causeOverBond] = r.oilClean, r.overClean
			clean = as(&p)
		}
		tell(n, was, valid, clean)
	}
}

// Film is the hazard that a plate's film has after 50 ordinary prints since a wash.
func (f *Farm) Film(plate int32) float64 { return f.plates[plate].film }

// Oracle knows of every start, in the order of Columns, the true chance of a
// failure as it was and the nuisance of each question: the chance without the
// exposure in question (a valid probe, a clean plate), all other causes, the
// grader and the hidden states known.
type Oracle struct {
	Was     []float64
	Probing []float64 // with a valid probe
	Gap     []float64 // with a clean plate
}

// Oracle gives the true chances of every start.
func (f *Farm) Oracle() Oracle {
	o := Oracle{make([]float64, len(f.starts)), make([]float64, len(f.starts)), make([]float64, len(f.starts))}
	for n := range f.starts {
		s := &f.starts[n]
		o.Was[n], o.Probing[n], o.Gap[n] = s.was, s.valid, s.clean
	}
	return o
}

// LogOdds turns chances into log-odds, in place of a nuisance as an offset;
// chances of 0 and 1 are kept finite.
func LogOdds(p []float64) []float64 {
	out := make([]float64, len(p))
	for i, x := range p {
		out[i] = logit(math.Min(1-1e-12, math.Max(1e-12, x)))
	}
	return out
}
