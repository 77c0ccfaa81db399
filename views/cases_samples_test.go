package views

import "github.com/a-h/templ"

// caseSamples are the parts of cases and planned tests in their states.
func caseSamples(text string) map[string]templ.Component {
	table := Table{Caption: text, Sub: text, Columns: []Column{{Word: text}, {Word: text, Number: true}}, Rows: []Row{{Cells: []Cell{{Text: text, Note: text, Href: "/x"}, {Text: "12"}}}}}
	crumbs := []Fact{{Value: "All findings", Href: "/findings"}, {Value: text, Href: "/findings/printer/P-014/skipped_probing"}}
	return map[string]templ.Component{
		"case": casePart(CasePart{Now: "Upheld", Lead: text, Trail: []CaseLine{{Word: "On test", When: "2026-03-09 14:02", ISO: "2026-03-09T12:02:00Z", By: text, Reason: text, Voided: "Taken back: " + text},
			{Word: "Upheld", When: "2026-03-09 14:05", ISO: "2026-03-09T12:05:00Z", By: text, Reason: text, Undo: "/undo"}}, Tests: []Link{{Word: text, Href: "/tests/1"}}, Plan: "/test", Action: "/case", ID: "1",
			Next: []Option{{Value: "closed", Word: "Closed", Note: text}}, Reason: text, Problem: text}),
		"case-seen": casePart(CasePart{Lead: text}),
		"plan": Plan(PlanPage{Shell: sampleShell("Test of P-014", "/findings"), Crumbs: crumbs, Lead: text, Caution: text, Problems: []FormProblem{{Field: "left", Words: text}}, Look: "/test", Chosen: []Field{{Name: "left", Label: text, Kind: "number", Unit: "of 100", Value: text}},
			Size: text, Range: table, Rules: []string{text}, Action: "/test", Hidden: []Fact{{Word: "id", Value: text}}, Begin: []Field{{Name: "reason", Label: text, Kind: "area", Value: text}}, Submit: text}),
		"test": Test(TestPage{Shell: sampleShell("Test of P-014", "/findings"), Crumbs: crumbs, State: State{Code: "running", Word: "Running"}, Says: []string{text}, Saved: text, Facts: []Fact{{Word: text, Value: text, Note: text}}, Arms: table, Notes: []string{text},
			Last: table, End: &FormPage{Action: "/end", Submit: "End the test", Danger: true, Notice: text, Fields: []Field{{Name: "reason", Label: text, Kind: "area", Value: text}}}, Method: text}),
		"reminders": Reminders([]Reminder{{Arm: "do", Says: text, Why: text, Href: "/tests/1", Links: []Link{{Word: text, Href: "/upkeep/probe"}}}}),
	}
}
