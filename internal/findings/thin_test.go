package findings

import (
	"fmt"
	"math"
	"reflect"
	"testing"

	"basecourse/internal/simfarm"
)

// thinFarm is an invented farm of more layers than thinFrom.
func thinFarm(t *testing.T) (l *Layers, sc simfarm.Scenario) {
	t.Helper()
	sc, ok := simfarm.Named("both")
	if !ok {
		t.Fatal("no scenario both")
	}
	l, _ = layersOf(simfarm.Run(sc, 61).Columns())
	if l.Len() < thinFrom {
		t.Fatalf("%d layers, want at least %d", l.Len(), thinFrom)
	}
	return l, sc
}

func TestAThinningHasAllFailuresAndAShareOfTheRest(t *testing.T) {
	l, _ := thinFarm(t)
	th := thinned(l, thinFrom)
	if th == nil || thinned(l, l.Len()+1) != nil {
		t.Fatal("thinned where it should not be, or not where it should")
	}
	fails, held, stands := 0, 0, 0.0
	for _, i := range th.at {
		if l.Failed[i] {
			fails++
		} else {
			held++
			stands += th.each
		}
	}
	all := 0
	for _, failed := range l.Failed {
		if failed {
			all++
		}
	}
	if fails != all {
		t.Errorf("%d failures of %d", fails, all)
	}
	if held < 2*fails || held > 7*fails {
		t.Errorf("%d that held for %d failures", held, fails)
	}
	// The rest stands for as many as there are: a binomial's five standard deviations.
	rest := float64(l.Len() - all)
	if sd := math.Sqrt(rest * (th.each - 1)); math.Abs(stands-rest) > 5*sd {
		t.Errorf("%.0f that held stand for %.0f, there are %.0f", float64(held), stands, rest)
	}
	// Which ones they are does not depend on the others, nor on their order.
	n := l.Len()
	other := &Layers{}
	for i := n - 1; i >= 0; i-- {
		if i%100 != 7 || l.Failed[i] {
			other.At, other.Printer, other.Failed = append(other.At, l.At[i]), append(other.Printer, l.Printer[i]), append(other.Failed, l.Failed[i])
		}
	}
	had := map[string]bool{}
	key := func(l *Layers, i int) string { return fmt.Sprint(l.At[i], l.Printer[i]) }
	for _, i := range th.at {
		had[key(l, int(i))] = true
	}
	again := thinned(other, thinFrom)
	if again.each != th.each {
		t.Fatalf("one stands for %g, then for %g", th.each, again.each)
	}
	has := map[string]bool{}
	for _, i := range again.at {
		has[key(other, int(i))] = true
	}
	for i := range other.At {
		if has[key(other, i)] != had[key(other, i)] {
			t.Fatal("a layer comes or goes with others")
		}
	}
}

// Few failures make few layers stand for all; none, none.
func TestAThinningGoesByTheFailures(t *testing.T) {
	for _, c := range []struct {
		fails int
		each  float64 // 0: not thinned
	}{{0, 0}, {600, 16}, {1500, 8}, {4000, 4}, {8000, 2}, {20000, 0}} {
		l := &Layers{At: make([]int64, 60000), Printer: make([]int32, 60000), Failed: make([]bool, 60000)}
		for i := range l.At {
			l.At[i], l.Failed[i] = int64(i)*1e6, i < c.fails
		}
		each := 0.0
		if th := thinned(l, thinFrom); th != nil {
			each = th.each
		}
		if each != c.each {
			t.Errorf("%d failures of 60000: each stands for %g, want %g", c.fails, each, c.each)
		}
	}
}

