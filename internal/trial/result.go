package trial

import (
	"math"
	"math/rand/v2"

	"basecourse/internal/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

// Result is what a test showed at its end.
type Result struct {
	Diff   float64        // chance of failure of starts done minus starts left; below 0: doing spares failures
	Limits stats.Interval // of Diff, by inverting score tests
	P      float64        // two-sided, of the randomisation test
	Exact  bool           // whether all draws were counted, not a sample of them
	Drawn  int            // draws looked at where not exact
}

const (
	mostCells = 500_000 // ways to draw that are counted exactly
	mostDrawn = 50_000  // else so many are drawn
)

// Judge tests whether doing made a difference: were it none, each start would have
// ended as it did, however it was drawn. So the lot is drawn again with the same
// chance for every start, and P is how often the failure shares of the arms then
// differ by at least what was seen (Fisher 1935, chapter II; Edgington 1980); draws
// that leave an arm empty count as no difference. Failures and good starts drawn to be done are two binomial counts, so
// that all draws can be counted; above mostCells combinations mostDrawn are drawn from
// the seed, and the draw that was made counts as one more. Limits invert the score test
// given the arms' sizes (stats.MiettinenNurminen); where the randomisation test does not
// see a difference and they do, they are drawn out to 0.
func Judge(do, leave Arm, share, confidence float64, seed uint64) Result {
	out := Result{Diff: math.NaN(), Limits: stats.Interval{Low: -1, High: 1}, P: 1, Exact: true}
	if do.Starts == 0 || leave.Starts == 0 {
		return out
	}
	out.Diff = do.rate() - leave.rate()
	failed := do.Failures + leave.Failures
	good := do.Starts + leave.Starts - failed
	seen := math.Abs(out.Diff) - 1e-12
	apart := func(i, j int) bool { // i failures and j good starts drawn to be done
		a, b := i+j, failed+good-i-j
		return a > 0 && b > 0 && math.Abs(float64(i)/float64(a)-float64(failed-i)/float64(b)) >= seen
	}
	if (failed+1)*(good+1) <= mostCells {
		pf, pg := chances(failed, share), chances(good, share)
		out.P = 0
		for i, f := range pf {
			if f < 1e-18 {
				continue
			}
			sum := 0.0
			for j, g := range pg {
				if apart(i, j) {
					sum += g
				}
			}
			out.P += f * sum
		}
		if out.P = min(1, out.P); seen < 0 {
			out.P = 1
		}
	} else {
		out.Exact, out.Drawn = false, mostDrawn
		r := rand.New(rand.NewPCG(seed, 0x7e57))
		f, g := distuv.Binomial{N: float64(failed), P: share, Src: r}, distuv.Binomial{N: float64(good), P: share, Src: r}
		hit := 1
		for range mostDrawn {
			if apart(int(f.Rand()), int(g.Rand())) {
				hit++
			}
		}
		out.P = float64(hit) / (mostDrawn + 1)
	}
	out.Limits = stats.MiettinenNurminen(do.Failures, do.Starts, leave.Failures, leave.Starts, confidence)
	if out.P > 1-confidence {
		out.Limits.Low, out.Limits.High = min(out.Limits.Low, 0), max(out.Limits.High, 0)
	}
	return out
}

// chances gives the binomial chances of 0 to n.
func chances(n int, p float64) []float64 {
	b := distuv.Binomial{N: float64(n), P: p}
	out := make([]float64, n+1)
	for k := range out {
		out[k] = b.Prob(float64(k))
	}
	return out
}
