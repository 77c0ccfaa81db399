package upkeep

import (
	"math"
	"testing"

	"basecourse/internal/simfarm"
)

// What the lot may decide, and what it may not.
func TestTheLotDecidesWhereItHardlyMatters(t *testing.T) {
	a := &Adviser{costs: DefaultCosts()}
	limit := 0.01 * a.costs.Failure()
	number := 0.0
	s := &State{Lot: &Lot{Limit: 0.01, Number: func(Task) float64 { return number }}}
	for _, c := range []struct{ saves, chance float64 }{{0, 0.5}, {limit * 0.999, 0.9}, {-limit * 0.999, 0.1}, {limit / 2, 0.7}, {limit, -1}, {-limit, -1}, {math.NaN(), -1}} {
		for _, number = range []float64{0, 0.0999, 0.4999, 0.6999, 0.8999, 0.95} {
			x, ok := a.draw(s, Wipe, c.saves)
			if ok != (c.chance >= 0) {
				t.Fatalf("saves %g: drawn %t", c.saves, ok)
			}
			if ok && (x.Chance != c.chance || x.Do != (number < c.chance) || x.Kept) {
				t.Errorf("saves %g, number %g: got %+v, want chance %g", c.saves, number, x, c.chance)
			}
		}
	}
	// What was drawn stands, whatever is known by now.
	s.Lot.Held = []Drawn{{Task: Wipe, Do: true, Chance: 0.3}}
	if x, ok := a.draw(s, Wipe, -5); !ok || !x.Do || !x.Kept || x.Chance != 0.3 {
		t.Errorf("held: got %+v, %t", x, ok)
	}
	if _, ok := a.draw(s, Probe, -5); ok {
		t.Error("the draw of another task stands for this one")
	}
	if _, ok := a.draw(&State{}, Wipe, 0); ok {
		t.Error("drawn without a lot")
	}
}

// Along a plate's prints: the lot decides some way around the cheapest interval, never
// where a policy asks, and a leave is no task.
func TestTheLotAroundTheCheapestInterval(t *testing.T) {
	sc, _ := simfarm.Named("both")
	crew := newAsking(t, small(sc, 8), 21)
	sc = small(sc, 8)
	sc.Days = habitDays + 3
	simfarm.RunWith(sc, 5, crew, habitDays)
	a := crew.adviser
	did, left := 0, 0
	for plate := range int32(sc.Plates) {
		for gap := range int32(40) {
			for _, number := range []float64{0, 0.999} {
				s := State{Next: Next{Printer: 0, Plate: plate, Material: 0, SinceProbe: 0, Gap: gap}, HoursSinceProbe: math.NaN(), HoursSinceClean: math.NaN(), SinceWash: -1,
					Lot: &Lot{Limit: 0.01, Number: func(Task) float64 { return number }}}
				due, drawn, _ := a.Ahead(&s, &Limits{})
				if len(drawn) > 0 {
					wipes := len(due) > 0 && due[0].Task == Wipe
					if drawn[0].Task != Wipe || drawn[0].Do != wipes || wipes != byLot(due) {
						t.Fatalf("drawn %+v, due %+v", drawn, due)
					}
					if wipes {
						did++
					} else {
						left++
					}
				}
				if due, drawn, _ := a.Ahead(&s, &Limits{Rules: Rules{CleanPrints: 1}}); gap >= 1 && (len(drawn) != 0 || len(due) == 0 || due[0].ByLot) {
					t.Fatalf("a policy asks, yet %+v, %+v", drawn, due)
				}
			}
		}
	}
	if did == 0 || did != left {
		t.Errorf("drawn do %d, leave %d", did, left)
	}
}

func byLot(due []Due) bool { return len(due) > 0 && due[0].ByLot }

// A small version of what the lot costs; the whole one is in testdata/validation/lot.md.
func TestTheLotCostsLittle(t *testing.T) {
	sc, _ := simfarm.Named("both")
	sc = small(sc, 16)
	sc.Days = habitDays + loopDays
	p := prices()
	sum := [2]float64{}
	drawn := 0
	for k, sure := range []bool{false, true} {
		a := newAsking(t, sc, 21)
		a.sure = sure
		b := simfarm.RunWith(sc, 8, a, habitDays).Bill(habitDays)
		sum[k] = b.ExpectedCost(p)
		drawn += a.drawn
	}
	t.Logf("with the lot %.0f, without %.0f, %d draws", sum[0], sum[1], drawn)
	if drawn == 0 || sum[0] > 1.02*sum[1] {
		t.Errorf("with the lot %.0f, without %.0f, %d draws", sum[0], sum[1], drawn)
	}
}
