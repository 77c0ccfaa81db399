package web

import (
	"time"

	"basecourse/internal/assess"
)

// sheetTestWords say where a planned test stood as of a sheet.
var sheetTestWords = map[string]string{"running": "running", "shown": "over: a difference is shown", "not_shown": "over: no difference is shown", "too_little": "ended before its size: too little to tell"}

// sheetLots says what lots told of the question: where a lot decided, nothing else did.
func sheetLots(x *assess.Sheet, zone *time.Location) reportPart {
	p := reportPart{id: "drawn_by_lot", title: "Drawn by lot", empty: "No start of the window was drawn by lot, and there is no planned test.",
		columns: []reportColumn{{"what", "What", false}, {"test", "", false}, {"standing", "Standing", false}, {"drawn", "Starts", true}, {"done", "Failed, drawn to be done", false}, {"done_failures", "", true}, {"done_graded", "", true},
			{"left", "Failed, drawn to be left", false}, {"left_failures", "", true}, {"left_graded", "", true}, {"spared", "Doing it spared, of 100", false}, {"low", "", true}, {"high", "", true}, {"p_value", "", true}}}
	row := func(what, test, standing, code string, drawn int, done, left assess.SheetArm, spared, low, high float64, p2 any) {
		p.rows = append(p.rows, []reportCell{inWords(what), {value: test}, {text: standing, value: code}, told(drawn), {text: ofWords(done.Failures, done.Graded)}, {value: done.Failures}, {value: done.Graded},
			{text: ofWords(left.Failures, left.Graded)}, {value: left.Failures}, {value: left.Graded}, {text: perHundredRange(spared, low, high), value: finite(spared)}, {value: finite(low)}, {value: finite(high)}, {value: p2}})
	}
	if d := x.Lots.Starts; d != nil {
		standing, code := "by its own draws", "own"
		if !d.Alone {
			standing, code = "few: drawn towards the farm’s other draws", "towards_farm"
		}
		row("Starts of the window", "", standing, code, d.Drawn, d.Done, d.Left, float64(d.Spared), float64(d.Low), float64(d.High), nil)
	}
	for _, t := range x.Lots.Tests {
		row("Planned test: "+wordFor(testedWords, t.Task)+", begun "+clock(t.Begun.Time(), zone), t.Test, sheetTestWords[t.Standing], t.Standing, t.Drawn, t.Done, t.Left, float64(t.Spared), float64(t.Low), float64(t.High), finite(float64(t.P)))
		if t.Standing == "running" {
			p.after = append(p.after, "The test runs: "+count(t.Done.Graded+t.Left.Graded)+" of "+counted(t.Size, "graded start", "graded starts")+". Its figures may still change; the test’s own page says when it may be ended.")
		}
	}
	if len(p.rows) > 0 {
		p.after = append([]string{"Counted as drawn, whoever followed. What a lot decides cannot go with anything else, so that only these figures tell what leaving it causes."}, p.after...)
	}
	return p
}
