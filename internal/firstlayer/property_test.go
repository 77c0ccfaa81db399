package firstlayer_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/firstlayer"

	"pgregory.net/rapid"
)

// drawLayer is a first layer of any kind on a grid.
func drawLayer(t *rapid.T, name string, cols, rows int, readings bool) farm.FirstLayer {
	l := firstlayer.EmptyLayer()
	l.Printer, l.Plate = "P-001", "L-001"
	l.Grade = rapid.SampledFrom([]string{"", "clean", "cosmetic", "marginal", "failed"}).Draw(t, name+" grade")
	l.Material = rapid.SampledFrom([]string{"PLA", "PETG", "TPU", "ASA", "PA12"}).Draw(t, name+" material")
	zone := func(n string) farm.Zone {
		i := rapid.IntRange(0, cols*rows-1).Draw(t, name+n)
		return farm.Zone{Col: uint8(i % cols), Row: uint8(i / cols)}
	}
	seen := map[place]bool{}
	paint := func(m farm.Mark) {
		if p := (place{m.Zone, m.Mark}); !seen[p] {
			seen[p] = true
			l.Marks = append(l.Marks, m)
		}
	}
	// A mark in many zones, and a few anywhere.
	kinds := rapid.SampledFrom(farm.Marks)
	if rapid.IntRange(0, 2).Draw(t, name+" wide") == 0 {
		mark, severity := kinds.Draw(t, name+" wide mark"), uint8(rapid.IntRange(1, 3).Draw(t, name+" wide severity"))
		for z := range cols * rows {
			paint(farm.Mark{Zone: farm.Zone{Col: uint8(z % cols), Row: uint8(z / cols)}, Mark: mark, Severity: severity})
		}
	}
	for range rapid.IntRange(0, 5).Draw(t, name+" marks") {
		paint(farm.Mark{Zone: zone(" zone"), Mark: kinds.Draw(t, name+" mark"), Severity: uint8(rapid.IntRange(1, 3).Draw(t, name+" severity"))})
	}
	if readings {
		middle := rapid.Float64Range(0.10, 0.30).Draw(t, name+" gap")
		for range rapid.IntRange(1, 12).Draw(t, name+" readings") {
			l.Readings = append(l.Readings, farm.Reading{Zone: zone(" at"), MM: math.Round(1e3*(middle+rapid.Float64Range(-0.04, 0.04).Draw(t, name+" off"))) / 1e3, Patch: rapid.IntRange(0, 5).Draw(t, name+" patch") == 0})
		}
	}
	return l
}

type place struct {
	zone farm.Zone
	mark string
}

func drawCase(t *rapid.T) firstlayer.Case {
	c := firstlayer.NewCase()
	c.ZoneCols, c.ZoneRows = rapid.IntRange(1, 5).Draw(t, "cols"), rapid.IntRange(1, 5).Draw(t, "rows")
	c.BedXMM, c.BedYMM = 220, 250
	c.ZStepMM = rapid.SampledFrom([]float64{0.01, 0.02, 0.025, 0.05}).Draw(t, "step")
	c.Running = rapid.Bool().Draw(t, "running")
	c.Layer = drawLayer(t, "layer", c.ZoneCols, c.ZoneRows, rapid.IntRange(0, 2).Draw(t, "measured") == 0)
	tri, number := rapid.SampledFrom([]string{"", "yes", "no"}), rapid.SampledFrom([]float64{math.NaN(), 0, 1, 3, 5, 12, 40})
	x := &c.Context
	x.Skipped, x.Swapped, x.Serviced = tri.Draw(t, "skipped"), tri.Draw(t, "swapped"), tri.Draw(t, "serviced")
	x.PrintsSinceProbe, x.PrintsSinceClean = number.Draw(t, "since probe"), number.Draw(t, "since clean")
	x.Underside = rapid.SampledFrom([]string{"", "hidden", "shown"}).Draw(t, "underside")
	x.Surface = rapid.SampledFrom([]string{"", "pei_textured", "pei_smooth", "glass"}).Draw(t, "surface")
	x.WashedPlateAtHand = tri.Draw(t, "plate at hand")
	x.BedTempC, x.MinutesSincePrint = rapid.SampledFrom([]float64{math.NaN(), 22, 60}).Draw(t, "bed °C"), rapid.SampledFrom([]float64{math.NaN(), 5, 90}).Draw(t, "minutes")
	if rapid.IntRange(0, 3).Draw(t, "weighed") == 0 {
		x.PatchMassG, x.PatchAreaMM2, x.DensityGCM3 = rapid.Float64Range(0.4, 0.8).Draw(t, "mass"), 2500, 1.24
	}
	for range rapid.IntRange(0, 4).Draw(t, "earlier") {
		e := firstlayer.Earlier{Layer: drawLayer(t, "earlier", c.ZoneCols, c.ZoneRows, false), SamePrinter: tri.Draw(t, "same printer"), SamePlate: tri.Draw(t, "same plate"), Skipped: tri.Draw(t, "earlier skipped"), PrintsSinceClean: math.NaN()}
		if rapid.Bool().Draw(t, "again") {
			e.Layer = c.Layer
		}
		if rapid.Bool().Draw(t, "was advised") {
			e.Advised = rapid.SliceOfNDistinct(rapid.SampledFrom(firstlayer.Actions), 1, 3, rapid.ID[firstlayer.Action]).Draw(t, "advised")
		}
		x.Earlier = append(x.Earlier, e)
	}
	return c
}

