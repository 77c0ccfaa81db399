package findings

import (
	"math"
	"testing"

	"basecourse/internal/simfarm"
)

// strictnessOf runs one farm and gives what is learned of its graders beside the truth.
func strictnessOf(t *testing.T, name string, seed uint64) (held, asked int, nightAbove bool, rms float64) {
	t.Helper()
	sc, ok := simfarm.Named(name)
	if !ok {
		t.Fatalf("no scenario %s", name)
	}
	f := simfarm.Run(sc, seed)
	l, _ := layersOf(f.Columns())
	_, m := Learn(l, sc.Printers, sc.Plates, medianGap(l), Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	truth := f.GraderStrictness()
	nights, days := 0.0, 0.0
	for g, x := range m.Graders {
		half := 1.96 * math.Sqrt(x.Var)
		t.Logf("%s %d grader %d: %.2f (%.2f to %.2f), truth %.2f, %d of %d", name, seed, g, x.At, x.At-half, x.At+half, truth[g], x.Failed, x.Graded)
		asked++
		if math.Abs(x.At-truth[g]) <= half {
			held++
		}
		rms += (x.At - truth[g]) * (x.At - truth[g])
		if g/sc.GradersPerShift == 2 {
			nights += x.At / float64(sc.GradersPerShift)
		} else {
			days += x.At / float64(2*sc.GradersPerShift)
		}
	}
	return held, asked, nights > days, math.Sqrt(rms / float64(asked))
}

// What the fit says of who is strict, on a farm with a strict night crew that also skips
// probing: its interval holds the truth. That such a crew raises no
// findings is shown by the validation of findings (strict_night).
func TestStrictnessFromTheFitHoldsTheTruth(t *testing.T) {
	held, asked := 0, 0
	for _, c := range []struct {
		name string
		seed uint64
	}{{"strict_night", 61}} {
		h, a, night, rms := strictnessOf(t, c.name, c.seed)
		t.Logf("%s: %d of %d, root mean square error %.2f", c.name, h, a, rms)
		if c.name == "strict_night" && !night {
			t.Error("the strict night crew is not told")
		}
		held, asked = held+h, asked+a
	}
	if share := float64(held) / float64(asked); share < 0.85 {
		t.Errorf("intervals hold %d of %d", held, asked)
	}
}
