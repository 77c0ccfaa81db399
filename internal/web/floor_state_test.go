package web

import (
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/upkeep"
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
	item := func(task upkeep.Task, because string) upkeep.Item {
		return upkeep.Item{Due: upkeep.Due{Task: task, Because: []string{because}}, Printer: "P-1", Plate: "L-1"}
	}
	wipe, probe := item(upkeep.Wipe, "9 prints since it was cleaned"), item(upkeep.Probe, "6 starts since its probe")
	var u []upkeep.Item
	for _, x := range []struct {
		name             string
		row              store.FloorPrinter
		findings         []Finding
		due              []upkeep.Item
		state, why, next string
	}{
		{"nothing wrong", base(nil), nil, u, "ready", "", ""},
		{"retired counts before a hold", base(func(f *store.FloorPrinter) { f.RetiredAt, f.HeldAt = before(48*time.Hour), before(time.Hour) }), nil, u, "retired", "Retired 2 days ago.", ""},
		{"retires later", base(func(f *store.FloorPrinter) { v := now.Add(time.Hour); f.RetiredAt = &v }), nil, u, "ready", "", ""},
		{"on hold", base(func(f *store.FloorPrinter) { f.HeldAt, f.HeldReason = before(3*time.Hour), "Bed cable worn" }), raised("printer", "P-1", "skipped_probing"), u, "hold", "On hold for 3\u202fh: bed cable worn.", "release P-1"},
		{"on hold without a reason", base(func(f *store.FloorPrinter) { f.HeldAt = before(time.Hour) }), nil, u, "hold", "no reason given", ""},
		{"its plate on hold", base(func(f *store.FloorPrinter) { f.PlateHeldAt, f.PlateReason = before(time.Hour), "dent" }), nil, u, "watch", "Plate L-1 is on hold: dent.", "Swap plate L-1"},
		{"goes with skipped probing", base(nil), raised("printer", "P-1", "skipped_probing"), u, "watch", "Failures go with skipped probing: about 4.2 of 100 avoidable.", "Start as usual: nothing is due"},
		{"the same, with a probe due", base(func(f *store.FloorPrinter) { f.SinceProbe = n(6) }), raised("printer", "P-1", "skipped_probing"), []upkeep.Item{probe}, "watch", "", "Probe before the next start"},
		{"the same, just probed", base(func(f *store.FloorPrinter) { f.SinceProbe = n(0) }), raised("printer", "P-1", "skipped_probing"), []upkeep.Item{probe}, "watch", "", "Start as usual"},
		{"its plate's failures go with gaps", base(nil), raised("plate", "L-1", "cleaning_gap"), []upkeep.Item{wipe}, "watch", "Failures with L-1 go with", "Wipe L-1"},
		{"watching is not raised", base(nil), []Finding{{Kind: "printer", State: "watching", N: 50, Avoidable: 2}}, u, "ready", "", ""},
		{"the last layer failed", base(func(f *store.FloorPrinter) { f.LastGrade = "failed" }), nil, u, "watch", "The last first layer failed, 1\u202fh ago; nothing recorded since.", "watch the next first layer"},
		{"the last underside was marginal", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastShown = "marginal", true }), nil, u, "watch", "failed", ""},
		{"a marginal layer that is hidden", base(func(f *store.FloorPrinter) { f.LastGrade = "marginal" }), nil, u, "ready", "", ""},
		{"failed and probed since", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastProbe = "failed", before(time.Minute) }), nil, u, "ready", "", ""},
		{"failed long ago", base(func(f *store.FloorPrinter) { f.LastGrade, f.LastStart = "failed", before(15*24*time.Hour) }), nil, u, "no_record", "", ""},
		{"both are due", base(func(f *store.FloorPrinter) { f.SinceProbe = n(6) }), nil, []upkeep.Item{wipe, probe}, "due", "9 prints since it was cleaned.", "Wipe L-1, then probe before the next start"},
		{"probed since", base(func(f *store.FloorPrinter) { f.SinceProbe = n(0) }), nil, []upkeep.Item{wipe, probe}, "due", "9 prints", "Wipe L-1"},
		{"wiped since", base(func(f *store.FloorPrinter) { f.SinceClean = n(0) }), nil, []upkeep.Item{wipe}, "ready", "", ""},
		{"another plate is on it by now", base(func(f *store.FloorPrinter) { f.Plate = "L-2" }), nil, []upkeep.Item{wipe}, "ready", "", ""},
		{"the wipe is left out for this start", base(func(f *store.FloorPrinter) { f.Skipped = []string{"wipe"} }), nil, []upkeep.Item{wipe, probe}, "due", "6 starts since its probe.", "Probe before the next start"},
		{"its plate on hold is not wiped", base(func(f *store.FloorPrinter) { f.PlateHeldAt = before(time.Hour) }), nil, []upkeep.Item{wipe, probe}, "watch", "", "Swap plate L-1, then probe before the next start"},
		{"due after some starts", base(nil), nil, []upkeep.Item{{Due: upkeep.Due{Task: upkeep.Probe}, Printer: "P-1", In: 3}}, "ready", "", ""},
		{"failed, and a wipe is due", base(func(f *store.FloorPrinter) { f.LastGrade = "failed" }), nil, []upkeep.Item{wipe}, "watch", "failed", "Wipe L-1, and watch the next first layer"},
		{"nothing lately", base(func(f *store.FloorPrinter) { f.LastStart = before(20 * 24 * time.Hour) }), nil, u, "no_record", "Last first layer 20 days ago.", ""},
		{"nothing ever", store.FloorPrinter{Printer: "P-1"}, nil, u, "no_record", "No first layer recorded yet.", ""},
	} {
		s := standOf(&x.row, x.findings, Lately{}, x.due, now, now)
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
