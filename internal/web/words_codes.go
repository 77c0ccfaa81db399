package web

import (
	"strings"

	"basecourse/internal/farm"
	"basecourse/views"
)

// The words people read for stored codes. A code that is not here is shown as
// it is stored, with blanks for underscores, so that nothing is ever hidden.

var gradeStates = map[string]views.State{
	"clean":    {Code: "clean", Word: "Clean layer"},
	"cosmetic": {Code: "cosmetic", Word: "Cosmetic", Sign: "ring"},
	"marginal": {Code: "marginal", Word: "Marginal", Sign: "half", Tone: "soon"},
	"failed":   {Code: "failed", Word: "Failed", Sign: "square", Tone: "act"},
	"":         {Code: "", Word: "Not graded", Sign: "dots"},
}

var evidenceStates = map[string]views.State{
	"raised":          {Code: "raised", Word: "Raised", Sign: "hexagon", Tone: "act"},
	"watching":        {Code: "watching", Word: "Watching", Sign: "half", Tone: "soon"},
	"quiet":           {Code: "quiet", Word: "Quiet"},
	"too_little_data": {Code: "too_little_data", Word: "Too little data", Sign: "dots"},
}

var caseWords = map[string]string{
	"suspected": "Suspected", "on_test": "On test", "upheld": "Upheld", "not_upheld": "Not upheld", "closed": "Closed",
}

// testedWords are what a planned test draws, as something done before a start.
var testedWords = map[string]string{"probe": "probing", "wipe": "wiping the plate", "swap_plate": "a washed plate", "turn_plate": "turning the plate"}

var markWords = map[string]string{
	"nozzle_low": "Over-squished (nozzle low)", "nozzle_high": "Under-squished (nozzle high)", "blobs": "Blobs",
	"dragged": "Dragged lines", "contamination": "Contamination marks", "lifting": "Corner lift",
	"no_start": "No start", "under_fed": "Under-fed", "over_fed": "Over-fed", "striping": "Striping", "moisture": "Moisture",
	"plate_mark": "Plate mark", "debris": "Debris", "other": "Something else",
}

var severityWords = map[uint8]string{1: "slight", 2: "clear", 3: "strong"}

var surfaceWords = map[string]string{
	"pei_textured": "PEI, textured", "pei_smooth": "PEI, smooth", "glass": "glass", "garolite": "garolite",
	"polypropylene": "polypropylene", "other": "other",
}

var methodWords = map[string]string{"wipe": "Wiped", "wash": "Washed", "deep": "Washed deep", "coat": "Coated"}

var workWords = map[string]string{"nozzle": "nozzle", "moved": "machine moved", "bed": "bed work", "other": "other work"}

var plateStateStates = map[string]views.State{
	"in_use":    {Code: "in_use", Word: "In use"},
	"in_wash":   {Code: "in_wash", Word: "In wash", Sign: "tray"},
	"set_aside": {Code: "set_aside", Word: "Set aside", Sign: "tray", Tone: "soon"},
	"retired":   {Code: "retired", Word: "Retired", Sign: "dashed"},
}

var outcomeWords = map[string]string{
	"finished": "finished", "restarted": "restarted", "detached": "came off the plate", "stopped": "stopped", "scrapped": "scrapped", "unseen": "taken off, not seen",
}

var skipReasonWords = map[string]string{
	"hurry": "in a hurry", "trusted": "the last probe was trusted", "short_job": "short job", "broken": "probe broken",
	"told_to": "told to", "drawn_by_lot": "drawn by lot", "other": "other reason",
}

// taskNouns are tasks of upkeep as nouns.
var taskNouns = map[string]string{"swap_plate": "Swap of the plate", "wipe": "Wipe", "wash": "Wash", "deep": "Deep wash", "coat": "Coating", "probe": "Probe", "soak": "Heat soak", "check": "Check"}

// skippedTaskWords say a task that was left out, taskSkipWords why.
var skippedTaskWords = map[string]string{"swap_plate": "Swap skipped", "wipe": "Wipe skipped", "wash": "Wash skipped", "deep": "Deep wash skipped",
	"coat": "Coating skipped", "soak": "Heat soak skipped", "check": "Check skipped"}

var taskSkipWords = map[string]string{
	"hurry": "in a hurry", "trusted": "looked good enough", "short_job": "short job", "broken": "what it takes is broken or missing",
	"told_to": "told to", "drawn_by_lot": "drawn by lot", "other": "other reason",
}

// drawnTaskWords say a task of a draw, drawArmWords what the lot had.
var drawnTaskWords = map[string]string{"probe": "probe", "wipe": "wipe", "swap_plate": "swap the plate", "turn_plate": "turn the plate"}

var drawArmWords = map[string]string{"do": "do it", "leave": "leave it"}

// drawWords say a draw: what the lot had and the chance of it.
func drawWords(task, arm string, chance *float64) string {
	words := wordFor(drawnTaskWords, task) + ": " + wordFor(drawArmWords, arm)
	if chance == nil {
		return words
	}
	c := *chance
	if arm == "leave" {
		c = 1 - c
	}
	return words + ", chance " + percent(c)
}

// drawWhy says what a draw was made for.
func drawWhy(why string) string {
	if why == farm.DrawnLot {
		return "standing lot"
	}
	return "planned test " + why
}

var roleWords = map[string]string{"operator": "operator", "manager": "manager", "admin": "admin", "tablet": "tablet"}

// causeWord says what the failures go with.
var causeWords = map[string]string{"skipped_probing": "skipped probing", "cleaning_gap": "long cleaning gaps"}

// wordFor looks a code up, or shows it plainly.
func wordFor(words map[string]string, code string) string {
	if w, ok := words[code]; ok {
		return w
	}
	return strings.ReplaceAll(code, "_", " ")
}

// stateFor looks a state up, or shows its code plainly.
func stateFor(states map[string]views.State, code string) views.State {
	if s, ok := states[code]; ok {
		return s
	}
	return views.State{Code: code, Word: sentenceCase(code)}
}

func sentenceCase(code string) string {
	return strings.TrimSuffix(sentence(strings.ReplaceAll(code, "_", " ")), ".")
}

// zonePlace says where a zone of a grid lies, seen from the front and above:
// "front left", "middle centre".
func zonePlace(col, row, cols, rows int) string {
	depth := third(row, rows, "front", "middle", "back")
	side := third(col, cols, "left", "centre", "right")
	if depth == "middle" && side == "centre" {
		return "centre"
	}
	return depth + " " + side
}

func third(i, n int, first, middle, last string) string {
	switch {
	case n <= 1:
		return middle
	case 3*i < n:
		return first
	case 3*(i+1) > 2*n:
		return last
	default:
		return middle
	}
}

// zoneCode writes A1 for column 0, row 0.
func zoneCode(col, row int) string {
	return string(rune('A'+col)) + string(rune('1'+row))
}
