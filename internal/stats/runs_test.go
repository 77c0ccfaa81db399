package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Champ and Woodall 1987, Technometrics 29:393-399, table 1: mean run lengths of
// Shewhart's chart with limits alone (rule 1) and with eight in a row on one side, by
// shift of the mean in standard deviations. Table from memory.
func TestRunLengthsOfChampAndWoodall1987(t *testing.T) {
	for _, c := range []struct{ shift, alone, both float64 }{
		{0, 370.40, 152.73}, {0.2, 308.43, 110.52}, {0.4, 200.08, 59.76}, {0.6, 119.67, 33.64}, {0.8, 71.55, 21.07},
		{1.0, 43.89, 14.58}, {1.2, 27.82, 10.90}, {1.4, 18.25, 8.60}, {1.6, 12.38, 7.03}, {1.8, 8.69, 5.85}, {2.0, 6.30, 4.89},
	} {
		near(t, "limits alone", RulesRun(NormalChances(c.shift), 0), c.alone, 0.006)
		near(t, "and eight in a row", RulesRun(NormalChances(c.shift), RunLength), c.both, 0.006)
	}
	// A fair coin: a run of n of either face takes 2^n - 1 tosses on average (Feller 1968,
	// An Introduction to Probability Theory I, XIII.7; from memory).
	near(t, "a fair coin", RulesRun(Chances{Above: 0.5, Below: 0.5}, 8), 255, 1e-9)
	// A run of n heads alone: (1 - p^n)/(q·p^n) (the same place), tails lying on the centre.
	p := 0.3
	near(t, "heads alone", RulesRun(Chances{Above: p, On: 1 - p}, 5), (1-math.Pow(p, 5))/((1-p)*math.Pow(p, 5)), 1e-8)
}

// Drawn a hundred thousand times, charts of unequal counts at a steady rate raise an
// alarm as often as is said; so do gaps.
func TestFalseAlarmsAreAsOftenAsSaid(t *testing.T) {
	r := rand.New(rand.NewPCG(38, 1))
	for _, c := range []struct {
		rate float64
		n    []int
	}{
		{0.05, []int{60, 0, 90, 40, 120, 80, 60, 60, 200, 33, 75, 0, 50, 90, 90, 90, 61, 70, 20, 45, 66, 77, 88, 99}},
		{0.25, []int{12, 20, 8, 16, 30, 4, 20, 20, 40, 12, 12, 12, 16, 16, 20, 20}}, // shares of a quarter lie on the centre
	} {
		const rounds = 40_000
		// One draw a count by table.
		tables := make([][]float64, len(c.n))
		for i, n := range c.n {
			for x := 0; x <= n; x++ {
				tables[i] = append(tables[i], BinomialLowerTail(x, n, c.rate))
			}
		}
		alarms, x := 0, make([]int, len(c.n))
		chart := PChartAround(x, c.n, c.rate)
		values := make([]float64, len(x))
		for range rounds {
			for i, n := range c.n {
				values[i] = math.NaN()
				if n > 0 {
					u := r.Float64()
					k := firstTrue(0, n, func(k int) bool { return tables[i][k] >= u })
					values[i] = float64(k) / float64(n)
				}
			}
			if len(signals(values, chart.Low, chart.High, c.rate)) > 0 {
				alarms++
			}
		}
		said := chart.FalseAlarm(c.n)
		t.Logf("rate %g: %d of %d charts, said %.4f", c.rate, alarms, rounds, said)
		near(t, "false alarms", float64(alarms)/rounds, said, 4*math.Sqrt(said*(1-said)/rounds))
	}
	g := GChart{Rate: 0.04, Centre: geometricMedian(0.04)}
	g.Low, g.High = GeometricLimits(0.04, OneSided)
	said := RulesRun(g.Chances(), RunLength)
	const rounds = 4000
	sum, sum2 := 0.0, 0.0
	for range rounds {
		points, row, side := 0, 0, 0
		for {
			points++
			gap := int(math.Log(1-r.Float64()) / math.Log1p(-0.04))
			if gap > g.High || gap < g.Low {
				break
			}
			now := 1
			if float64(gap) < g.Centre {
				now = -1
			}
			if now != side {
				side, row = now, 0
			}
			if row++; row == RunLength {
				break
			}
		}
		sum, sum2 = sum+float64(points), sum2+float64(points)*float64(points)
	}
	mean := sum / rounds
	near(t, "gaps until an alarm", mean, said, 4*math.Sqrt((sum2/rounds-mean*mean)/rounds))
}

// With chance 1/2 and steps of one, the sum is a fair walk held at 0: h(h + 1) steps to
// h (first passage of a reflected walk: Feller 1968, I, XIV; worked by hand from
// E(0) = 2 + E(1), E(s) = 1 + (E(s-1) + E(s+1))/2). With m = 2 and rate p it is the
// walk of unequal steps.
func TestCusumRunOfSimpleWalks(t *testing.T) {
	for h := 1; h <= 40; h += 3 {
		near(t, "a fair walk", CusumRun(0.5, 2, h), float64(h*(h+1)), 1e-9*float64(h*(h+1)))
		// Up with p, down with q, held at 0: h/(p-q) - q·(1-(q/p)^h)/(p-q)².
		p, q := 0.45, 0.55
		want := float64(h)/(p-q) - q*(1-math.Pow(q/p, float64(h)))/((p-q)*(p-q))
		near(t, "an unequal walk", CusumRun(p, 2, h), want, 1e-9*want)
	}
}
