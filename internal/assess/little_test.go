package assess_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
)

func at(day, hour, minute int) time.Time {
	return time.Date(2026, 3, day, hour, minute, 0, 0, time.UTC)
}

func little() bundle {
	return bundle{
		"printers.csv": "printer,bed_x_mm,bed_y_mm,in_service_from,retired_at\nR-1,220,220,,\nR-2,300,300,2026-03-05T00:00:00Z,\nR-0,300,300,,2025-10-01T00:00:00Z\nR-10,220,220,2026-03-14T00:00:00Z,\n",
		"plates.csv":   "plate,surface\nT-1,glass\nT-2,other\n",
	}
}

func TestAFarmWithoutFirstLayersHasTooLittleData(t *testing.T) {
	s := open(t)
	got := ask(t, assess.New(s), assess.AsOf{At: at(13, 12, 0)}).JSON()
	want := `{"as_of":"2026-03-13T12:00:00Z","known_at":null,"window":{"from":"2025-12-19T12:00:00Z","to":"2026-03-13T12:00:00Z"},"first_layers":0,"graded":0,"failures":0,"false_discovery_rate":0.05,"gap_split":null,"findings":[]}` + "\n"
	if string(got) != want {
		t.Errorf("nothing at all:\n got %swant %s", got, want)
	}
	checkAnswer(t, got)
	little().into(t, s)
	f := ask(t, assess.New(s), assess.AsOf{At: at(13, 12, 0)})
	checkAnswer(t, f.JSON())
	var subjects []string
	for _, i := range f.Items {
		subjects = append(subjects, i.Subject)
		if i.State != "too_little_data" || i.Needs < 1 {
			t.Errorf("%s %s: got state %s and needs %d, want too little data and more layers", i.Subject, i.Cause, i.State, i.Needs)
		}
	}
	// Retired before the window, or in service after it: not asked.
	if got := strings.Join(subjects, " "); got != "R-1 R-1 R-2 R-2 T-1 T-2" {
		t.Errorf("got questions about %s", got)
	}
}

// layers gives first layers of one printer and plate, an hour apart, each
// probed but every third, cleaned before every twelfth; every fifth skipped one
// fails.
func series(n int) bundle {
	b := little()
	var layers, probes, cleanings strings.Builder
	layers.WriteString("first_layer,printer,plate,started_at,grade,grader,graded_at,marks\n")
	probes.WriteString("probe,printer,probed_at\n")
	cleanings.WriteString("cleaning,plate,cleaned_at,method\n")
	for k := range n {
		t := at(1, 0, 0).Add(time.Duration(k) * time.Hour)
		grade, marks := "clean", ""
		if k%3 != 0 {
			fmt.Fprintf(&probes, "P%d,R-1,%s\n", k, t.Add(-5*time.Minute).Format(time.RFC3339))
		} else if k%5 == 0 {
			grade, marks = "failed", "A1:nozzle_high:3"
		}
		if k%12 == 0 {
			fmt.Fprintf(&cleanings, "C%d,T-1,%s,wash\n", k, t.Add(-10*time.Minute).Format(time.RFC3339))
		}
		fmt.Fprintf(&layers, "F%d,R-1,T-1,%s,%s,ines,%s,%s\n", k, t.Format(time.RFC3339), grade, t.Add(20*time.Minute).Format(time.RFC3339), marks)
	}
	b["first_layers.csv"], b["probes.csv"], b["cleanings.csv"] = layers.String(), probes.String(), cleanings.String()
	return b
}

func question(t *testing.T, f *assess.Findings, subject, cause string) assess.Finding {
	t.Helper()
	i := slices.IndexFunc(f.Items, func(x assess.Finding) bool { return x.Subject == subject && x.Cause == cause })
	if i < 0 {
		t.Fatalf("no question about %s and %s", subject, cause)
	}
	return f.Items[i]
}

func TestNeedsGetLessAsLayersAreGraded(t *testing.T) {
	s := open(t)
	series(300).into(t, s)
	a := assess.New(s)
	least := 1 << 30
	for _, day := range []int{2, 3, 5} {
		q := question(t, ask(t, a, assess.AsOf{At: at(day, 0, 0)}), "R-1", "skipped_probing")
		if q.State != "too_little_data" {
			break
		}
		if q.Needs >= least {
			t.Errorf("on day %d: needs %d more layers, before it was %d", day, q.Needs, least)
		}
		least = q.Needs
		if q.Settle == "" || !strings.Contains(q.Summary, q.Settle+" would settle it") {
			t.Errorf("got %q, want it to say %q", q.Summary, q.Settle)
		}
	}
	if least == 1<<30 {
		t.Error("a day of layers was not too little")
	}
	if q := question(t, ask(t, a, assess.AsOf{At: at(13, 12, 0)}), "R-1", "skipped_probing"); q.State == "too_little_data" || q.Needs != 0 {
		t.Errorf("300 layers, 20 failures: got %s and needs %d", q.State, q.Needs)
	}
}

