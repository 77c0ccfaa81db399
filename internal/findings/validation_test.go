package findings

import (
	"fmt"
	"reflect"
	"testing"

	"basecourse/internal/simfarm"
)

// Methods that are compared on the same farms.
const (
	ours = iota
	oracleMethod
	crudeMethod
	plainMethod
	methods
)

// tally counts what came out over farms whose truth is known. Real: at least 1
// failure per 100 avoidable; none: at most 0.2; between counts neither way.
type tally struct {
	farms, real, big      int
	raised, nothing       [methods]int
	foundReal, foundBig   [methods]int
	asked, held           int // questions with an estimate; whose interval holds the truth
	raisedHeld            int
	intervalLow, tooHighs int
}

func (t *tally) add(o *tally) {
	t.farms += o.farms
	t.real += o.real
	t.big += o.big
	t.asked += o.asked
	t.held += o.held
	t.raisedHeld += o.raisedHeld
	t.intervalLow += o.intervalLow
	t.tooHighs += o.tooHighs
	for m := range methods {
		t.raised[m] += o.raised[m]
		t.nothing[m] += o.nothing[m]
		t.foundReal[m] += o.foundReal[m]
		t.foundBig[m] += o.foundBig[m]
	}
}

func share(a, b int) string {
	if b == 0 {
		return "–"
	}
	return fmt.Sprintf("%d/%d = %.3f", a, b, float64(a)/float64(b))
}

// judge runs one farm through all methods. Truth is the mean of paired replays.
func judge(sc simfarm.Scenario, seed uint64, replays int) *tally {
	f := simfarm.Run(sc, seed)
	c := f.Columns()
	truth := f.Truth(replays)
	l, ex := layersOf(c)
	split := medianGap(l)
	qs := Evaluate(l, sc.Printers, sc.Plates, split, Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	arms := armsOf(f, c, ex, split)
	found := [methods][]bool{make([]bool, len(qs)), discoveries(arms, (*arm).oracle), discoveries(arms, (*arm).crude), discoveries(arms, (*arm).plain)}
	t := &tally{farms: 1}
	for i := range qs {
		q := &qs[i]
		found[ours][i] = q.State == Raised
		e := truth.PlateCleaning[min(int(q.Index), sc.Plates-1)]
		switch {
		case q.Kind == PrinterSubject && q.Cause == SkippedProbing:
			e = truth.PrinterProbing[q.Index]
		case q.Kind == PrinterSubject:
			e = truth.PrinterCleaning[q.Index]
		}
		t.count(q, &e, &found, i)
	}
	return t
}

func (t *tally) count(q *Question, e *simfarm.Effect, found *[methods][]bool, i int) {
	avoidable := e.Avoidable()
	big := avoidable >= 3 && e.Was >= 20
	if avoidable >= 1 {
		t.real++
		if big {
			t.big++
		}
	}
	for m := range methods {
		if !found[m][i] {
			continue
		}
		t.raised[m]++
		switch {
		case avoidable <= 0.2:
			t.nothing[m]++
		case avoidable >= 1:
			t.foundReal[m]++
			if big {
				t.foundBig[m]++
			}
		}
	}
	if q.State == TooLittleData {
		return
	}
	t.asked++
	switch {
	case avoidable < q.AvoidableLow-1e-9:
		t.intervalLow++
	case avoidable > q.AvoidableHigh+1e-9:
		t.tooHighs++
	default:
		t.held++
		if q.State == Raised {
			t.raisedHeld++
		}
	}
}

// A small version of the validation: fixed seeds, wide limits. The whole one is
// TestFindingsValidation (-tags long); its table is testdata/validation/findings.md.
func TestFindingsOnFarmsOfKnownTruthHoldWideLimits(t *testing.T) {
	all := &tally{}
	for _, c := range []struct {
		name string
		seed uint64
	}{{"quiet", 41}, {"both", 42}, {"strict_night_all", 43}, {"worn_rough_hard", 44}} {
		sc, ok := simfarm.Named(c.name)
		if !ok {
			t.Fatalf("no scenario %s", c.name)
		}
		one := judge(sc, c.seed, 0)
		t.Logf("%-18s nothing %s real %s (oracle %s) held %s", c.name, share(one.nothing[ours], one.raised[ours]),
			share(one.foundReal[ours], one.real), share(one.foundReal[oracleMethod], one.real), share(one.held, one.asked))
		all.add(one)
	}
	if n, of := all.nothing[ours], all.raised[ours]; of < 30 || float64(n) > 0.12*float64(of) {
		t.Errorf("raised %d, of these %d where nothing is wrong, want at least 30 and at most 12 %%", of, n)
	}
	if got, want := all.foundReal[ours], all.foundReal[oracleMethod]; float64(got) < 0.65*float64(want) {
		t.Errorf("found %d real questions, the oracle %d; want at least 65 %% of it", got, want)
	}
	if h := float64(all.held) / float64(all.asked); h < 0.90 || h > 0.99 {
		t.Errorf("intervals hold the truth in %.3f of the questions, want 0.90 to 0.99", h)
	}
}

// The sums behind a model are in a fixed order: it does not depend on how maps are walked
// or work is dealt.
func TestTheSameLayersGiveTheSameModelToTheBit(t *testing.T) {
	sc := simfarm.Default()
	sc.Printers, sc.Plates, sc.Days = 12, 24, 21
	l, _ := layersOf(simfarm.Run(sc, 9).Columns())
	opt := Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5}
	qs, m := Learn(l, sc.Printers, sc.Plates, medianGap(l), opt)
	for range 2 {
		again, n := Learn(l, sc.Printers, sc.Plates, medianGap(l), opt)
		if !reflect.DeepEqual(m, n) || fmt.Sprint(qs) != fmt.Sprint(again) {
			t.Fatal("the same layers gave another answer")
		}
	}
}
