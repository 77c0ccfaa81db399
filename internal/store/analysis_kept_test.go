package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"

	"github.com/jackc/pgx/v5"
)

// alike holds what a kept analysis says against what reading all says.
func alike(t *testing.T, s *store.Store, k *store.KeptAnalysis, when string, at ...time.Time) {
	t.Helper()
	for _, at := range at {
		got, err := k.Analysis(context.Background(), at)
		if err != nil {
			t.Fatal(err)
		}
		got = got.Whole()
		want := analyse(t, s, at, time.Time{})
		if len(got.History.Starts) == 0 && len(want.History.Starts) == 0 {
			got.History.Starts, got.Labels, want.History.Starts, want.Labels = nil, nil, nil, nil
		}
		if !reflect.DeepEqual(nothingIsNil(got), nothingIsNil(want)) {
			t.Fatalf("%s, as of %s:\n got %s\nwant %s\n got %+v\nwant %+v", when, at, knowledge(got), knowledge(want), got, want)
		}
	}
}

// nothingIsNil makes empty lists alike.
func nothingIsNil(a *store.Analysis) *store.Analysis {
	b := *a
	v := reflect.ValueOf(&b.History).Elem()
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Slice && f.Len() == 0 {
			f.SetZero()
		}
	}
	return &b
}

// Whatever is recorded, late too, filled, voided, corrected, imported or taken back,
// and whichever things come: what is kept and added to is what is read anew.
func TestAKeptAnalysisIsWhatReadingAllGives(t *testing.T) {
	s, url := farmWithThings(t)
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(ctx) })
	r := rand.New(rand.NewPCG(7, 36))
	k := s.KeepAnalysis(3 * 24 * time.Hour)
	apart, moved := 0, 0 // readings that left the past out, and times that it was moved up
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	days := 5 // until when things happen
	printers, plates := []string{"R-1", "R-2"}, []string{"T-1", "T-2"}
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	at := func() string {
		return begin.Add(time.Duration(r.IntN(days*24)) * time.Hour).Format(time.RFC3339)
	}
	n := 0
	next := func() string { n++; return fmt.Sprintf("N-%d", n) }
	type layer struct{ id, printer, at string }
	var layers []layer
	var records, fitted []string
	record := func(body string) {
		t.Helper()
		if _, err := send(t, s, body); err != nil {
			t.Fatalf("%s: %v", body, err)
		}
	}
	field := func(name, value string) string {
		if value == "" {
			return ""
		}
		return fmt.Sprintf(`,"%s":"%s"`, name, value)
	}
	void := func(id string) {
		record(fmt.Sprintf(`{"kind":"void","record":"%s","voided_at":"2026-04-01T00:00:00Z","void_reason":"wrong"}`, id))
	}
	for round := range 40 {
		days = 5 + round/4
		what := ""
		for range 1 + r.IntN(4) {
			id, printer, when := next(), pick(printers...), at()
			kind := r.IntN(13)
			what += fmt.Sprintf(" %d", kind)
			switch kind {
			case 0, 1, 2:
				layers, records = append(layers, layer{id, printer, when}), append(records, id)
				record(fmt.Sprintf(`{"kind":"first_layer","id":"%s","printer":"%s","started_at":"%s"%s%s%s%s}`, id, printer, when,
					field("plate", pick("", plates[0], plates[len(plates)-1])), field("material", pick("", "PLA", "PETG", "A-"+id)), field("start_is", pick("", "sent")), field("grade", pick("", "failed"))))
			case 3, 4:
				if len(layers) == 0 {
					break
				}
				i := r.IntN(len(layers))
				l := layers[i]
				_, err := send(t, s, fmt.Sprintf(`{"kind":"first_layer","id":"%s","printer":"%s","started_at":"%s","grade":"%s","graded_at":"%s","grader":"%s","marks":"A1:blobs:2"}`,
					l.id, l.printer, l.at, pick("failed", "clean", "marginal"), begin.Add(time.Duration(15*24+r.IntN(48))*time.Hour).Format(time.RFC3339), pick("ines", "tomas")))
				if err != nil && !strings.Contains(err.Error(), "grade") && !strings.Contains(err.Error(), "void") {
					t.Fatal(err)
				}
			case 5:
				records = append(records, id)
				record(fmt.Sprintf(`{"kind":"probe","id":"%s","printer":"%s","probed_at":"%s"%s}`, id, printer, when, field("extent", pick("", "part", "zero"))))
			case 6:
				records = append(records, id)
				record(fmt.Sprintf(`{"kind":"cleaning","id":"%s","plate":"%s","cleaned_at":"%s","method":"%s"}`, id, pick(plates...), when, pick("wipe", "wash", "coat")))
			case 7:
				fitted, records = append(fitted, fmt.Sprintf(`{"kind":"fitting","id":"%s","plate":"%s","printer":"%s","fitted_at":"%s"`, id, pick(plates...), printer, when)), append(records, id)
				record(fitted[len(fitted)-1] + "}")
			case 8:
				if len(fitted) > 0 { // a field filled
					_, _ = send(t, s, fitted[r.IntN(len(fitted))]+`,"removed_at":"2026-03-15T05:00:00Z"}`)
				}
			case 9:
				records = append(records, id)
				record(fmt.Sprintf(`{"kind":"%s}`, pick(`service","id":"`+id+`","printer":"`+printer+`","done_at":"`+when+`","work":"nozzle"`, `probe_skipped","id":"`+id+`","printer":"`+printer+`","at":"`+when+`","reason":"hurry"`)))
			case 10, 11:
				if len(records) == 0 {
					break
				}
				i := r.IntN(len(records))
				void(records[i])
				layers = nil // some of them may be void now
				records = append(records[:i], records[i+1:]...)
			case 12: // things that stand before, between and after the others
				tag := pick("A-", "R-1", "Z-") + id
				printers, plates = append(printers, tag), append(plates, tag)
				mustImport(t, s, files{"printers.csv": "printer,bed_x_mm,bed_y_mm\n" + tag + ",220,220\n", "plates.csv": "plate,surface\n" + tag + ",glass\n",
					"first_layers.csv": fmt.Sprintf("first_layer,printer,plate,started_at\nI%s,%s,%s,%s\nJ%s,R-1,T-1,%s\n", id, tag, tag, when, id, when)})
				if r.IntN(2) == 0 {
					var act int64
					if err := conn.QueryRow(ctx, `SELECT max(id) FROM acts`).Scan(&act); err != nil {
						t.Fatal(err)
					}
					if n, err := s.UndoImport(ctx, byAPI, act, "wrong"); err != nil || n != 2 {
						t.Fatal(n, err)
					}
				}
			}
		}
		if round%2 == 1 { // before what changed was taken in; it is by this
			if a, err := k.MoveUp(ctx, clock.AddDate(1, 0, 0)); err != nil {
				t.Fatal(err)
			} else if a != nil {
				moved++
			}
		}
		alike(t, s, k, fmt.Sprintf("round %d after%s", round, what), clock.AddDate(1, 0, 0), begin.Add(time.Duration(r.IntN(17*24))*time.Hour))
		if a, err := k.Analysis(ctx, clock.AddDate(1, 0, 0)); err != nil {
			t.Fatal(err)
		} else if a.Past != nil {
			apart++
		}
	}
	if apart < 30 || moved < 3 {
		t.Errorf("the past was left out %d times, want at least 30, and moved up %d times, want at least 3", apart, moved)
	}
	if whole, part := k.Readings(); whole != 1 || part != 119 {
		t.Errorf("all was read %d times and what had changed %d times, want 1 and 119", whole, part)
	}
}

