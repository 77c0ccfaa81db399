package assess_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
)

const sampleDir = "../../testdata/sample-farm"

// table is a CSV file: its header and its rows.
type table struct {
	head []string
	rows [][]string
}

func readTable(t testing.TB, path string) *table {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return &table{all[0], all[1:]}
}

func (x *table) cell(row []string, column string) *string {
	return &row[slices.Index(x.head, column)]
}

func (x *table) text() string {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write(x.head)
	_ = w.WriteAll(x.rows)
	return b.String()
}

// sampleTables are the sample farm's files, each record once.
func sampleTables(t testing.TB) map[string]*table {
	t.Helper()
	files := map[string]*table{}
	for _, name := range []string{"printers.csv", "plates.csv", "materials.csv", "people.csv", "first_layers.csv", "probes.csv", "cleanings.csv"} {
		x := readTable(t, filepath.Join(sampleDir, name))
		seen := map[string]bool{}
		x.rows = slices.DeleteFunc(x.rows, func(r []string) bool { was := seen[r[0]]; seen[r[0]] = true; return was })
		files[name] = x
	}
	return files
}

func asBundle(files map[string]*table) bundle {
	b := bundle{}
	for name, x := range files {
		b[name] = x.text()
	}
	return b
}

// Every count is taken again by the plain reading of data-contract.md from the
// reference exposures, which another program computed (testdata/reference).
func TestTheSampleFarmsCountsAreThoseOfTheReference(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	got := ask(t, assess.New(s), assess.AsOf{})
	files := sampleTables(t)
	layers := files["first_layers.csv"]
	exposures := map[string]map[string]string{}
	ref := readTable(t, "../../testdata/reference/exposures.csv")
	for _, row := range ref.rows {
		m := map[string]string{}
		for i, c := range ref.head {
			m[c] = row[i]
		}
		exposures[row[0]] = m
	}
	latest := ""
	for _, r := range layers.rows {
		latest = max(latest, *layers.cell(r, "started_at")) // all in UTC, so texts sort as times
	}
	to, err := time.Parse(time.RFC3339, latest)
	if err != nil {
		t.Fatal(err)
	}
	from := to.Add(-84 * 24 * time.Hour)
	if !got.To.Equal(to) || !got.From.Equal(from) {
		t.Fatalf("window: got %s to %s, want %s to %s", got.From, got.To, from, to)
	}
	type numbers struct{ starts, graded, n, failures, nExposed, failuresExposed int }
	want := map[string]*numbers{}
	var gaps []int
	inWindow := func(r []string) bool {
		at, err := time.Parse(time.RFC3339, *layers.cell(r, "started_at"))
		return err == nil && at.After(from) && !at.After(to)
	}
	for _, r := range layers.rows {
		if g := exposures[r[0]]["prints_since_clean"]; inWindow(r) && *layers.cell(r, "grade") != "" && g != "" {
			n, _ := strconv.Atoi(g)
			gaps = append(gaps, n)
		}
	}
	slices.Sort(gaps)
	split := float64(gaps[(len(gaps)-1)/2]+gaps[len(gaps)/2]) / 2
	total := numbers{}
	for _, r := range layers.rows {
		if !inWindow(r) {
			continue
		}
		e := exposures[r[0]]
		grade := *layers.cell(r, "grade")
		failed := grade == "failed"
		if i := slices.Index(layers.head, "underside"); i >= 0 && r[i] == "shown" && grade == "marginal" {
			failed = true
		}
		count := func(key string, known, exposed bool) {
			if want[key] == nil {
				want[key] = &numbers{}
			}
			w := want[key]
			w.starts++
			if grade == "" {
				return
			}
			w.graded++
			if !known {
				return
			}
			w.n++
			if exposed {
				w.nExposed++
			}
			if failed {
				w.failures++
				if exposed {
					w.failuresExposed++
				}
			}
		}
		gap, err := strconv.Atoi(e["prints_since_clean"])
		long := err == nil && float64(gap) > split
		count("printer "+*layers.cell(r, "printer")+" skipped_probing", e["skipped_probing"] != "unknown", e["skipped_probing"] == "yes")
		count("printer "+*layers.cell(r, "printer")+" cleaning_gap", err == nil, long)
		count("plate "+*layers.cell(r, "plate")+" cleaning_gap", err == nil, long)
		total.starts++
		if grade != "" {
			total.graded++
		}
		if failed {
			total.failures++
		}
	}
	if got.GapSplit != split || got.FirstLayers != total.starts || got.Graded != total.graded || got.Failures != total.failures {
		t.Errorf("got %d first layers, %d graded, %d failures, split %g; want %+v, split %g", got.FirstLayers, got.Graded, got.Failures, got.GapSplit, total, split)
	}
	if len(got.Items) != 2*24+48 || len(want) != len(got.Items) {
		t.Errorf("got %d questions, want %d (and 2 x 24 + 48)", len(got.Items), len(want))
	}
	for _, f := range got.Items {
		key := f.Kind + " " + f.Subject + " " + f.Cause
		if n := (numbers{f.Starts, f.Graded, f.N, f.Failures, f.NExposed, f.FailuresExposed}); want[key] == nil || n != *want[key] {
			t.Errorf("%s: got %+v, want %+v", key, n, want[key])
		}
	}
}

