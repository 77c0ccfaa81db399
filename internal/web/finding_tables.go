package web

import (
	"fmt"
	"math"
	"sort"

	"basecourse/internal/stats"
	"basecourse/views"
)

var probeCellWords = map[string]string{
	"valid": "Probed, nothing since", "skipped": "No probe since the last start",
	"void": "Probed, then swapped or serviced", "unknown": "No record",
}

// probeTables gives the two groups compared, and by themselves the layers in
// neither: probed and then swapped or serviced, and those nobody knows of.
func probeTables(e *Evidence) (compared, apart views.Table) {
	compared = views.Table{Caption: "Failed first layers by probe", Sub: tableSub(e), Columns: countColumns("Probe")}
	apart = views.Table{Caption: "By themselves", Sub: "not compared", Columns: countColumns("Probe")}
	for _, c := range e.Cells {
		switch {
		case c.Code == "valid" || c.Code == "skipped":
			compared.Rows = append(compared.Rows, countRow(wordFor(probeCellWords, c.Code), c))
		case c.Started > 0:
			apart.Rows = append(apart.Rows, countRow(wordFor(probeCellWords, c.Code), c))
		}
	}
	return compared, apart
}

// gapTable counts by bands of the gap; where there is an adjusted curve, what it
// says at the middle of each band stands beside.
func gapTable(e *Evidence) views.Table {
	t := views.Table{Caption: "Failed first layers by prints since the plate was cleaned", Sub: tableSub(e), Columns: countColumns("Prints since cleaned")}
	if len(e.Curve) > 0 {
		t.Columns = append(t.Columns, views.Column{Word: "Adjusted, of 100", Number: true})
	}
	for _, c := range e.Cells {
		word := bandWords(c)
		if c.Code == "unknown" {
			if c.Started == 0 {
				continue
			}
			word = "No record"
		}
		row := countRow(word, c)
		if len(e.Curve) > 0 {
			row.Cells = append(row.Cells, views.Cell{Text: adjustedAt(e, c)})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// adjustedAt reads the adjusted curve at the mean gap of a band's graded layers.
func adjustedAt(e *Evidence, c EvidenceCell) string {
	if math.IsNaN(c.Mean) {
		return "–"
	}
	at := e.Curve[0]
	for _, p := range e.Curve {
		if math.Abs(float64(p.Gap)-c.Mean) < math.Abs(float64(at.Gap)-c.Mean) {
			at = p
		}
	}
	return perHundredRange(at.At, at.Low, at.High)
}

func tableSub(e *Evidence) string {
	return fmt.Sprintf("%s, %s", e.Subject, coverage(e.Graded, e.Starts))
}

func countColumns(first string) []views.Column {
	return []views.Column{{Word: first}, {Word: "Failed", Number: true, Wide: true}, {Word: "Good", Number: true, Wide: true}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}}
}

func countRow(word string, c EvidenceCell) views.Row {
	w := stats.Wilson(c.Failures, c.Graded, 0.95)
	of, how := rateWords(c.Failures, c.Graded, w.Low, w.High)
	return views.Row{Cells: []views.Cell{{Text: word}, {Text: count(c.Failures)}, {Text: count(c.Graded - c.Failures)},
		{Text: of, Note: how}, {Text: count(c.Graded) + " of " + count(c.Started)}}}
}

func estimateTable(e *Evidence) views.Table {
	if math.IsNaN(e.Plain) && math.IsNaN(e.Avoidable) && e.Lot == nil {
		return views.Table{}
	}
	what := "without a probe minus with a valid one"
	if e.Cause == "cleaning_gap" {
		what = "long gaps minus short ones"
	}
	t := views.Table{Caption: "Failures per 100 layers", Sub: "likely range in brackets", Columns: []views.Column{{Word: "Figure"}, {Word: "Plain, as counted", Number: true}, {Word: "Adjusted", Number: true}}}
	t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: "Difference, " + what}, {Text: perHundredRange(e.Plain, e.PlainLow, e.PlainHigh)}, {Text: "–"}}})
	t.Rows = append(t.Rows, views.Row{Strong: true, Cells: []views.Cell{{Text: "Avoidable of all its layers"}, {Text: plainAvoidable(e)}, {Text: perHundredRange(e.Avoidable, e.AvoidableLow, e.AvoidableHigh)}}})
	if !math.IsNaN(e.OddsRatio) {
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: oddsWords(e.Cause)}, {Text: "–"}, {Text: rangeWords(e.OddsRatio, e.OddsLow, e.OddsHigh)}}})
	}
	if e.Lot != nil {
		lotColumn(&t, e)
	}
	return t
}