// A cleaning that arrives late moves the exposures after it; an evidence sheet
// that says what was known gives the same bytes before and after. So does one
// over a voiding, and over a fill.
func TestWhatWasKnownStaysKnown(t *testing.T) {
	s := open(t)
	s.SetClock(func() time.Time { return at(13, 12, 0) })
	series(290).into(t, s)
	a := assess.New(s)
	sheet := assess.AsOf{At: at(13, 12, 0), KnownAt: at(13, 12, 0)}
	now := assess.AsOf{At: at(13, 12, 0)}
	before, live := ask(t, a, sheet).JSON(), ask(t, a, now).JSON()
	for _, late := range []struct{ what, body string }{
		{"a late cleaning", `{"kind":"cleaning","id":"late","plate":"T-1","cleaned_at":"2026-03-05T03:30:00Z","method":"wipe"}`},
		{"a late start, sent", `{"kind":"first_layer","id":"late","printer":"R-1","plate":"T-1","started_at":"2026-03-06T07:30:00Z","start_is":"sent"}`},
		{"its grade", `{"kind":"first_layer","id":"late","printer":"R-1","started_at":"2026-03-06T07:30:00Z","grade":"failed","graded_at":"2026-03-06T07:50:00Z"}`},
		{"a voiding", `{"kind":"void","record":"F7","voided_at":"2026-03-07T00:00:00Z","void_reason":"wrong printer"}`},
		{"a service", `{"kind":"service","id":"late","printer":"R-1","done_at":"2026-03-06T12:30:00Z","work":"bed"}`},
	} {
		send(t, s, at(14, 12, 0), late.body)
		if got := ask(t, a, sheet).JSON(); !bytes.Equal(got, before) {
			t.Errorf("%s changed what was known before: %s", late.what, firstDifference(string(got), string(before)))
		}
		got := ask(t, a, now).JSON()
		if bytes.Equal(got, live) && late.what != "a service" { // a service only parts void from valid
			t.Errorf("%s changed nothing", late.what)
		}
		live = got
	}
}

// A start graded after the time asked for is started and not graded.
func TestALayerGradedLaterIsStarted(t *testing.T) {
	s := open(t)
	series(30).into(t, s)
	a := assess.New(s)
	for _, c := range []struct {
		at                      time.Time
		started, graded, failed int
	}{
		{at(1, 15, 10), 16, 15, 1}, {at(1, 15, 20), 16, 16, 2}, {at(1, 15, 59), 16, 16, 2},
	} {
		f := ask(t, a, assess.AsOf{At: c.at})
		if f.FirstLayers != c.started || f.Graded != c.graded || f.Failures != c.failed {
			t.Errorf("%s: got %d started, %d graded, %d failed, want %d, %d, %d", c.at, f.FirstLayers, f.Graded, f.Failures, c.started, c.graded, c.failed)
		}
	}
}

