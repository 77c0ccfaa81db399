package simfarm

import (
	"reflect"
	"testing"
)

// same does before every start what habit did on another run of the farm.
type same struct{ starts map[[2]int32]*start }

func (c *same) Decide(p *Prep) (bool, uint8) {
	s := c.starts[[2]int32{p.Printer, p.K}]
	return s.probed, s.method
}

func (c *same) Saw(*Seen) {}

// A crew that decides as habit does gets the same farm, to the last draw.
func TestACrewThatDecidesAsHabitDoesChangesNothing(t *testing.T) {
	sc, _ := Named("everything")
	sc.Printers, sc.Plates, sc.Bays, sc.Days = 24, 48, 2, 20
	sc.VoidChance = 0 // a crew that is asked probes on the plate that is there
	plain := Run(sc, 4)
	crew := &same{map[[2]int32]*start{}}
	for n := range plain.starts {
		s := &plain.starts[n]
		crew.starts[[2]int32{s.printer, s.k}] = s
	}
	asked := RunWith(sc, 4, crew, 5)
	if len(plain.starts) != len(asked.starts) {
		t.Fatalf("%d starts, by habit %d", len(asked.starts), len(plain.starts))
	}
	for n := range plain.starts {
		a, b := plain.starts[n], asked.starts[n]
		b.probeLogged, b.cleanLogged, b.reactive = a.probeLogged, a.cleanLogged, a.reactive
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("start %d differs:\n%+v\n%+v", n, a, b)
		}
	}
	if a, b := plain.Bill(5), asked.Bill(5); a != b {
		t.Errorf("bills differ: %+v and %+v", a, b)
	}
}

func TestFixedRulesKeepTheirIntervals(t *testing.T) {
	sc := Default()
	sc.Printers, sc.Plates, sc.Bays, sc.Days = 12, 24, 1, 20
	f := RunWith(sc, 4, Every(3, 5), 0)
	since := map[int32]int{}
	gap := map[int32]int{}
	for n := range f.starts {
		s := &f.starts[n]
		since[s.printer]++
		gap[s.plate]++
		if s.probed != (since[s.printer] == 3) || (s.method == wipe) != (gap[s.plate] == 5) {
			t.Fatalf("start %d of printer %d: probed %t as the %d, wiped %t as the %d", s.k, s.printer, s.probed, since[s.printer], s.method == wipe, gap[s.plate])
		}
		if s.probed {
			since[s.printer] = 0
		}
		if s.method != 0 {
			gap[s.plate] = 0
		}
	}
}

// Knowing more is worth something, where there is something to know.
func TestKnowingMoreCostsLess(t *testing.T) {
	sc, _ := Named("both")
	sc.Printers, sc.Plates, sc.Bays, sc.Days = 24, 48, 2, 30
	p := Prices{Failure: 5, Probe: 0.8, Wipe: 0.55, Wash: 2.8, Deep: 8.3}
	cost := func(crew func(*Farm) Crew) float64 {
		f := RunWithOf(sc, 8, crew, 5)
		b := f.Bill(5)
		return b.ExpectedCost(p)
	}
	habit := Run(sc, 8).Bill(5)
	informed, clear := cost(func(f *Farm) Crew { return Informed(f, p) }), cost(func(f *Farm) Crew { return Clairvoyant(f, p) })
	if clear >= informed || informed >= habit.ExpectedCost(p) {
		t.Errorf("habit %.0f, informed %.0f, clairvoyant %.0f: want each below the one before", habit.ExpectedCost(p), informed, clear)
	}
}
