package web

import (
	"math"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/planning"
	"basecourse/internal/store"
)

var jobsNow = time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)

func jobsFarm(care store.PrinterCare, row store.FloorPrinter) *jobFarm {
	row.Printer, care.Printer = "P-1", "P-1"
	return &jobFarm{frame: store.Frame{Settings: farm.SettingValues{}}, now: jobsNow, zone: time.UTC, rows: []store.FloorPrinter{row},
		byTag: map[string]*store.FloorPrinter{"P-1": &row}, care: map[string]*store.PrinterCare{"P-1": &care}, found: &FindingList{}, kept: map[string][]planning.Machine{}}
}

func TestReadinessInOneLine(t *testing.T) {
	at := func(hour, minute int) *time.Time {
		x := time.Date(2026, 3, 9, hour, minute, 0, 0, time.UTC)
		return &x
	}
	n := func(x int) *int { return &x }
	clean := store.FloorPrinter{Plate: "L-2", LastCleaned: at(5, 40), SinceClean: n(0)}
	for _, c := range []struct {
		name       string
		care       store.PrinterCare
		row        store.FloorPrinter
		do         string
		code, word string
	}{
		{"prepped", store.PrinterCare{LastProbe: at(5, 30), Since: n(0)}, clean, "", "done", "Prepped 05:40, nothing changed since"},
		{"offset kept before the probe", store.PrinterCare{LastProbe: at(5, 30), Since: n(0), OffsetAt: at(5, 0)}, clean, "", "done", "Prepped 05:40, nothing changed since"},
		{"swapped", store.PrinterCare{LastProbe: at(5, 30), Since: n(0), Swapped: at(6, 10)}, clean, "", "stale", "Plate swapped 06:10: probe again"},
		{"serviced after the swap", store.PrinterCare{LastProbe: at(5, 30), Since: n(0), Swapped: at(6, 10), Serviced: at(6, 20), Work: "nozzle"}, clean, "", "stale", "Nozzle 06:20: probe again"},
		{"offset changed", store.PrinterCare{LastProbe: at(5, 30), Since: n(0), OffsetAt: at(6, 12)}, clean, "", "stale", "Offset changed 06:12: look at the next layer"},
		{"starts since", store.PrinterCare{LastProbe: at(5, 30), Since: n(3)}, store.FloorPrinter{Plate: "L-2", SinceClean: n(7)}, "both", "needed", "3 starts since the probe; 7 prints since L-2 was cleaned"},
		{"not worth it", store.PrinterCare{LastProbe: at(5, 30), Since: n(1)}, clean, "", "not_needed", "1 start since the probe; L-2 just cleaned"},
		{"no probe", store.PrinterCare{Recorded: "all"}, store.FloorPrinter{}, "", "no_record", "No record of a probe; no plate known on it"},
		{"probes not recorded", store.PrinterCare{Recorded: "none"}, store.FloorPrinter{Plate: "L-2"}, "", "no_record", "Its probes are not recorded; no record of a cleaning of L-2"},
	} {
		f := jobsFarm(c.care, c.row)
		got := f.ready(&planning.Match{Machine: &planning.Machine{Printer: "P-1"}, Best: planning.Prep{Do: c.do}})
		if got.Code != c.code || got.Word != c.word {
			t.Errorf("%s: got %s %q, want %s %q", c.name, got.Code, got.Word, c.code, c.word)
		}
	}
}

func TestChancesOfAMachineForAMaterial(t *testing.T) {
	f := jobsFarm(store.PrinterCare{}, store.FloorPrinter{})
	if p := f.preps("P-1", "PETG"); p != nil {
		t.Errorf("nothing is graded: got %v", p)
	}
	f.found.Graded, f.found.Failures = 200, 10
	if p := f.preps("P-1", "PETG"); len(p) != 1 || p[0].P != 0.05 || !(p[0].Low < 0.05 && p[0].High > 0.05) {
		t.Errorf("the farm's rate: got %v", p)
	}
	f.found.Risks = map[string][]Risk{"P-1": {{Material: "PLA", Last: true, Now: Chance{0.2, 0.1, 0.3}, Cleaned: Chance{0.02, 0.01, 0.03}, Probed: Chance{0.19, 0.1, 0.3}, Both: Chance{0.02, 0.01, 0.03}}, {Material: "TPU", Now: Chance{P: 0.4}}}}
	if r, same, known := f.risk("P-1", "TPU"); !same || !known || r.Now.P != 0.4 {
		t.Error("the material's own chances are not taken")
	}
	if r, same, known := f.risk("P-1", "PETG"); same || !known || r.Now.P != 0.2 {
		t.Error("those of the last material do not stand in")
	}
	// A wipe is 1 minute of each: 0.50 + 0.05; a failure 1.50 + 3.00 + 0.50.
	fit, _ := planning.Eligible(planning.Want{XMM: math.NaN(), YMM: math.NaN()}, f.machines("PLA"))
	if len(fit) != 1 || fit[0].Best.Do != "clean" || math.Abs(fit[0].Cost-0.65) > 1e-9 {
		t.Errorf("best prep: %+v", fit)
	}
	j := &farm.Job{HoursPerPlate: 4, LateFeePerHour: 10, Due: jobsNow.Add(6 * time.Hour), Quantity: 20}
	if p := f.spares(j); math.Abs(p.Late-20) > 1e-9 || math.Abs(p.Spare-12.5) > 1e-9 {
		t.Errorf("a second round ends 2 h late: got %+v", p)
	}
	o := f.order(j, store.JobCount{Started: 8, Graded: 5, Failures: 1, Open: 3}, fit, 0.95)
	if o.Needed != 16 || len(o.UnderWay) != 3 || len(o.Next) != 1 {
		t.Errorf("order: %+v", o)
	}
}
