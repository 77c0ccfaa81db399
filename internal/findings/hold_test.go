package findings

import (
	"math"
	"testing"
)

func TestChanceThatALayerHolds(t *testing.T) {
	seen := func(mark string, severity int) []Seen { return []Seen{{mark, severity}} }
	if _, _, ok := (HeldByMark{}).Chance(nil); ok {
		t.Error("a layer without marks has a chance")
	}
	first, ran, ok := HeldByMark{}.Chance(seen("blobs", 2))
	if !ok || ran != 0 || math.Abs(first.Mean()-0.5) > 1e-12 {
		t.Errorf("nothing known: %+v of %d", first, ran)
	}
	if w := first.Limits(0.95); w.Low > 0.1 || w.High < 0.9 {
		t.Errorf("nothing known is told as %.2f to %.2f, want wide", w.Low, w.High)
	}
	known := HeldByMark{"blobs": {1: {RanHeld: 2, RanLost: 18}}, "lifting": {1: {RanHeld: 18, RanLost: 2}}}
	blobs, ran, _ := known.Chance(seen("blobs", 2))
	lifting, _, _ := known.Chance(seen("lifting", 2))
	other, otherRan, _ := known.Chance(seen("debris", 2))
	if !(blobs.Mean() < other.Mean() && other.Mean() < lifting.Mean()) || ran != 20 || otherRan != 0 {
		t.Errorf("blobs %.2f of %d, unknown mark %.2f of %d, lifting %.2f", blobs.Mean(), ran, other.Mean(), otherRan, lifting.Mean())
	}
	if both, _, _ := known.Chance([]Seen{{"lifting", 2}, {"blobs", 2}}); both != blobs {
		t.Errorf("the worst mark decides: %+v, want %+v", both, blobs)
	}
}
