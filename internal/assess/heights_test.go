package assess_test

import (
	"context"
	"math"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/store"
)

// heightsFarm: P-1 and P-2 take their zeros from the frame, P-3 from the plate.
// L-1 was measured on both frames, L-2 on P-1; a voided layer says nonsense; P-2
// was nudged once; P-1's offset was set and printed on, then set twice at once.
func heightsFarm(t testing.TB, s *store.Store) {
	line := "A1=0.2 C1=0.2 B2=0.2 A3=0.2 C3=0.2"
	thin := "A1=0.16 C1=0.16 B2=0.16 A3=0.16 C3=0.16"
	bundle{
		"printers.csv": "printer,bed_x_mm,bed_y_mm,zero_from\nP-1,220,220,frame\nP-2,220,220,frame\nP-3,220,220,plate\n",
		"plates.csv":   "plate,surface\nL-1,glass\nL-2,glass\nL-3,glass\n",
		"fittings.csv": "fitting,plate,printer,fitted_at,plate_side\nX-1,L-2,P-1,2026-06-01T00:00:00Z,b\n",
		"first_layers.csv": "first_layer,printer,plate,plate_side,started_at,readings,nudge_mm,voided_at,void_reason\n" +
			"F-1,P-1,L-1,a,2026-06-02T08:00:00Z," + line + ",,,\n" +
			"F-2,P-1,L-2,,2026-06-03T08:00:00Z," + thin + ",,,\n" +
			"F-3,P-2,L-1,a,2026-06-04T08:00:00Z," + line + ",,,\n" +
			"F-4,P-2,L-2,,2026-06-05T08:00:00Z,A1=0.9,,2026-06-05T09:00:00Z,wrong plate\n" +
			"F-5,P-2,L-1,a,2026-06-06T08:00:00Z,,0.02,,\n" +
			"F-6,P-3,L-3,a,2026-06-06T08:00:00Z," + line + ",,,\n" +
			"F-7,P-1,L-1,a,2026-06-11T08:00:00Z,,,,\n" +
			"F-8,P-1,,,2026-06-12T08:00:00Z," + thin + ",,,\n" +
			"F-9,P-1,L-2,,2026-06-12T09:00:00Z,,0,,\n",
		"offset_changes.csv": "offset_change,printer,changed_at,from_mm,to_mm\nO-1,P-1,2026-06-10T08:00:00Z,0.10,0.12\nO-2,P-1,2026-06-12T08:30:00Z,0.12,0.14\nO-3,P-1,2026-06-12T08:31:00Z,0.14,0.12\n",
		"services.csv":       "service,printer,done_at,work\nS-1,P-2,2026-06-05T12:00:00Z,nozzle\n",
		"probes.csv":         "probe,printer,probed_at\nB-1,P-2,2026-06-06T07:00:00Z\nB-2,P-3,2026-06-06T07:00:00Z\n",
	}.into(t, s)
}

func TestTheHeightBookRestsOnWhatSaysHeights(t *testing.T) {
	s := open(t)
	heightsFarm(t, s)
	now := s.Now()
	rows, err := s.Heights(context.Background(), now.AddDate(0, 0, -180), now)
	if err != nil {
		t.Fatal(err)
	}
	if len(rows.Layers) != 4 || len(rows.Offsets) != 3 || len(rows.Moved) != 2 || rows.Moved[0].Probe || !rows.Moved[1].Probe {
		t.Errorf("%d layers, %d offset changes, %+v", len(rows.Layers), len(rows.Offsets), rows.Moved)
	}
	if rows.Layers[1].Side != "b" {
		t.Errorf("the side of the fitting: %+v", rows.Layers[1])
	}
	a := assess.New(s)
	h, err := a.Heights(context.Background(), now, store.DataVersion{})
	if err != nil {
		t.Fatal(err)
	}
	// F-1, F-2, F-3, F-5; O-1 was printed on by F-7, O-3 by F-9, O-2 by none.
	if h.Layers != 6 || h.Framed != 2 || h.Book.Groups != 1 {
		t.Errorf("%d layers, %d frames, %d groups", h.Layers, h.Framed, h.Book.Groups)
	}
	m, why := h.Expect("P-2", "L-2", "b")
	if why != "" || m.Tried || !m.SideKnown || !(m.MM > 0.005) {
		t.Errorf("a thick plate on a printer it never lay on: %+v, %q", m, why)
	}
	if d, ok := h.Differ("L-2", "b", "L-1", "a"); !ok || !(d.MM > 0.01) {
		t.Errorf("difference %+v, %v", d, ok)
	}
	for pair, want := range map[[2]string]string{{"P-3", "L-1"}: assess.HeightZeroOnPlate, {"P-9", "L-1"}: assess.HeightNoPrinter, {"P-1", "L-3"}: assess.HeightPlateUnknown} {
		if _, why := h.Expect(pair[0], pair[1], "a"); why != want {
			t.Errorf("%v: %q, want %q", pair, why, want)
		}
	}
	if again, _ := a.Heights(context.Background(), now.Add(time.Minute), store.DataVersion{}); again != h {
		t.Error("made anew though nothing was written")
	}
	send(t, s, now, `{"kind":"first_layer","id":"F-10","printer":"P-2","plate":"L-2","plate_side":"b","started_at":"2026-06-30T08:00:00Z","readings":"A1=0.17 C1=0.17 B2=0.17 A3=0.17 C3=0.17"}`)
	var more *assess.HeightBook
	for range 200 { // where making it took long, the old one stands until the new is there
		if more, err = a.Heights(context.Background(), now.Add(2*time.Minute), store.DataVersion{}); err != nil || more != h {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err != nil || more == h {
		t.Fatalf("not made anew after a layer: %v", err)
	}
	after, _ := more.Expect("P-2", "L-2", "b")
	if !after.Tried || after.HighMM-after.LowMM > m.HighMM-m.LowMM {
		t.Errorf("after the pair was measured %+v, before %+v", after, m)
	}
}

func TestAnEmptyFarmHasAnEmptyHeightBook(t *testing.T) {
	s := open(t)
	h, err := assess.New(s).Heights(context.Background(), s.Now(), store.DataVersion{})
	if err != nil || h.Layers != 0 || h.Framed != 0 || h.Book.Groups != 0 || math.IsNaN(h.Parts.PlateMM) {
		t.Errorf("%v, %+v", err, h)
	}
}
