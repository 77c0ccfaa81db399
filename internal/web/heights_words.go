package web

import (
	"math"
	"strings"

	"basecourse/internal/assess"
	"basecourse/internal/bed"
	"basecourse/views"
)

// onPlate is how a plate lies: its tag and the side that is up, "" not said.
type onPlate struct{ tag, side string }

// words names the plate, with its side where that is known: "L-203 B".
func (p onPlate) words() string { return strings.TrimSpace(p.tag + " " + strings.ToUpper(p.side)) }

// awayWords says a size and which way it goes: "0.03 mm thicker", "0.02 mm down";
// none for what rounds to nothing.
func awayWords(x float64, more, less string) string {
	s := mm(math.Abs(x))
	switch {
	case math.Abs(x) < 0.005:
		return s
	case x > 0:
		return s + " " + more
	}
	return s + " " + less
}

// between says an interval whose ends may lie on both sides of nothing: "0.02
// to 0.04 mm up", "0.01 mm down to 0.02 mm up".
func between(low, high float64, more, less string) string {
	switch unit := thin + "mm"; {
	case awayWords(low, more, less) == awayWords(high, more, less):
		return awayWords(low, more, less)
	case low >= 0.005:
		return strings.TrimSuffix(mm(low), unit) + " to " + awayWords(high, more, less)
	case high <= -0.005:
		return strings.TrimSuffix(mm(-high), unit) + " to " + awayWords(low, more, less)
	}
	return awayWords(low, more, less) + " to " + awayWords(high, more, less)
}

// aboutMM says a size that may be too small for two decimals.
func aboutMM(x float64) string {
	if x < 0.005 {
		return "less than 0.01" + thin + "mm"
	}
	return "about " + mm(x)
}

// expectWords says the nozzle move to expect for a pair, or why nothing is
// expected; told is false for the latter.
func expectWords(h *assess.HeightBook, printer string, plate onPlate) (words string, told bool) {
	m, why := h.Expect(printer, plate.tag, plate.side)
	if why != "" {
		return whyNotExpected(why, printer, plate.tag), false
	}
	step := h.Printers[h.PrinterNumber(printer)].ZStepMM
	move := math.Round(m.MM/step) * step
	likely := ", likely " + between(m.LowMM, m.HighMM, "up", "down") + "."
	words = plate.words() + " on " + printer + ": "
	switch {
	case m.LowMM <= 0 && m.HighMM >= 0 && m.HighMM-m.LowMM > 0.06:
		words += "cannot tell the nozzle move yet" + likely + " Measure a single line in each zone."
	case move == 0 || m.LowMM <= 0 && m.HighMM >= 0:
		words += "leave the nozzle where it is" + likely
	default:
		words += "expect " + lowerFirst(bed.MoveWords(move, step)) + likely
	}
	if !m.Tried {
		words += " Worked out from other pairs: this one was never measured."
	}
	return words, true
}

func whyNotExpected(why, printer, plate string) string {
	switch why {
	case assess.HeightZeroOnPlate:
		return printer + " takes its zero from the plate that lies on it, so a plate’s thickness makes no difference there: no move to expect."
	case assess.HeightZeroNotSaid:
		return "No move can be told for " + printer + ": it is not said where it takes its zero from. A manager can say it in Setup."
	case assess.HeightNotMeasured:
		return "No move can be told for " + printer + ": no layer measured on it yet."
	case assess.HeightPlateUnknown:
		return "No move can be told for " + plate + ": no layer measured on it yet, on a printer whose zero is the frame."
	case assess.HeightApart:
		return "No move can be told for " + plate + " on " + printer + ": both were measured, but no chain of plates and printers connects them. Measure one plate of the one on the other."
	}
	return ""
}

// differWords says how much thicker one plate is than another and what that
// means for the nozzle; "" where it cannot be told.
func differWords(h *assess.HeightBook, plate, than onPlate, stepMM float64) string {
	d, ok := h.Differ(plate.tag, plate.side, than.tag, than.side)
	if !ok {
		return ""
	}
	likely := between(d.LowMM, d.HighMM, "thicker", "thinner")
	if !d.Clear() || math.Abs(d.MM) < 0.005 {
		return plate.words() + " and " + than.words() + " are equally thick as far as can be told (" + likely + ")."
	}
	words := plate.words() + " is " + awayWords(d.MM, "thicker", "thinner") + " than " + than.words() + " (likely " + likely + ")"
	if move := math.Round(d.MM/stepMM) * stepMM; move != 0 {
		words += ": " + moveWords(0, move)
	}
	return words + "."
}

// swapWords says what a swap changes: the difference of the plates, and the move
// to expect. was is the plate before; its tag "" where none is known.
func swapWords(h *assess.HeightBook, printer string, plate, was onPlate) string {
	if h == nil || h.Framed == 0 {
		return ""
	}
	words, told := expectWords(h, printer, plate)
	if told && was.tag != "" && was != plate {
		words = strings.TrimSpace(differWords(h, plate, was, h.Printers[h.PrinterNumber(printer)].ZStepMM) + " " + words)
	}
	return words
}

// sideName is a side in a table.
func sideName(side byte) string {
	if side == 0 {
		return "not said"
	}
	return strings.ToUpper(string(rune(side)))
}

// thicknessCells are what is known of a plate side: against the mean, interval.
func thicknessCells(s bed.PlateSide) []views.Cell {
	if s.Alone {
		return []views.Cell{{Text: "–", Note: "the only one of its group"}, {Text: "–"}}
	}
	return []views.Cell{{Text: awayWords(s.MM, "thicker", "thinner")}, {Text: between(s.LowMM, s.HighMM, "thicker", "thinner")}}
}