func TestEvidenceAddsUpToItsFinding(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	a := assess.New(s)
	now := time.Date(2026, 4, 7, 8, 0, 0, 0, time.UTC)
	all, err := a.Latest(context.Background(), now, store.DataVersion{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all.Items {
		e, err := a.Evidence(context.Background(), f.Kind, f.Subject, f.Cause, now)
		if err != nil {
			t.Fatal(err)
		}
		var sum, known, exposed assess.Cell
		for _, c := range e.Cells {
			for _, to := range []*assess.Cell{&sum, &known, &exposed} {
				if to == &known && c.Code == "unknown" || to == &exposed && c.Code != "skipped" && (c.Code != "band" || float64(c.Low) <= all.GapSplit) {
					continue
				}
				to.Started, to.Graded, to.Failures = to.Started+c.Started, to.Graded+c.Graded, to.Failures+c.Failures
			}
		}
		if sum.Started != f.Starts || sum.Graded != f.Graded || known.Graded != f.N || known.Failures != f.Failures || exposed.Graded != f.NExposed || exposed.Failures != f.FailuresExposed {
			t.Errorf("%s %s: cells %+v do not add up to %+v", f.Subject, f.Cause, e.Cells, f)
		}
		if e.FailedLayers+e.GoodLayers != f.Graded || e.Differ == "" || e.Method == "" {
			t.Errorf("%s %s: %d failed and %d good layers of %d graded", f.Subject, f.Cause, e.FailedLayers, e.GoodLayers, f.Graded)
		}
		if gap := f.Cause == "cleaning_gap" && f.OddsRatio > 0 && f.Failures > 0; gap != (len(e.Curve) > 0) {
			t.Errorf("%s %s: a curve of %d points with odds ratio %g", f.Subject, f.Cause, len(e.Curve), f.OddsRatio)
		}
		for i, p := range e.Curve {
			if !(0 <= p.Low && p.Low <= p.At && p.At <= p.High && p.High <= 100) || i > 0 && p.Gap <= e.Curve[i-1].Gap || i > 0 && (p.At > e.Curve[i-1].At) != (f.OddsRatio > 1) {
				t.Errorf("%s %s: curve %+v", f.Subject, f.Cause, e.Curve)
				break
			}
		}
		if f.NExposed > 0 && !(e.PlainLow <= e.Plain && e.Plain <= e.PlainHigh) {
			t.Errorf("%s %s: plain difference %g in %g to %g", f.Subject, f.Cause, e.Plain, e.PlainLow, e.PlainHigh)
		}
	}
	var refusal *fault.Error
	if _, err := a.Evidence(context.Background(), "printer", "P-999", "cleaning_gap", now); !errors.As(err, &refusal) || refusal.Kind != fault.NotFound {
		t.Errorf("a printer that is not there: got %v, want not found", err)
	}
}

func TestBandsEndAtTheSplit(t *testing.T) {
	for _, c := range []struct {
		split float64
		want  string
	}{{0, "[0 1]"}, {1, "[0 1 3]"}, {7, "[1 3 7 15]"}, {9.5, "[1 4 9 19]"}, {23, "[5 11 23 47]"}} {
		if got := fmt.Sprint(assess.BandEnds(c.split)); got != c.want {
			t.Errorf("split %g: got %s, want %s", c.split, got, c.want)
		}
	}
}

// Both clock changes of 2026 in Berlin, and a zone whose clocks once left
// midnight out (Sao Paulo, 4 November 2018).
func TestTheLastMidnightIsTheFarms(t *testing.T) {
	for _, c := range []struct{ zone, at, want string }{
		{"UTC", "2026-03-20T00:00:00Z", "2026-03-20T00:00:00Z"},
		{"Europe/Berlin", "2026-03-29T21:59:00Z", "2026-03-28T23:00:00Z"},
		{"Europe/Berlin", "2026-03-29T22:00:00Z", "2026-03-29T22:00:00Z"},
		{"Europe/Berlin", "2026-10-25T22:59:00Z", "2026-10-24T22:00:00Z"},
		{"America/Sao_Paulo", "2018-11-04T12:00:00Z", "2018-11-04T03:00:00Z"},
	} {
		zone := farm.SettingValues{"time_zone": c.zone}.Zone()
		when, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := assess.LastMidnight(when, zone).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s in %s: got %s, want %s", c.at, c.zone, got, c.want)
		}
	}
}

// Many pages at once, a caller who goes away, and a farm that changes.
func TestManyMayAskAtOnce(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	a := assess.New(s)
	now := time.Date(2026, 4, 7, 8, 0, 0, 0, time.UTC)
	gone, leave := context.WithCancel(context.Background())
	leave()
	if _, err := a.Latest(gone, now, store.DataVersion{}); err == nil {
		t.Error("a caller who had left got an answer")
	}
	var wg sync.WaitGroup
	answers := make([][]byte, 8)
	for i := range answers {
		wg.Go(func() {
			f, err := a.Latest(context.Background(), now, store.DataVersion{})
			if err != nil {
				t.Error(err)
				return
			}
			answers[i] = f.JSON()
		})
	}
	wg.Wait()
	for i := range answers {
		if !bytes.Equal(answers[i], answers[0]) {
			t.Errorf("answer %d differs", i)
		}
	}
	if a.Fits() != 1 {
		t.Errorf("got %d fits, want 1", a.Fits())
	}
	send(t, s, now.Add(2*time.Minute), `{"kind":"first_layer","id":"new","printer":"P-001","started_at":"2026-04-07T08:01:00Z"}`)
	f := ask(t, a, assess.AsOf{At: now.Add(2 * time.Minute)})
	if !f.To.Equal(now.Add(time.Minute)) || a.Fits() != 1 {
		t.Errorf("after a new start: window to %s and %d fits, want it in the counts and the fit of last midnight", f.To, a.Fits())
	}
}

// Where computing takes long, a page shows what was computed a moment ago and
// says of when; commands and the API wait for what was asked.
func TestALargeFarmsPagesNeedNotWait(t *testing.T) {
	s := open(t)
	series(60).into(t, s)
	a := assess.New(s)
	latest := func(now time.Time) *assess.Findings {
		t.Helper()
		f, err := a.Latest(context.Background(), now, store.DataVersion{})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	first, later := at(4, 8, 0), at(4, 8, 5)
	latest(first)
	a.SlowAs(time.Hour)
	send(t, s, later, `{"kind":"first_layer","id":"new","printer":"R-1","started_at":"2026-03-04T08:04:00Z"}`)
	if f := latest(later); !f.AsOf.Equal(first) || f.FirstLayers != 60 {
		t.Errorf("got %d first layers as of %s, want the 60 of %s", f.FirstLayers, f.AsOf, first)
	}
	if f := ask(t, a, assess.AsOf{At: later}); !f.AsOf.Equal(later) || f.FirstLayers != 61 {
		t.Errorf("asked for: got %d first layers as of %s, want 61 as of %s", f.FirstLayers, f.AsOf, later)
	}
	if f := latest(later); !f.AsOf.Equal(later) || f.FirstLayers != 61 {
		t.Errorf("got %d first layers as of %s, want 61 as of %s", f.FirstLayers, f.AsOf, later)
	}
	a.SlowAs(time.Hour)
	if f := latest(at(5, 0, 1)); !f.AsOf.Equal(later) {
		t.Errorf("just after midnight: got the answer as of %s, want yesterday's last while the new one is on its way", f.AsOf)
	}
	a.SlowAs(0)
	if f := latest(at(5, 0, 1)); !f.AsOf.Equal(at(5, 0, 1)) {
		t.Errorf("after midnight: got the answer as of %s", f.AsOf)
	}
}

// Whoever leaves does not stop the computation for the others.
func TestAPageThatDoesNotWaitFindsTheAnswerLater(t *testing.T) {
	s := open(t)
	series(60).into(t, s)
	a := assess.New(s)
	hurry, cancel := context.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	for hurry.Err() == nil {
		_, _ = a.Latest(hurry, at(4, 8, 0), store.DataVersion{})
	}
	f, err := a.Latest(context.Background(), at(4, 8, 0), store.DataVersion{})
	if err != nil || f.FirstLayers != 60 || a.Fits() != 1 {
		t.Errorf("got %+v, %v after %d fits, want 60 first layers after one", f, err, a.Fits())
	}
}

func TestLatelyCountsTheLastDaysOfTheWindow(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	now := time.Date(2026, 4, 7, 8, 0, 0, 0, time.UTC)
	f, err := assess.New(s).Latest(context.Background(), now, store.DataVersion{})
	if err != nil {
		t.Fatal(err)
	}
	list, err := s.Events(context.Background(), farm.KindFirstLayer, store.EventFilter{Since: f.To.Add(-assess.LatelyWindow), Limit: 100_000})
	if err != nil {
		t.Fatal(err)
	}
	want, all := map[string]assess.Lately{}, 0
	for _, r := range list {
		l := r.(*farm.FirstLayer)
		if !l.VoidedAt.IsZero() || l.StartedAt.After(f.To) || !l.StartedAt.After(f.To.Add(-assess.LatelyWindow)) {
			continue
		}
		n := want[l.Printer]
		n.Started++
		if l.Grade != "" && !l.GradedAt.After(now) {
			n.Graded++
			if farm.Failed(l.Grade, l.Underside) {
				n.Failures++
			}
		}
		want[l.Printer], all = n, all+1
	}
	if all < 200 {
		t.Fatalf("only %d layers; the test shows little", all)
	}
	for tag, n := range f.Lately {
		if n != want[tag] {
			t.Errorf("%s: got %+v, want %+v", tag, n, want[tag])
		}
	}
}

func TestTheLatestAnswerIsKeptReady(t *testing.T) {
	s := open(t)
	series(60).into(t, s)
	a := assess.New(s)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { a.Run(ctx); close(ended) }()
	for deadline := time.Now().Add(20 * time.Second); a.Fits() == 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("nothing was computed")
		}
	}
	stop()
	<-ended
}