// TestRulesHoldForAnyLayer draws layers of any kind, sensible or not: what the
// contract and the trade ask of every diagnosis holds for each.
func TestRulesHoldForAnyLayer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		a, err := firstlayer.Diagnose(&c)
		if err != nil {
			t.Fatal(err)
		}
		checkCauses(t, &c, &a)
		checkAdvice(t, &c, &a)
		b, err := firstlayer.Diagnose(&c)
		if err != nil || b.Causes[0] != a.Causes[0] || len(b.Advice) != len(a.Advice) {
			t.Fatalf("asked twice: %+v, then %+v", a, b)
		}
	})
}

func checkCauses(t *rapid.T, c *firstlayer.Case, a *firstlayer.Answer) {
	if len(a.Causes) == 0 || a.Because == "" || a.WouldChange == "" {
		t.Fatalf("nothing said: %+v", a)
	}
	if n := len(strings.Fields(a.Because)); n > 20 {
		t.Fatalf("because has %d words: %s", n, a.Because)
	}
	last, sum := 1.0, 0.0
	for i, r := range a.Causes {
		if r.Cause == firstlayer.CannotTell {
			if i > 0 || len(a.Causes) < 2 || a.Causes[1].Chance >= 0.5 || r.Sure != "cannot_tell" {
				t.Fatalf("cannot_tell stands wrong: %+v", a.Causes)
			}
			continue
		}
		if i == 0 && r.Chance < 0.5 {
			t.Fatalf("%s stands first with %g", r.Cause, r.Chance)
		}
		if want := map[bool]string{true: "clear"}[r.Chance >= 0.95]; want == "clear" != (r.Sure == "clear") || r.Chance >= 0.8 && r.Chance < 0.95 != (r.Sure == "likely") {
			t.Fatalf("%s with %g is said to be %s", r.Cause, r.Chance, r.Sure)
		}
		if r.Chance > last {
			t.Fatalf("not by chance: %+v", a.Causes)
		}
		last, sum = r.Chance, sum+r.Chance
		if r.Cause == firstlayer.Tilt && len(c.Layer.Readings) == 0 {
			again := false
			for _, e := range c.Context.Earlier {
				again = again || e.SamePrinter == "yes" && e.Skipped == "no"
			}
			if !again || c.Context.Skipped != "no" || c.Context.Swapped == "yes" || c.Context.Serviced == "yes" {
				t.Fatalf("a tilt from marks of one layer or an old probe: %+v", a.Causes)
			}
		}
	}
	if sum > 1+1e-9 {
		t.Fatalf("chances add up to %g", sum)
	}
}

