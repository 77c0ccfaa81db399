package findings

import (
	"testing"

	"basecourse/internal/simfarm"
)

// Weighing answers as evaluating does, and one layer fewer than Turn says changes
// nothing.
func TestFurtherLayersTurnAnAnswer(t *testing.T) {
	sc, _ := simfarm.Named("both")
	sc.Printers, sc.Plates = 30, 60
	c := simfarm.Run(sc, 11).Columns()
	l, _ := layersOf(c)
	split, opt := medianGap(l), Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5}
	want := Evaluate(l, sc.Printers, sc.Plates, split, opt)
	got, w := Weigh(l, sc.Printers, sc.Plates, split, opt)
	for i := range want {
		a, b := want[i], got[i]
		if (a.Q != b.Q && a.State != TooLittleData) || a.State != b.State || a.N != b.N {
			t.Fatalf("question %d: got %+v, want %+v", i, b, a)
		}
	}
	raised, other := 0, 0
	for i := range got {
		turn, ok := w.Turn(i)
		switch {
		case !ok:
			if got[i].State != TooLittleData {
				t.Errorf("question %d has an estimate and nothing to turn it", i)
			}
			continue
		case got[i].State == Raised:
			if raised++; turn.FailedExposed != 0 || turn.HeldRest != 0 || turn.HeldExposed == 0 && turn.FailedRest == 0 {
				t.Errorf("a raised question: %+v", turn)
			}
			t.Logf("raised, q %.3g, %d of %d failed exposed: %+v", got[i].Q, got[i].FailuresExposed, got[i].NExposed, turn)
			if k := turn.HeldExposed; k > 0 && (w.with(i, k, true, false).State == Raised || w.with(i, k-1, true, false).State != Raised) {
				t.Errorf("question %d: %d further held layers are not where it turns", i, k)
			}
		case other < 2:
			if other++; turn.HeldExposed != 0 || turn.FailedRest != 0 {
				t.Errorf("a question that is not raised: %+v", turn)
			}
			t.Logf("%s, q %.3g: %+v", got[i].State, got[i].Q, turn)
			if k := turn.FailedExposed; k > 0 && (w.with(i, k, true, true).State != Raised || k > 1 && w.with(i, k-1, true, true).State == Raised) {
				t.Errorf("question %d: %d further failures are not where it turns", i, k)
			}
		}
		if same := w.with(i, 0, true, false); got[i].State != Raised && (same.State != got[i].State || !close(same.Q, got[i].Q)) {
			t.Errorf("question %d with no further layer: %s at %g, was %s at %g", i, same.State, same.Q, got[i].State, got[i].Q)
		}
		if raised >= 2 && other >= 2 {
			break
		}
	}
	if raised == 0 || other == 0 {
		t.Errorf("%d raised, %d others: nothing looked at", raised, other)
	}
}

func close(a, b float64) bool { return a-b < 0.02 && b-a < 0.02 }