// What a thinned fleet says of printers and plates lies near what all layers say: the
// difference of the two estimates has the variance that the layers left out would have
// taken away, a fraction of what either has anyhow (Breslow & Day 1980: 1 + 1/m, m of the
// rest for each failure).
func TestAThinnedFleetIsNearThatOfAllLayers(t *testing.T) {
	l, sc := thinFarm(t)
	l = l.gathered(sc.Printers, sc.Plates)
	all, some := fitFleet(l, sc.Printers, sc.Plates, fleetSteps, nil), fitFleet(l, sc.Printers, sc.Plates, fleetSteps, thinned(l, thinFrom))
	for k, b := range []*block{all.printer, all.plate} {
		other := []*block{some.printer, some.plate}[k]
		square, worst := 0.0, 0.0
		for lv := range b.coef {
			z := (b.coef[lv][0] - other.coef[lv][0]) / math.Sqrt(b.post[lv][0])
			square, worst = square+z*z, max(worst, math.Abs(z))
		}
		off := math.Sqrt(square / float64(len(b.coef)))
		t.Logf("%s: off by %.2f of its own standard deviation, at most %.2f", b.name, off, worst)
		if off > 0.5 || worst > 2.5 {
			t.Errorf("%s: off by %.2f of its own standard deviation, at most %.2f", b.name, off, worst)
		}
	}
	if d := all.mean - some.mean; math.Abs(d) > 0.1 {
		t.Errorf("means differ by %g", d)
	}
	some.whole()
	for i := range 100 {
		want := some.mean + some.skip*float64(some.skipped[i]) + some.gap*float64(some.dose[i]) + some.printer.part(i) + some.plate.part(i)
		for _, b := range some.other {
			want += b.part(i)
		}
		if math.Abs(some.eta[i]-want) > 1e-9 {
			t.Fatalf("layer %d: log-odds %g, want %g", i, some.eta[i], want)
		}
	}
}

// Fits that take their last step unseen end where others do.
func TestQuickFitsEndWhereOthersDo(t *testing.T) {
	l, sc := thinFarm(t)
	e := newStudy(l, sc.Printers, sc.Plates, Options{})
	parallel(len(e.qs), func(i int) { e.count(i, 4) })
	e.run()
	worst, worstMiss := 0.0, 0.0
	for i := 0; i < len(e.qs); i += 7 {
		if e.curves[i] == nil {
			continue
		}
		r := e.rows(i, net)
		slow := *r
		slow.quick = false
		if !r.quick {
			t.Fatal("fits are not quick")
		}
		for _, size := range sizes {
			q, s := r.fit(withBeta(theta{}, size), false, true), slow.fit(withBeta(theta{}, size), false, true)
			worst = max(worst, math.Abs(q.ll-s.ll))
		}
		a, b := r.missCurve(false), slow.missCurve(false)
		for k := range a {
			worstMiss = max(worstMiss, math.Abs(a[k]-b[k]))
		}
	}
	t.Logf("log-likelihoods differ by at most %.4f, those of near misses by %.4f", worst, worstMiss)
	if worst > 0.03 || worstMiss > 0.03 {
		t.Errorf("log-likelihoods differ by %.4f, those of near misses by %.4f; want at most 0.03", worst, worstMiss)
	}
}

func TestAThinnedFarmGivesTheSameAnswersToTheBit(t *testing.T) {
	l, sc := thinFarm(t)
	opt := Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5}
	qs, m := Learn(l, sc.Printers, sc.Plates, medianGap(l), opt)
	again, n := Learn(l, sc.Printers, sc.Plates, medianGap(l), opt)
	if !reflect.DeepEqual(m, n) || fmt.Sprint(qs) != fmt.Sprint(again) {
		t.Fatal("the same layers gave another answer")
	}
	// Nearly all is raised by both ways.
	opt.Unthinned = true
	all, _ := Learn(l, sc.Printers, sc.Plates, medianGap(l), opt)
	both, either := 0, 0
	for i := range qs {
		switch {
		case qs[i].State == Raised && all[i].State == Raised:
			both++
			either++
		case qs[i].State == Raised || all[i].State == Raised:
			either++
		}
	}
	if either == 0 || float64(both) < 0.75*float64(either) {
		t.Errorf("%d of %d raised by both ways", both, either)
	}
}