// The same farm gives the same bytes whatever the machine is set to and in
// whatever order its rows came in.
func TestAnswersRepeatToTheByte(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	q := assess.AsOf{At: time.Date(2026, 3, 20, 15, 0, 0, 0, time.UTC)}
	first := ask(t, assess.New(s), q).JSON()
	again := func(what string, got []byte) {
		t.Helper()
		if !bytes.Equal(got, first) {
			t.Errorf("%s: the answer differs", what)
		}
	}
	again("repeated", ask(t, assess.New(s), q).JSON())
	kept := assess.New(s)
	ask(t, kept, assess.AsOf{At: q.At.Add(-time.Hour)})
	again("after an earlier one", ask(t, kept, q).JSON())
	again("from what was kept", ask(t, kept, q).JSON())
	cores, local := runtime.GOMAXPROCS(1), time.Local
	defer func() { runtime.GOMAXPROCS(cores); time.Local = local }()
	again("on one core", ask(t, assess.New(s), q).JSON())
	runtime.GOMAXPROCS(3)
	time.Local = time.FixedZone("elsewhere", 9*3600)
	again("on three cores elsewhere", ask(t, assess.New(s), q).JSON())

	other := open(t)
	files := sampleTables(t)
	r := rand.New(rand.NewPCG(3, 4))
	for _, x := range files {
		r.Shuffle(len(x.rows), func(i, j int) { x.rows[i], x.rows[j] = x.rows[j], x.rows[i] })
	}
	asBundle(files).into(t, other)
	again("rows in another order", ask(t, assess.New(other), q).JSON())
}

