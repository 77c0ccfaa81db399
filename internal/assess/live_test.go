package assess

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// Little farms in which everything collides (three printers, four plates, times on a
// coarse grid, fittings that overlap, plates named and not): what is read back to where
// nothing earlier matters must tell of each printer's next start what the whole history
// does, at any time.
func TestWhatIsReadOfOnePrinterTellsOfItsNextStartWhatTheWholeHistoryDoes(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.SetClock(func() time.Time { return time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC) })
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	report, err := s.ImportFarm(ctx, store.Act{Via: "import", Why: "test"}, collidingFarms(t, 100, begin), store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	a := New(s)
	probed, whole, since := 0, 0, 0
	for _, hours := range []int{20, 43, 24 * 9} {
		at := begin.Add(time.Duration(hours) * time.Hour)
		v, _, err := a.view(ctx, AsOf{At: at})
		if err != nil {
			t.Fatal(err)
		}
		for i := range v.next {
			want := v.next[i]
			if want.last == -2 {
				continue // started nothing in the window
			}
			got, err := a.lookAhead(ctx, v, at, v.printers[i].Tag)
			if err != nil || got == nil {
				t.Fatalf("%s: %v", v.printers[i].Tag, err)
			}
			want.materials, got.materials = nil, nil
			if len(want.since) == 0 {
				want.since, got.since = nil, got.since[:0:0]
				if len(got.since) == 0 {
					got.since = nil
				}
			}
			if !reflect.DeepEqual(*got, want) {
				t.Errorf("%s after %d h:\n got %+v\nwant %+v", v.printers[i].Tag, hours, *got, want)
			}
			if want.next.SinceProbe >= 0 {
				probed++
			}
			if want.next.Gap >= 0 && want.sinceWash >= 0 {
				whole++
			}
			since += len(want.since)
		}
	}
	if probed < 200 || whole < 100 || since < 500 {
		t.Errorf("too little to tell: %d probed for, %d of a cleaned and washed plate, %d starts since a probe", probed, whole, since)
	}
}

func collidingFarms(t *testing.T, farms int, begin time.Time) *farm.Bundle {
	r := rand.New(rand.NewPCG(41, 5))
	b := &farm.Bundle{Materials: []farm.Material{{Name: "PLA"}, {Name: "PETG"}}}
	n, no := 0, farm.Unknown()
	id := func(k farm.Kind) farm.ID {
		n++
		x, err := farm.NewID(k, fmt.Sprintf("r%d", n))
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	some := func(p float64, values ...string) string {
		if r.Float64() >= p {
			return ""
		}
		return values[r.IntN(len(values))]
	}
	for f := range farms {
		var printers, plates []string
		for i := range 3 {
			printers = append(printers, fmt.Sprintf("P-%03d", 3*f+i))
			b.Printers = append(b.Printers, farm.Printer{Tag: printers[i], BedXMM: 200, BedYMM: 200, ZoneCols: 3, ZoneRows: 3, ZStepMM: 0.01, ProbingRecorded: []string{"all", "some"}[r.IntN(2)], InServiceFrom: begin.Add(-time.Hour)})
		}
		for i := range 4 {
			plates = append(plates, fmt.Sprintf("L-%03d", 4*f+i))
			b.Plates = append(b.Plates, farm.Plate{Tag: plates[i], Surface: "pei_smooth", SizeXMM: 200, SizeYMM: 200, InServiceFrom: begin.Add(-time.Hour)})
		}
		printer := func() string { return printers[r.IntN(3)] }
		plate := func() string { return plates[r.IntN(4)] }
		span := 40 + r.IntN(460) // tens of minutes
		at := func() time.Time { return begin.Add(time.Duration(r.IntN(span)*10) * time.Minute) }
		names, probes := r.Float64(), r.IntN(12)
		for range 10 + r.IntN(60) {
			x := farm.FirstLayer{ID: id(farm.KindFirstLayer), Printer: printer(), StartedAt: at(), Plate: some(names, plates...), StartIs: some(0.2, "sent"),
				Probed: some(0.15, "yes", "yes", "no"), PlateSide: some(0.2, "a", "b"), Material: some(0.8, "PLA", "PETG"),
				NozzleMM: no, LayerHeightMM: no, LineWidthMM: no, LinePitchMM: no, NudgeMM: no, LookChance: no}
			if r.IntN(4) > 0 {
				x.Grade, x.GradedAt = some(1, "clean", "clean", "failed"), x.StartedAt.Add(time.Duration(r.IntN(5)*10)*time.Minute)
			}
			b.FirstLayers = append(b.FirstLayers, x)
		}
		for range probes {
			b.Probes = append(b.Probes, farm.Probe{ID: id(farm.KindProbe), Printer: printer(), ProbedAt: at(), Plate: some(0.3, plates...), Extent: some(0.4, "full", "part", "zero"),
				BedTempC: no, SoakMinutes: no, XMinMM: no, XMaxMM: no, YMinMM: no, YMaxMM: no})
		}
		for range r.IntN(14) {
			b.Cleanings = append(b.Cleanings, farm.Cleaning{ID: id(farm.KindCleaning), Plate: plate(), CleanedAt: at(), Method: some(1, "wipe", "wipe", "wash", "coat")})
		}
		for range r.IntN(14) {
			x := farm.Fitting{ID: id(farm.KindFitting), Plate: plate(), Printer: printer(), FittedAt: at()}
			if r.IntN(2) > 0 {
				x.RemovedAt = x.FittedAt.Add(time.Duration(r.IntN(60)*10) * time.Minute)
			}
			b.Fittings = append(b.Fittings, x)
		}
		for range r.IntN(3) {
			b.Services = append(b.Services, farm.Service{ID: id(farm.KindService), Printer: printer(), DoneAt: at(), Work: "moved"})
			b.ProbesSkipped = append(b.ProbesSkipped, farm.ProbeSkipped{ID: id(farm.KindProbeSkipped), Printer: printer(), At: at(), Reason: "hurry"})
		}
	}
	return b
}
