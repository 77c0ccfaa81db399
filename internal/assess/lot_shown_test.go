package assess_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/trial"
)

// Starts that a draw governs are counted by how they were drawn, and a finding says caused
// by where the lot's limits exclude that leaving it does no harm.
func TestFindingsGoByTheLot(t *testing.T) {
	s := open(t)
	var layers, probes, draws strings.Builder
	layers.WriteString("first_layer,printer,plate,started_at,grade,graded_at\n")
	probes.WriteString("probe,printer,probed_at\n")
	draws.WriteString("draw,printer,task,drawn_at,arm,chance,why,arrived_at\n")
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	stamp := func(t time.Time) string { return t.Format(time.RFC3339) }
	var want trial.Effect
	for k := range 400 {
		at = at.Add(40 * time.Minute)
		do := trial.Number(nil, "P-1", int64(k), "probe") < 0.4
		failed := trial.Number(nil, "P-1", int64(k), "fails") < 0.35 && !do
		arm, grade, to := "leave", "clean", &want.Leave
		if do {
			arm, to = "do", &want.Do
			fmt.Fprintf(&probes, "M-%d,P-1,%s\n", k, stamp(at.Add(-2*time.Minute)))
		}
		if to.Starts++; failed {
			grade = "failed"
			to.Failures++
		}
		fmt.Fprintf(&draws, "D-%d,P-1,probe,%s,%s,0.4,lot,%s\n", k, stamp(at.Add(-5*time.Minute)), arm, stamp(at))
		fmt.Fprintf(&draws, "E-%d,P-1,probe,%s,do,0.4,lot,%s\n", k, stamp(at.Add(-4*time.Minute)), stamp(at)) // drawn again: counts for nothing
		fmt.Fprintf(&layers, "F-%d,P-1,L-1,%s,%s,%s\n", k, stamp(at), grade, stamp(at.Add(10*time.Minute)))
		for other := range 6 {
			fmt.Fprintf(&layers, "G-%d-%d,P-%d,L-%d,%s,clean,%s\n", k, other, other+2, other+2, stamp(at), stamp(at.Add(10*time.Minute)))
		}
	}
	printers, plates := "printer,bed_x_mm,bed_y_mm\n", "plate,surface\n"
	for i := range 7 {
		printers += fmt.Sprintf("P-%d,200,200\n", i+1)
		plates += fmt.Sprintf("L-%d,glass\n", i+1)
	}
	bundle{"printers.csv": printers, "plates.csv": plates, "first_layers.csv": layers.String(), "probes.csv": probes.String(), "draws.csv": draws.String()}.into(t, s)
	find := func(q assess.AsOf, subject, cause string) *assess.Finding {
		f := ask(t, assess.New(s), q)
		for i := range f.Items {
			if x := &f.Items[i]; x.Subject == subject && x.Cause == cause {
				return x
			}
		}
		t.Fatalf("no finding of %s %s", subject, cause)
		return nil
	}
	now := assess.AsOf{At: at.Add(24 * time.Hour)}
	f := find(now, "P-1", "skipped_probing")
	if f.Lot == nil || f.Lot.Draws != 400 || f.Lot.Own.Do != want.Do || f.Lot.Own.Leave != want.Leave || !f.Lot.Alone || f.Lot.Own.Followed != 100 {
		t.Fatalf("got %+v, drawn %+v and %+v", f.Lot, want.Do, want.Leave)
	}
	if !f.Lot.Causes() || f.State != "raised" || !strings.Contains(f.Summary, "failures caused by skipped probing, as the lot shows") || len([]rune(f.Summary)) > 200 {
		t.Errorf("%s: %s, %+v", f.State, f.Summary, f.Lot)
	}
	if other := find(now, "P-1", "cleaning_gap"); other.Lot != nil {
		t.Errorf("nothing of wiping was drawn: %+v", other.Lot)
	}
	if other := find(now, "P-2", "skipped_probing"); other.Lot != nil {
		t.Errorf("nothing of P-2 was drawn: %+v", other.Lot)
	}
	e, err := assess.New(s).Evidence(context.Background(), "printer", "P-1", "skipped_probing", now.At)
	if err != nil || e.Lot == nil || strings.Contains(e.Differ, "contradicts") {
		t.Errorf("%v %+v", err, e)
	}
	// As it was known when half of the draws had arrived.
	early := now
	early.KnownAt = time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC)
	if all := ask(t, assess.New(s), early); len(all.Items) > 0 && all.Items[0].Lot != nil {
		t.Errorf("first layers had not arrived, yet %+v", all.Items[0].Lot)
	}
}