// What had happened by a time, and what was known by one, give the same bytes
// as a farm that holds nothing else: rows that happened or arrived later taken
// out, later grades and voidings taken off, by hand.
func TestAsOfIsAsIfNothingElseWereThere(t *testing.T) {
	at := time.Date(2026, 3, 12, 14, 30, 0, 0, time.UTC)
	known := time.Date(2026, 3, 11, 9, 0, 0, 0, time.UTC)
	files := sampleTables(t)
	when := map[string]string{"first_layers.csv": "started_at", "probes.csv": "probed_at", "cleanings.csv": "cleaned_at"}
	r := rand.New(rand.NewPCG(5, 6))
	for name, column := range when {
		x := files[name]
		x.head = append(x.head, "arrived_at", "voided_at", "void_reason")
		for i, row := range x.rows {
			t0, err := time.Parse(time.RFC3339, *x.cell(row, column))
			if err != nil {
				t.Fatal(err)
			}
			late := time.Duration(r.IntN(3)) * time.Minute
			if r.IntN(10) == 0 {
				late = time.Duration(r.IntN(200)) * time.Hour
			}
			arrived := t0.Add(2*time.Hour + late) // a grade comes with its start, so not before it
			voided, reason := "", ""
			if r.IntN(40) == 0 {
				voided, reason = arrived.Add(time.Duration(r.IntN(100))*time.Hour).Format(time.RFC3339), "wrong"
			}
			x.rows[i] = append(row, arrived.Format(time.RFC3339), voided, reason)
		}
	}
	s := open(t)
	asBundle(files).into(t, s)
	all := assess.New(s)
	for _, c := range []struct {
		name string
		q    assess.AsOf
	}{
		{"at", assess.AsOf{At: at}},
		{"at, known by then", assess.AsOf{At: at, KnownAt: known}},
		{"a window of its own", assess.AsOf{At: at, KnownAt: known, From: at.AddDate(0, 0, -20), To: at.AddDate(0, 0, -2)}},
	} {
		cut := map[string]*table{}
		for name, x := range files {
			y := &table{head: x.head}
			for _, row := range x.rows {
				row = slices.Clone(row)
				cell := func(column string) *string { return x.cell(row, column) }
				after := func(column string, limit time.Time) bool {
					v, err := time.Parse(time.RFC3339, *cell(column))
					return err == nil && v.After(limit)
				}
				if column := when[name]; column != "" {
					if after(column, at) || !c.q.KnownAt.IsZero() && after("arrived_at", known) {
						continue
					}
					if *cell("voided_at") != "" {
						if c.q.KnownAt.IsZero() || !after("voided_at", known) {
							continue
						}
						*cell("voided_at"), *cell("void_reason") = "", ""
					}
					if name == "first_layers.csv" && after("graded_at", at) {
						for _, f := range []string{"grade", "graded_at", "grader", "marks"} {
							*cell(f) = ""
						}
					}
				}
				y.rows = append(y.rows, row)
			}
			cut[name] = y
		}
		alone := open(t)
		asBundle(cut).into(t, alone)
		q := c.q
		q.KnownAt = time.Time{}
		want := ask(t, assess.New(alone), q)
		want.KnownAt = c.q.KnownAt
		got := ask(t, all, c.q)
		if !bytes.Equal(got.JSON(), want.JSON()) {
			t.Errorf("%s: %s", c.name, firstDifference(string(got.JSON()), string(want.JSON())))
		}
		if got.Graded == 0 || got.Graded == got.FirstLayers && c.name == "at" {
			t.Errorf("%s: got %d graded of %d first layers: the case shows nothing", c.name, got.Graded, got.FirstLayers)
		}
	}
}

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d:\n got %s\nwant %s", i+1, x[i], y[i])
		}
	}
	return fmt.Sprintf("got %d lines, want %d", len(x), len(y))
}

// What is estimated lasts the day; what is counted does not.
func TestEstimatesAreThoseOfLastMidnight(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	a := assess.New(s)
	midnight := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	morning := ask(t, a, assess.AsOf{At: midnight.Add(time.Hour)})
	evening := ask(t, a, assess.AsOf{At: midnight.Add(23 * time.Hour)})
	if a.Fits() != 1 {
		t.Errorf("one day took %d fits, want 1", a.Fits())
	}
	changed := 0
	for i := range morning.Items {
		m, e := morning.Items[i], evening.Items[i]
		if m.Starts != e.Starts {
			changed++
		}
		if fmt.Sprint(m.State, m.OddsRatio, m.P, m.Q, m.Avoidable, m.AvoidableLow, m.Reverse, m.Needs) != fmt.Sprint(e.State, e.OddsRatio, e.P, e.Q, e.Avoidable, e.AvoidableLow, e.Reverse, e.Needs) {
			t.Errorf("%s %s %s: the estimate changed within a day: %+v and %+v", m.Kind, m.Subject, m.Cause, m, e)
		}
	}
	if changed == 0 || morning.FirstLayers == evening.FirstLayers && morning.From.Equal(evening.From) {
		t.Error("no count changed within a day of prints")
	}
	next := ask(t, a, assess.AsOf{At: midnight.Add(25 * time.Hour)})
	moved := 0
	for i := range next.Items {
		if fmt.Sprint(next.Items[i].Q) != fmt.Sprint(evening.Items[i].Q) {
			moved++
		}
	}
	if a.Fits() != 2 || moved == 0 {
		t.Errorf("after midnight: %d fits, %d estimates moved: want a new fit", a.Fits(), moved)
	}
	if _, err := a.Findings(context.Background(), assess.AsOf{From: midnight, To: midnight}); err == nil {
		t.Error("an empty window was not refused")
	}
}
