package views

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

// gradeSamples are the states of the pages of grading; text stands wherever
// somebody may have typed.
func gradeSamples(text string) map[string]templ.Component {
	bed := Bed{Cols: 2, Rows: [][]BedZone{
		{{Code: "A2", Place: "back left", Marks: []BedMark{{"nozzle_low", "Over-squished, clear", "2"}, {"blobs", "Blobs, slight", "1"}}}, {Code: "B2", Place: "back right", Bare: true}},
		{{Code: "A1", Place: "front left"}, {Code: "B1", Place: "front right", Marks: []BedMark{{"lifting", "Corner lift, strong", "3"}}}}}}
	choice := Field{Name: "grade", Label: "Grade", Kind: "choice", Options: []Option{{"cosmetic", "Cosmetic", "visible, the part still ships", false}, {"failed", "Failed", "stopped", true}}, Wrong: text}
	page := GradePage{Shell: sampleShell("Grade P-014", "/grade"), Crumbs: []Fact{{Value: "Grade", Href: "/grade"}}, Printer: text, PlateTag: text, Start: "Started 20 min ago.", Others: []Link{{text, "/grade/P-014?start=1", false}},
		Action: "/grade/P-014", Script: "/static/grade.js", Hidden: []Fact{{Word: "marks", Value: text}, {Word: "bare", Value: "B2"}}, Plate: text, PlateHow: "wiped 5 prints ago",
		Fields: []Field{{Name: "plate", Label: "Plate", Value: text, Wrong: text}, {Name: "move", Label: text, Kind: "check", Value: text}}, Change: true, Probe: "No probe since the last start.",
		Probed: []Field{{Name: "probed", Label: "Probed before this start?", Kind: "choice", Options: []Option{{"yes", "I did probe", "", false}}}}, Quick: true,
		Brushes: []Brush{{"nozzle_low", "Over-squished (nozzle low)", "Over-squished", "ridges", "o", true}}, More: []Brush{{"not_printed", "Nothing printed here", "nothing printed", "", "n", false}},
		Bed: bed, Grade: choice, Seen: Field{Name: "seen_from", Label: "Looked at from", Kind: "choice", Options: []Option{{"underside", "Its underside", "", true}}},
		After:    []Field{{Name: "nudge", Label: "Nudged", Kind: "number", Unit: "mm", Value: text}},
		Readings: ReadingsPart{Open: true, Sort: Field{Name: "readings_are", Label: "They were taken on", Kind: "choice"}, Rows: [][]Field{{{Name: "r-A1", Label: "A1", Value: text, Wrong: text}}}, Instrument: Field{Name: "instrument", Label: "Measured with", Value: text}},
		Rest:     []Field{{Name: "note", Label: "Note", Kind: "area", Value: text}}, Person: Field{Name: "person", Label: "Graded by", Kind: "fixed", Value: text}, Submit: "Save grade"}
	refused := page
	refused.Problems, refused.Notice = []FormProblem{{"grade", text}, {"", text}}, text
	correct := page
	correct.Quick, correct.Submit, correct.Own = false, "Save correction", []Field{{Name: "when", Label: "Started", Kind: "when", Value: "2026-03-09T14:02"}}
	correct.Reason = []Field{{Name: "reason", Label: "Why it is corrected", Kind: "area", Value: text}}
	unknownPlate := GradePage{Shell: sampleShell("Grade P-015", "/grade"), Printer: "P-015", Action: "/grade/P-015", Bed: Bed{Cols: 1, Rows: [][]BedZone{{{Code: "A1", Place: "centre"}}}}, Grade: choice, Submit: "Save grade"}
	list := GradeListPage{Shell: sampleShell("Grade", "/grade"), Lead: "2 starts wait on 1 printer.", Find: "/grade", Suggest: []string{text}, Problem: text, Typed: text,
		Groups: []WaitingGroup{{"bay-1", text, []WaitingRow{{Printer: text, Held: text, Starts: []WaitingLink{{"/grade/P-014?start=1", "13:40", "2026-03-09T11:40:00Z", "20 min ago", text}}}}}}, Left: "Printers 1 to 60 of 70.",
		Pager: Pager{Plain: true, Older: "/grade?page=2"}, Recent: []RecentEntry{{When: "14:02", ISO: "2026-03-09T12:02:00Z", By: text, What: "Clean layer", Things: []Fact{{Value: text, Href: "/first-layers/1"}}, Undo: "/upkeep/undo?entry=7"}}}
	zones := ZoneMap{"Marks by zone", [][]ZoneCell{{{"A1", "front left", []string{text}, true, true, "blobs"}}}}
	layer := FirstLayerPage{Shell: sampleShell("First layer on P-014", "/grade"), ID: "1", Printer: text, Plate: text, State: State{"failed", "Failed", "square", "act"}, When: "started 2026-03-09 13:40", Crumbs: []Fact{{Value: text, Href: "/printers/P-014"}},
		Saved: SavedLine{Words: text, Undo: "/upkeep/undo", Entry: "7", Next: "/grade"}, Next: []Link{{"Next: grade P-015", "/grade/P-015", true}, {"Correct it", "/first-layers/1/correct", false}},
		Started: []string{"Started 14 prints after the last probe.", text}, Maps: []FrameMap{{"printer", "By printer: bed of P-014", "", zones}, {"plate", "By plate: L-203", text, zones}}, Facts: []Fact{{Word: "Note", Value: text}},
		History: []Event{{When: "2026-03-09 14:02", ISO: "2026-03-09T12:02:00Z", What: "Graded", With: text, Kind: "change"}}, Previous: "/first-layers/0", Following: "/first-layers/2"}
	voided := layer
	voided.Voided, voided.Instead, voided.Saved, voided.Next = text, "/first-layers/3", SavedLine{}, nil
	advised := FirstLayerPage{Shell: sampleShell("First layer on P-014", "/grade"), ID: "1", Printer: "P-014", Advice: LayerAdvice{Tone: "act", Safety: []string{text}, Now: text, NowWhy: text, Do: text, Action: "swap_plate",
		Because: text, Sure: "clear.", Change: text, Then: []AdviceStep{{"probe", text, "/first-layers/1/done", DoneTap{Proof: text}}, {"tram", text, "/first-layers/1/done", DoneTap{"/first-layers/1/done", []Fact{{Word: "id", Value: "x"}}, text, text, text}}}, Causes: []AdviceCause{{"dirty_plate", text, "clear", text, text}}}, Tap: DoneTap{"/first-layers/1/done", []Fact{{Word: "id", Value: "x"}}, text, text, text}}
	return map[string]templ.Component{
		"grade-page": Grade(page), "grade-refused": Grade(refused), "grade-correct": Grade(correct), "grade-no-plate": Grade(unknownPlate), "grade-list": GradeList(list),
		"grade-list-empty": GradeList(GradeListPage{Shell: sampleShell("Grade", "/grade"), Lead: "A good layer is two taps.", Find: "/grade", Empty: "No start waits."}),
		"layer-page":       FirstLayer(layer), "layer-voided": FirstLayer(voided), "layer-advised": FirstLayer(advised), "layer-advice-leave": LayerAdviceCard(LayerAdvice{Do: "Leave it.", Action: "leave"}),
	}
}

func TestHostileTextIsEscapedWhileGrading(t *testing.T) {
	const evil = `"></textarea></option><script>alert(1)</script>`
	for name, component := range gradeSamples(evil) {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") || strings.Contains(buf.String(), evil) {
			t.Errorf("%s: what was typed reached the page as markup", name)
		}
	}
}