func checkAdvice(t *rapid.T, c *firstlayer.Case, a *firstlayer.Answer) {
	// A plate is not used degreased where the material over-bonds on it.
	says := func(x firstlayer.Action) bool {
		return slices.ContainsFunc(a.Advice, func(y firstlayer.Advice) bool { return y.Action == x })
	}
	coated := slices.ContainsFunc(c.Context.Earlier, func(e firstlayer.Earlier) bool { return slices.Contains(e.Advised, firstlayer.Coat) })
	if bed.DefaultOverBonding().Threatens(c.Layer.Material, c.Context.Surface) && (says(firstlayer.Wash) || says(firstlayer.Wipe) || says(firstlayer.SwapPlate)) && !says(firstlayer.Coat) && !coated {
		t.Fatalf("no release layer before a degreased plate: %+v", a.Advice)
	}
	marked := map[string]bool{}
	for _, m := range c.Layer.Marks {
		marked[m.Mark] = true
	}
	passes := c.Layer.Grade != "failed" && c.Layer.Grade != "marginal"
	shown := c.Context.Underside == "shown"
	var actions []firstlayer.Action
	for i, x := range a.Advice {
		now := x.Action == firstlayer.LetRun || x.Action == firstlayer.Nudge || x.Action == firstlayer.Stop
		if now != (c.Running && i == 0) {
			t.Fatalf("%s stands at %d", x.Action, i)
		}
		if !now {
			if slices.Contains(actions, x.Action) {
				t.Fatalf("%s twice", x.Action)
			}
			actions = append(actions, x.Action)
		}
		if x.Do == "" {
			t.Fatalf("%s says nothing", x.Action)
		}
		moves := x.Action == firstlayer.MoveNozzle || x.Action == firstlayer.Nudge
		if moves == math.IsNaN(x.MoveMM) {
			t.Fatalf("%s moves %g", x.Action, x.MoveMM)
		}
		if n := x.MoveMM / c.ZStepMM; moves && (math.Abs(n-math.Round(n)) > 1e-6 || math.Round(n) == 0) {
			t.Fatalf("%g is no multiple of %g", x.MoveMM, c.ZStepMM)
		}
		if moves && !strings.Contains(x.Do, map[bool]string{true: "ozzle up", false: "ozzle down"}[x.MoveMM > 0]) {
			t.Fatalf("%q for %g", x.Do, x.MoveMM)
		}
		if x.MoveMM < 0 && (a.Causes[0].Cause == firstlayer.DirtyPlate || marked["contamination"] && len(c.Layer.Readings) == 0) {
			t.Fatalf("the nozzle is lowered onto a dirty plate: %+v", a)
		}
		if x.Action == firstlayer.Wipe && !(c.Context.BedTempC <= 35 && c.Context.MinutesSincePrint >= 30 && !c.Running) && !strings.Contains(x.Do, "off the machine") {
			t.Fatalf("a solvent on a bed that may be hot: %s", x.Do)
		}
	}
	has := func(x firstlayer.Action) bool { return slices.Contains(actions, x) }
	if len(actions) == 0 || has(firstlayer.Leave) && len(actions) > 1 {
		t.Fatalf("advice is %v", actions)
	}
	for _, x := range a.Advice {
		if x.MoveMM < 0 && (has(firstlayer.Wash) || has(firstlayer.Wipe)) {
			t.Fatalf("cleaned and lowered at once: %v", actions)
		}
	}
	order := []firstlayer.Action{firstlayer.SwapPlate, firstlayer.Wipe, firstlayer.Wash, firstlayer.Soak, firstlayer.Probe, firstlayer.Tram, firstlayer.MoveNozzle, firstlayer.CheckFeed}
	at := -1
	for _, x := range actions {
		if i := slices.Index(order, x); i >= 0 {
			if i < at {
				t.Fatalf("not in order: %v", actions)
			}
			at = i
		}
	}
	var advised [][]firstlayer.Action
	for _, e := range c.Context.Earlier {
		if len(e.Advised) > 0 {
			advised = append(advised, e.Advised)
		}
	}
	third := func(x firstlayer.Action) bool {
		n := len(advised)
		return n >= 2 && slices.Contains(advised[n-1], x) && slices.Contains(advised[n-2], x)
	}
	for _, x := range actions {
		if x != firstlayer.Leave && third(x) {
			t.Fatalf("%s a third time after %v", x, advised)
		}
	}
	if len(marked) == 1 && marked["contamination"] && passes && !shown && len(c.Layer.Readings) == 0 && !weighed(c) && !slices.Equal(actions, []firstlayer.Action{firstlayer.Leave}) {
		t.Fatalf("contamination alone: %v", actions)
	}
	if lowAndHigh(c.Layer.Marks) && len(c.Layer.Readings) == 0 {
		if !has(firstlayer.Probe) && !third(firstlayer.Probe) {
			t.Fatalf("high and low zones together: %v", actions)
		}
		for _, x := range a.Advice {
			if !math.IsNaN(x.MoveMM) {
				t.Fatalf("high and low zones together: %s", x.Action)
			}
		}
	}
	if (marked["blobs"] || marked["dragged"]) && !marked["moisture"] && has(firstlayer.DryFilament) && !third(firstlayer.CheckFeed) {
		t.Fatalf("lumps and drags are grip or height before moisture: %v", actions)
	}
}

func weighed(c *firstlayer.Case) bool { return !math.IsNaN(c.Context.PatchMassG) }

// lowAndHigh tells whether some zones show low and others high.
func lowAndHigh(marks []farm.Mark) bool {
	low, high := map[farm.Zone]bool{}, map[farm.Zone]bool{}
	for _, m := range marks {
		switch m.Mark {
		case "nozzle_low":
			low[m.Zone] = true
		case "nozzle_high":
			high[m.Zone] = true
		}
	}
	only := func(a, b map[farm.Zone]bool) bool {
		for z := range a {
			if !b[z] {
				return true
			}
		}
		return false
	}
	return only(low, high) && only(high, low)
}