// lotColumn puts what the lot shows beside what was observed.
func lotColumn(t *views.Table, e *Evidence) {
	t.Columns = append(t.Columns, views.Column{Word: "Drawn by lot", Number: true})
	for i := range t.Rows {
		cell := views.Cell{Text: "–"}
		if i == 0 {
			cell.Text = perHundredRange(e.Lot.Spared, e.Lot.Low, e.Lot.High)
		}
		t.Rows[i].Cells = append(t.Rows[i].Cells, cell)
	}
}

// lotFacts say what was drawn and what came of it.
func lotFacts(e *Evidence) []views.Fact {
	l := e.Lot
	if l == nil {
		return nil
	}
	task := "wipe"
	if e.Cause == "skipped_probing" {
		task = "probe"
	}
	note := fmt.Sprintf("%d of %d failed where the lot said %s, %d of %d where it said leave", l.DoFailed, l.Do, task, l.LeaveFailed, l.Leave)
	switch {
	case math.IsNaN(l.Spared):
		note += "; too few yet to tell"
	case !l.Alone:
		note += "; few, so drawn towards what the farm's other draws show"
	}
	facts := []views.Fact{{Word: "Drawn by lot", Value: counted(l.Draws, "start", "starts") + ", " + count(l.Graded) + " graded", Note: note}}
	if !math.IsNaN(l.DoneLow) {
		facts = append(facts, views.Fact{Word: "Where it was followed", Value: perHundredRange(l.Done, l.DoneLow, l.DoneHigh) + " of 100 spared", Note: "the lot changed what was done in " + figure(l.Followed) + " of 100"})
	}
	return facts
}

func oddsWords(cause string) string {
	if cause == "cleaning_gap" {
		return "Odds of failing, times, for each doubling of the gap"
	}
	return "Odds of failing without a probe, times"
}

// plainAvoidable is the plain difference spread over all layers compared.
func plainAvoidable(e *Evidence) string {
	if math.IsNaN(e.Plain) || e.N == 0 {
		return "–"
	}
	return perHundred(e.Plain * float64(e.NExposed) / float64(e.N))
}

// marksTable lists marks among failures beside the same marks among good
// layers, most frequent among failures first.
func marksTable(e *Evidence) (views.Table, string) {
	if len(e.Marks) == 0 {
		return views.Table{}, ""
	}
	list := append([]MarkCount(nil), e.Marks...)
	sort.SliceStable(list, func(i, j int) bool { return list[i].Failed > list[j].Failed })
	t := views.Table{
		Caption: "Layers that show each mark",
		Sub:     fmt.Sprintf("%s and %s", counted(e.FailedLayers, "failed layer", "failed layers"), counted(e.GoodLayers, "good layer", "good layers")),
		Columns: []views.Column{{Word: "Mark"}, {Word: "Of failed", Number: true}, {Word: "Of good", Number: true}},
	}
	for _, m := range list {
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: wordFor(markWords, m.Mark)},
			{Text: count(m.Failed) + " of " + count(e.FailedLayers)}, {Text: count(m.Good) + " of " + count(e.GoodLayers)}}})
	}
	line := "Over- and under-squish point at height: probe or tram. Blobs, dragged lines and contamination point at grip: clean."
	return t, line
}
