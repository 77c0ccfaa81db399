package views

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

// handSamples are the states of the pages of logging by hand.
func handSamples(text string) map[string]templ.Component {
	plate := CareRow{Kind: "plate", Tag: text, State: hold, Act: ActLink{"Cleaning", "/upkeep/clean?plate=L-203"},
		Cells: []Cell{{text, "PEI, textured", "/plates/L-203"}, {"12", "", ""}, {text, "2026-03-06 13:01", ""}, {"P-014, Bay 2", "", "/printers/P-014"}}}
	list := CareList{Title: "Plates by prints since they were cleaned", Sub: "Most prints first.", Count: "1 to 25 of 27",
		Columns: []Column{{Word: "Plate"}, {Word: "Prints since", Number: true}, {Word: "Cleaned"}, {Word: "Where", Wide: true}}, Rows: []CareRow{plate},
		Choose: []ActLink{{"Log cleaning of the chosen", "/upkeep/clean"}, {"Say where the chosen go", "/upkeep/state"}}, Pager: Pager{Older: "/upkeep?page=2"}}
	holds := CareList{Title: "Holds in force", Columns: []Column{{Word: "On hold"}}, Rows: []CareRow{{Kind: "printer", Tag: text, Cells: []Cell{{text, "printer", "/printers/P-014"}}, Act: ActLink{"Release", "/upkeep/release"}}}}
	entries := []RecentEntry{
		{When: "2026-03-09 14:02", ISO: "2026-03-09T12:02:00Z", By: text, What: "Wiped", Things: []Fact{{Value: text, Href: "/plates/L-203"}, {Value: "and 3 more"}}, With: text, Late: "2026-03-08 09:00", Undo: "/upkeep/undo?entry=7"},
		{When: "2026-03-09 13:02", ISO: "2026-03-09T11:02:00Z", By: text, What: "Held", Things: []Fact{{Value: text, Href: "/printers/P-014"}}, Undone: true},
	}
	options := []Option{{"wipe", text, "with a cloth", true}, {"wash", "Washed", "", false}}
	fields := []Field{
		{Name: "plates", Label: "Plates", Kind: "area", Value: text + "\nL-204", Hint: text, Wrong: text},
		{Name: "method", Label: "How", Kind: "choice", Options: options, Wrong: text},
		{Name: "side", Label: "Side", Kind: "choice", Options: options, Optional: true},
		{Name: "temp", Label: "Bed temperature", Kind: "number", Unit: "°C", Value: text, Optional: true, Wrong: text},
		{Name: "agent", Label: "With what", Value: text, Suggest: []string{text}, Longest: 200, Optional: true},
		{Name: "bay", Label: "Bay", Kind: "select", Options: options, Add: "Add to the list"},
		{Name: "sure", Label: text, Kind: "check", Value: text},
		{Name: "when", Label: "When", Kind: "when", Value: "2026-03-09T14:02", Max: "2026-03-09T14:03", Hint: "In the farm's time."},
		{Name: "person", Label: "Done by", Kind: "fixed", Value: text, Hint: text},
	}
	form := FormPage{Shell: sampleShell("Log a cleaning", "/upkeep"), Crumb: "/upkeep", Action: "/upkeep/clean", Lead: text, Caution: text, Notice: text, After: ActLink{text, "/upkeep"},
		Problems: []FormProblem{{"plates", text}, {"", text}}, Hidden: []Fact{{Word: "id", Value: text}}, Fields: fields, Adders: fields[4:6], More: fields[3:4], MoreOpen: true,
		Submit: text, Look: "Look at the mesh first", Preview: MeshMap{ID: "preview", Title: text, Rows: [][]MeshCell{{{Place: text, Word: "0.02", Sign: "▲", Level: 1}}}}}
	hold := FormPage{Shell: sampleShell("Hold P-014", "/upkeep"), Crumb: "/upkeep", Action: "/upkeep/hold", Fields: fields[7:], Submit: "Hold P-014", Danger: true}
	undo := UndoPage{Shell: sampleShell("Undo an entry", "/upkeep"), Crumb: "/upkeep", Entry: entries[0], Form: FormPage{Action: "/upkeep/undo", Fields: fields[:1], Submit: "Undo this entry"}}
	closed := undo
	closed.Closed = text
	return map[string]templ.Component{
		"upkeep-page": Upkeep(UpkeepPage{Shell: sampleShell("Upkeep", "/upkeep"), Lead: text, Acts: []ActLink{{text, "/upkeep/clean"}}, Filters: []FilterRow{{"Show", []FilterLink{{text, "2", "/upkeep", true}}}},
			List: list, Recent: entries, All: "/upkeep/recent"}),
		"upkeep-due": Upkeep(UpkeepPage{Shell: sampleShell("Upkeep", "/upkeep"), Lead: text, Due: &DueList{Title: "Due now", Count: "1 to 50 of 61", Sub: text, Notice: text, Caution: text, Left: text, LeftTo: ActLink{text, "/upkeep?list=holds"}, Drawn: []DrawnRow{{Printer: text, Href: "/printers/P-1", Arm: "leave", Says: text, Test: "/tests/1"}}, More: text,
			Action: "/upkeep/due", Hidden: []Fact{{Word: "id", Value: text}}, Batch: "Log ticked as done", Pager: Pager{Older: "/upkeep?page=2"}, Rows: []DueRow{
				{Value: text, Task: "wipe", Printer: text, Plate: text, Do: text, On: text, Href: "/printers/P-014", Because: text, Effort: text, Saves: text, Likely: text, OneTap: true, Skip: "/upkeep/skip-task"},
				{Task: "swap_plate", Printer: text, Do: text, On: text, Href: "/printers/P-014", Because: text, Effort: text, Log: ActLink{text, "/upkeep/fit"}, Skip: "/upkeep/skip-task"},
				{Value: text, Task: "probe", Do: text, On: text, Href: "/printers/P-014", Effort: text, Soon: text, OneTap: true}}}}),
		"upkeep-empty": Upkeep(UpkeepPage{Shell: sampleShell("Upkeep", "/upkeep"), Lead: "Nothing yet.", List: CareList{Title: "Plates", Empty: text}}),
		"care-holds":   Care(holds), "recent-page": RecentAll(RecentPage{Shell: sampleShell("Logged by hand", "/upkeep"), Crumb: "/upkeep", Entries: entries, Pager: Pager{Older: "/upkeep/recent?before=7"}}),
		"recent-empty": RecentAll(RecentPage{Shell: sampleShell("Logged by hand", "/upkeep"), Crumb: "/upkeep", Empty: text}),
		"form-refused": Form(form), "form-hold": Form(hold), "form-nothing": Form(FormPage{Shell: sampleShell("Release", "/upkeep"), Crumb: "/upkeep", Notice: text}),
		"undo-page": Undo(undo), "undo-closed": Undo(closed),
		"saved": Saved(SavedLine{Words: text, Undo: "/upkeep/undo", Entry: "7", Next: "/upkeep", Back: ActLink{text, "/plates/L-203"}, Late: text}), "saved-undone": Saved(SavedLine{Words: text}), "saved-none": Saved(SavedLine{}),
	}
}

func TestHostileTextIsEscapedInFormsAndLists(t *testing.T) {
	const evil = `"></textarea></option><script>alert(1)</script>`
	for name, component := range handSamples(evil) {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") || strings.Contains(buf.String(), evil) {
			t.Errorf("%s: what was typed reached the page as markup", name)
		}
	}
}
