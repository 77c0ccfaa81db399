package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"basecourse/internal/assess"
)

var riskKeys = []string{"printer", "plate", "material", "p_now", "p_now_low", "p_now_high", "p_after_cleaning", "p_after_cleaning_low", "p_after_cleaning_high",
	"p_after_probing", "p_after_probing_low", "p_after_probing_high", "p_after_both", "p_after_both_low", "p_after_both_high"}

func risks(t testing.TB, a *assess.Assessor, q assess.AsOf) *assess.Risks {
	t.Helper()
	r, err := a.Risks(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// checkRisks holds an answer against the form of data-contract.md section 5.
func checkRisks(t *testing.T, answer []byte) {
	t.Helper()
	keys, top := keysOf(t, answer)
	if !slices.Equal(keys, []string{"as_of", "items"}) {
		t.Errorf("keys: got %v", keys)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(top["items"], &list); err != nil {
		t.Fatal(err)
	}
	last := ""
	for _, raw := range list {
		keys, values := keysOf(t, raw)
		if !slices.Equal(keys, riskKeys) {
			t.Fatalf("keys of an item: got %v, want %v", keys, riskKeys)
		}
		var printer, material string
		_ = json.Unmarshal(values["printer"], &printer)
		_ = json.Unmarshal(values["material"], &material)
		if order := printer + "\x00" + material; order <= last {
			t.Errorf("%s with %s is out of order", printer, material)
		} else {
			last = order
		}
		p := map[string]float64{}
		for _, key := range riskKeys[3:] {
			var x float64
			if err := json.Unmarshal(values[key], &x); err != nil {
				t.Fatalf("%s: %v", key, err)
			}
			p[key] = x
		}
		for _, key := range []string{"p_now", "p_after_cleaning", "p_after_probing", "p_after_both"} {
			if !(0 < p[key+"_low"] && p[key+"_low"] <= p[key] && p[key] <= p[key+"_high"] && p[key+"_high"] < 1) {
				t.Errorf("%s with %s: %s is %g (%g to %g)", printer, material, key, p[key], p[key+"_low"], p[key+"_high"])
			}
			if p[key] > p["p_now"] || p[key] < p["p_after_both"] {
				t.Errorf("%s with %s: %s is %g, now %g and after both %g", printer, material, key, p[key], p["p_now"], p["p_after_both"])
			}
		}
	}
}

// Every printer of the sample farm with each material it ran in the window, and
// the plate its last start names, unless that was seen elsewhere since.
func TestRisksAreOfEveryPrinterAndMaterial(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	at := time.Date(2026, 3, 20, 15, 0, 0, 0, time.UTC)
	r := risks(t, assess.New(s), assess.AsOf{At: at})
	checkRisks(t, r.JSON())
	x := sampleTables(t)["first_layers.csv"]
	want, lastAt, lastPlate, plateAt, plateOn := map[string]bool{}, map[string]time.Time{}, map[string]string{}, map[string]time.Time{}, map[string]string{}
	for _, row := range x.rows {
		when, err := time.Parse(time.RFC3339, *x.cell(row, "started_at"))
		if err != nil {
			t.Fatal(err)
		}
		if when.After(at) {
			continue
		}
		printer, plate := *x.cell(row, "printer"), *x.cell(row, "plate")
		want[printer+" "+*x.cell(row, "material")] = true // the sample is shorter than the window
		if plate != "" && when.After(lastAt[printer]) {
			lastAt[printer], lastPlate[printer] = when, plate
		}
		if plate != "" && when.After(plateAt[plate]) {
			plateAt[plate], plateOn[plate] = when, printer
		}
	}
	for _, i := range r.Items {
		if !want[i.Printer+" "+i.Material] {
			t.Errorf("%s never ran %q", i.Printer, i.Material)
		}
		delete(want, i.Printer+" "+i.Material)
		plate := lastPlate[i.Printer]
		if plateOn[plate] != i.Printer {
			plate = ""
		}
		if i.Plate != plate {
			t.Errorf("%s: got plate %q, want %q", i.Printer, i.Plate, plate)
		}
	}
	if len(want) > 0 {
		t.Errorf("not answered: %v", want)
	}
}

func TestRisksRepeatToTheByte(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	q := assess.AsOf{At: time.Date(2026, 3, 20, 15, 0, 0, 0, time.UTC)}
	first := risks(t, assess.New(s), q).JSON()
	again := func(what string, got []byte) {
		t.Helper()
		if !bytes.Equal(got, first) {
			t.Errorf("%s the answer differs: %s", what, firstDifference(string(got), string(first)))
		}
	}
	kept := assess.New(s)
	risks(t, kept, assess.AsOf{At: q.At.Add(-time.Minute)})
	again("after an earlier one", risks(t, kept, q).JSON())
	cores := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(cores)
	again("on one core", risks(t, assess.New(s), q).JSON())

	other := open(t)
	files := sampleTables(t)
	r := rand.New(rand.NewPCG(3, 4))
	for _, x := range files {
		r.Shuffle(len(x.rows), func(i, j int) { x.rows[i], x.rows[j] = x.rows[j], x.rows[i] })
	}
	asBundle(files).into(t, other)
	again("with rows in another order", risks(t, assess.New(other), q).JSON())
}

// What happens after midnight counts at once: a probe for the next start, a
// cleaning, another plate.
func TestRisksAreOfTheStartAsThingsAre(t *testing.T) {
	s := open(t)
	series(300).into(t, s) // to 13 March 11:00, the last start not probed for
	a := assess.New(s)
	one := func(when time.Time) assess.Risk {
		t.Helper()
		r := risks(t, a, assess.AsOf{At: when})
		checkRisks(t, r.JSON())
		for _, i := range r.Items {
			if i.Printer == "R-1" {
				return i
			}
		}
		t.Fatalf("nothing about R-1 in %s", r.JSON())
		return assess.Risk{}
	}
	bare := one(at(13, 12, 0))
	if bare.Plate != "T-1" || bare.Material != "" || bare.Now.P < bare.Probed.P+0.02 {
		t.Errorf("not probed for: got %+v, want T-1, no material noted, and less to fear after probing", bare)
	}
	send(t, s, at(13, 12, 10), `{"kind":"probe","id":"next","printer":"R-1","probed_at":"2026-03-13T12:05:00Z"}`)
	probed := one(at(13, 12, 30))
	if probed.Now.P != probed.Probed.P || probed.Now.P != bare.Probed.P {
		t.Errorf("probed for the next start: got %g now, want the %g said before", probed.Now.P, bare.Probed.P)
	}
	if got := one(at(13, 12, 0)); got != bare {
		t.Errorf("as of before the probe: got %+v, want %+v", got, bare)
	}
	send(t, s, at(13, 12, 40), `{"kind":"cleaning","id":"next","plate":"T-1","cleaned_at":"2026-03-13T12:35:00Z","method":"wash"}`)
	if got := one(at(13, 12, 50)); got.Now.P != got.Both.P || got.Now.P != bare.Both.P {
		t.Errorf("washed as well: got %g, want %g", got.Now.P, bare.Both.P)
	}
	send(t, s, at(13, 13, 10), `{"kind":"fitting","id":"next","printer":"R-1","plate":"T-2","fitted_at":"2026-03-13T13:00:00Z"}`)
	if got := one(at(13, 13, 30)); got.Plate != "T-2" {
		t.Errorf("another plate fitted: got %q", got.Plate)
	}
}
