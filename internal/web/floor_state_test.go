package web

import (
	"math"
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
)

// TestHowAPrinterStands goes through the rules, worst first.
func TestHowAPrinterStands(t *testing.T) {
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	before := func(d time.Duration) *time.Time { v := now.Add(-d); return &v }
	n := func(i int) *int { return &i }
	base := func(change func(*store.FloorPrinter)) store.FloorPrinter {
		f := store.FloorPrinter{Printer: "P-1", Bay: "Bay 1", ProbingRecorded: "all", Plate: "L-1", SinceProbe: n(1), SinceClean: n(5),
			LastStart: before(time.Hour), LastGrade: "clean", LastProbe: before(2 * time.Hour), LastCleaned: before(20 * time.Hour)}
		if change != nil {
			change(&f)
		}
		return f
	}
	raised := func(kind, subject, cause string) []Finding {
		return []Finding{{Kind: kind, Subject: subject, Cause: cause, State: "raised", N: 100, Avoidable: 4.2}}
	}
	u := usually{sinceProbe: 1, gapSplit: 11}
	for _, x := range []struct {
		name             string
		row              store.FloorPrinter
		findings         []Finding
		u                usually
		state, why, next string
	}{
		{"nothing wrong", base(nil), nil, u, "ready", "", ""},
		{"retired counts before a hold", base(func(f *store.FloorPrinter) { f.RetiredAt, f.HeldAt = before(48*time.Hour), before(time.Hour) }), nil, u, "retired", "Retired 2 days ago.", ""},
		{"retires later", base(func(f *store.FloorPrinter) { v := now.Add(time.Hour); f.RetiredAt = &v }), nil, u, "ready", "", ""},
		{"on hold", base(func(f *store.FloorPrinter) { f.HeldAt, f.HeldReason = before(3*time.Hour), "Bed cable worn" }), raised("printer", "P-1", "skipped_probing"), u, "hold", "On hold for 3\u202fh: bed cable worn.", "release P-1"},
		{"on hold without a reason", base(func(f *store.FloorPrinter) { f.HeldAt = before(time.Hour) }), nil, u, "hold", "no reason given", ""},
		{"its plate on hold", base(func(f *store.FloorPrinter) { f.PlateHeldAt, f.PlateReason = before(time.Hour), "dent" }), nil, u, "watch", "Plate L-1 is on hold: dent.", "Swap plate L-1"},
		{"goes with skipped probing", base(nil), raised("printer", "P-1", "skipped_probing"), u, "watch", "Failures go with skipped probing: about 4.2 of 100 avoidable.", "Probe before the next start"},
		{"the same, just probed", base(func(f *store.FloorPrinter) { f.SinceProbe = n(0) }), raised("printer", "P-1", "skipped_probing"), u, "watch", "", "Probed. Keep probing"},
		{"goes with gaps, long gap now", base(func(f *store.FloorPrinter) { f.SinceClean = n(12) }), raised("printer", "P-1", "cleaning_gap"), u, "watch", "long cleaning gaps", "Wash L-1: 12 prints since it was cleaned"},
		{"goes with gaps, short gap now", base(nil), raised("printer", "P-1", "cleaning_gap"), u, "watch", "", "Wash L-1 again before 12 prints (5 so far)"},
		{"goes with gaps, never cleaned", base(func(f *store.FloorPrinter) { f.SinceClean = nil }), raised("printer", "P-1", "cleaning_gap"), u, "watch", "", "no record of a cleaning"},
		{"goes with gaps, plate not known", base(func(f *store.FloorPrinter) { f.Plate = "" }), raised("printer", "P-1", "cleaning_gap"), u, "watch", "", "Find out which plate"},
		{"its plate's failures go with gaps", base(func(f *store.FloorPrinter) { f.SinceClean = n(30) }), raised("plate", "L-1", "cleaning_gap"), u, "watch", "Failures with L-1 go with", "Wash L-1"},
		{"watching is not raised", base(nil), []Finding{{Kind: "printer", State: "watching", N: 50, Avoidable: 2}}, u, "ready", "", ""},
		{"the last layer failed", base(func(f *store.FloorPrinter) { f.LastGrade = "failed" }), nil, u, "watch", "The last first layer failed, 1\u202fh ago; nothing recorded since.", "watch the next first layer"},
		{"the last underside was marginal", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastShown = "marginal", true }), nil, u, "watch", "failed", ""},
		{"a marginal layer that is hidden", base(func(f *store.FloorPrinter) { f.LastGrade = "marginal" }), nil, u, "ready", "", ""},
		{"failed and probed since", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastProbe = "failed", before(time.Minute) }), nil, u, "ready", "", ""},
		{"failed long ago", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastStart = "failed", before(15*24*time.Hour) }), nil, u, "no_record", "", ""},
		{"many prints since it was cleaned", base(func(f *store.FloorPrinter) { f.SinceClean = n(23) }), nil, u, "due", "23 prints since L-1 was cleaned; half of all layers here start at 11 or fewer.", "Wash L-1"},
		{"twice the usual is not yet many", base(func(f *store.FloorPrinter) { f.SinceClean = n(22) }), nil, u, "ready", "", ""},
		{"the usual gap is not known", base(func(f *store.FloorPrinter) { f.SinceClean = n(90) }), nil, usually{math.NaN(), math.NaN()}, "ready", "", ""},
		{"many starts since the probe", base(func(f *store.FloorPrinter) { f.SinceProbe = n(6) }), nil, u, "due", "6 starts since the last probe; 1 is usual here.", "Probe before the next start"},
		{"the same where probes are not all recorded", base(func(f *store.FloorPrinter) { f.SinceProbe, f.ProbingRecorded = n(6), "some" }), nil, u, "ready", "", ""},
		{"nothing lately", base(func(f *store.FloorPrinter) { f.LastStart = before(20 * 24 * time.Hour) }), nil, u, "no_record", "Last first layer 20 days ago.", ""},
		{"nothing ever", store.FloorPrinter{Printer: "P-1"}, nil, u, "no_record", "No first layer recorded yet.", ""},
	} {
		s := standOf(&x.row, x.findings, Lately{}, x.u, now, now)
		if s.state != x.state || !strings.Contains(s.why, x.why) || !strings.Contains(s.next, x.next) {
			t.Errorf("%s: got %s, why %q, next %q; want %s, %q, %q", x.name, s.state, s.why, s.next, x.state, x.why, x.next)
		}
		if needs(s.state) != (s.next != "") {
			t.Errorf("%s: state %s with next %q; what needs someone says what to do, what does not says nothing", x.name, s.state, s.next)
		}
	}
}

func TestWorstNeedComesFirstThenTheWalk(t *testing.T) {
	one := func(tag, bay, state string, loss float64, failures int) *stand {
		return &stand{row: store.FloorPrinter{Printer: tag, Bay: bay}, state: state, loss: loss, lately: Lately{Failures: failures}}
	}
	list := []*stand{
		one("P-10", "Bay 1", "ready", 0, 9), one("P-2", "Bay 1", "ready", 0, 0), one("P-1", "Bay 10", "ready", 0, 0),
		one("P-3", "Bay 2", "due", 0, 0), one("P-4", "Bay 2", "due", 0, 5), one("P-5", "Bay 1", "watch", 2, 1), one("P-6", "Bay 1", "watch", 7, 0),
		one("P-7", "Bay 1", "hold", 0, 0),
	}
	worstFirst(list)
	var got []string
	for _, s := range list {
		got = append(got, s.row.Printer)
	}
	if want := "P-7 P-6 P-5 P-4 P-3 P-2 P-10 P-1"; strings.Join(got, " ") != want {
		t.Errorf("got %v, want %s", got, want)
	}
}
