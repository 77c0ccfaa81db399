package planning

import (
	"math"
	"slices"
	"testing"
)

func machine(change func(*Machine)) Machine {
	nan := math.NaN()
	m := Machine{Printer: "P-001", Plate: "L-101", Surface: "pei_textured", BedXMM: 220, BedYMM: 220, PlateXMM: nan, PlateYMM: nan, FailCost: 10,
		Preps: []Prep{{"", 0, sure(0.2)}, {"clean", 1, sure(0.05)}, {"both", 4, sure(0.01)}}}
	if change != nil {
		change(&m)
	}
	return m
}

func TestReasonsNameWhatStands(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name   string
		want   Want
		change func(*Machine)
		not    []string
	}{
		{"nothing asked", Want{nan, nan, "", ""}, nil, nil},
		{"too small", Want{300, 300, "", ""}, nil, []string{"bed 220 mm, job needs 300"}},
		{"turned it fits", Want{300, 200, "", ""}, func(m *Machine) { m.BedYMM = 300 }, nil},
		{"plate too small", Want{200, 200, "", ""}, func(m *Machine) { m.PlateXMM, m.PlateYMM = 180, 180 }, []string{"plate 180 mm, job needs 200"}},
		{"one side", Want{300, nan, "", ""}, nil, []string{"bed 220 mm, job needs 300"}},
		{"held, and its plate", Want{nan, nan, "", ""}, func(m *Machine) { m.Held, m.Why, m.PlateHeld = true, "belt", true }, []string{"on hold: belt", "plate L-101 on hold"}},
		{"surface", Want{nan, nan, "glass", ""}, nil, []string{"plate is pei_textured, job needs glass"}},
		{"material it ran", Want{nan, nan, "", "PETG"}, func(m *Machine) { m.Ran = true }, nil},
		{"material it did not run", Want{nan, nan, "", "PETG"}, nil, []string{"ran no PETG lately"}},
		{"plate on hold alone", Want{nan, nan, "", ""}, func(m *Machine) { m.PlateHeld, m.PlateWhy = true, "dent" }, []string{"plate L-101 on hold: dent"}},
		{"no plate", Want{nan, nan, "glass", ""}, func(m *Machine) { m.Plate, m.Surface = "", "" }, []string{"no plate known on it, job needs glass"}},
		{"retired, in wash, busy", Want{nan, nan, "", ""}, func(m *Machine) { m.Out, m.PlateState, m.Busy = "retired", "in_wash", "14:00" },
			[]string{"retired", "plate L-101 in wash", "prints until about 14:00"}},
	} {
		fit, not := Eligible(c.want, []Machine{machine(c.change)})
		var got []string
		if len(not) > 0 {
			got = not[0].Not
		}
		if !slices.Equal(got, c.not) || len(fit)+len(not) != 1 {
			t.Errorf("%s: got %q, want %q", c.name, got, c.not)
		}
	}
}

func TestEligibleByExpectedCost(t *testing.T) {
	nan := math.NaN()
	list := []Machine{machine(nil), machine(func(m *Machine) { m.Printer, m.Preps = "P-002", nil }), machine(func(m *Machine) { m.Printer, m.Preps = "P-003", []Prep{{"", 0, sure(0.01)}} })}
	fit, _ := Eligible(Want{nan, nan, "", ""}, list)
	if len(fit) != 3 || fit[0].Machine.Printer != "P-003" || fit[1].Machine.Printer != "P-001" || fit[2].Machine.Printer != "P-002" {
		t.Fatalf("order: %+v", fit)
	}
	// 0 + 0.2*10, 1 + 0.05*10, 4 + 0.01*10
	stale := machine(func(m *Machine) { m.Stale = true })
	if again, _ := Eligible(Want{nan, nan, "", ""}, []Machine{stale}); again[0].Best.Do != "both" {
		t.Errorf("a stale probe: best prep %+v", again[0].Best)
	}
	if fit[1].Best.Do != "clean" || math.Abs(fit[1].Cost-1.5) > 1e-12 {
		t.Errorf("best prep: %+v", fit[1])
	}
}