// An act may be seen after acts that began later: what it recorded is not lost.
func TestAKeptAnalysisTakesInAnActThatEndsLate(t *testing.T) {
	s, url := farmWithThings(t)
	ctx := context.Background()
	lock := func() pgx.Tx {
		conn, err := pgx.Connect(ctx, url)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close(ctx) })
		tx, err := conn.Begin(ctx)
		if err == nil { // which whoever records a first layer writes last of all
			_, err = tx.Exec(ctx, `LOCK TABLE trend_marks IN ACCESS EXCLUSIVE MODE`)
		}
		if err != nil {
			t.Fatal(err)
		}
		return tx
	}
	k := s.KeepAnalysis(24 * time.Hour)
	alike(t, s, k, "at first", clock)
	for i, first := range []bool{false, true} { // kept rows are there before, or are read meanwhile
		if first {
			k = s.KeepAnalysis(24 * time.Hour)
		}
		tx, ended := lock(), make(chan error)
		go func() {
			_, err := send(t, s, fmt.Sprintf(`{"kind":"first_layer","id":"L%d","printer":"R-1","started_at":"2026-03-01T08:00:00Z"}`, i))
			ended <- err
		}()
		for waits := false; !waits; {
			if err := tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_locks WHERE relation = 'trend_marks'::regclass AND NOT granted)`).Scan(&waits); err != nil {
				t.Fatal(err)
			}
		}
		for j := range 3 {
			if _, err := send(t, s, fmt.Sprintf(`{"kind":"cleaning","id":"C%d-%d","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`, i, j)); err != nil {
				t.Fatal(err)
			}
			alike(t, s, k, "meanwhile", clock)
		}
		if err := tx.Rollback(ctx); err != nil {
			t.Fatal(err)
		}
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		alike(t, s, k, "when it ended", clock)
		if a, _ := k.Analysis(ctx, clock); len(a.History.Starts) != i+1 {
			t.Errorf("%d first layers, want %d", len(a.History.Starts), i+1)
		}
	}
}
