package views

import "github.com/a-h/templ"

// walkSamples are the pages of walks: sweep, nights, handovers.
func walkSamples(text string) map[string]templ.Component {
	sweep := SweepPage{Shell: sampleShell("Morning sweep", "/grade"), Lead: "3 starts on 2 printers.", Notice: text, Caution: text, Action: "/sweep", Hidden: []Fact{{Word: "id", Value: "1"}}, Nights: "/sweep/nights",
		Groups: []SweepGroup{{ID: "bay-1", Title: text, CloseAll: "taken-off " + text, CloseWord: "Close 2 as not seen", Rows: []SweepRow{
			{Printer: text, Href: "/printers/1", ID: "1", When: "23:30", ISO: "2026-03-28T22:30:00Z", With: text, Runs: text, Held: "held 1 " + text, Gone: "unseen 1 " + text, Other: "/grade/1"},
			{Printer: text, Href: "/printers/2", Earlier: []Link{{Word: "21:00", Href: "/grade/2"}}, Close: "unseen 2 " + text, CloseWord: "Close as not seen"}}}}, Left: text, Pager: Pager{Plain: true, Older: "/sweep?page=2"}}
	nights := NightsPage{Shell: sampleShell("First layers by night", "/grade"), Back: "/sweep", Lead: text, Table: Table{Caption: text, Columns: []Column{{Word: "Night"}, {Word: "Starts", Number: true}}, Rows: []Row{{Cells: []Cell{{Text: text, Note: text}, {Text: "2"}}}}}}
	parts := []HandoverPart{{ID: "held", Title: text, Count: 4, State: State{"hold", "Hold", "hexagon", "act"}, Sum: text, Lines: []Fact{{Word: text, Value: text, Href: "/printers/1"}, {Word: text, Value: text}}, More: "and 2 more", MoreHref: "/upkeep"}, {ID: "due", Title: text, None: text}, {ID: "said-1", Title: text, Count: -1, Lines: []Fact{{Value: text}}}}
	card := HandoverCard{ID: "1", Href: "/handover/1", When: "2026-03-09 14:00", ISO: "2026-03-09T12:00:00Z", By: text, Shift: text, Note: text, Receipts: []string{text}, Takes: true}
	handover := HandoverPage{Shell: sampleShell("Handover", "/floor"), Lead: text, Parts: parts, Notes: []Fact{{Word: text, Value: text}}, Last: &card, Action: "/handover", Hidden: []Fact{{Word: "id", Value: "1"}}, Note: text, Person: text, Past: "/handover/past",
		Problems: []FormProblem{{Field: "note", Words: text}}}
	look := RoundRow{ID: "1", Value: "1 " + text, Printer: text, Href: "/printers/1", Bay: text, With: text, State: "down", When: text, How: text, Held: text, Grade: "/grade/1", Skip: "/round?after=1"}
	round := RoundPage{Shell: sampleShell("Look now", "/grade"), Lead: text, Notice: text, Filters: []FilterRow{{Label: "Bay", Links: []FilterLink{{Word: text, Href: "/round", Current: true}}}}, Action: "/round", Hidden: []Fact{{Word: "id", Value: "1"}},
		Next: &look, RowTitle: text, Row: []RoundRow{look}, Later: []RoundRow{look}, LeftWords: text}
	return map[string]templ.Component{"round": Round(round), "round-empty": Round(RoundPage{Shell: sampleShell("Look now", "/grade"), Empty: text}), "handover": Handover(handover), "handovers": Handovers(HandoversPage{Shell: sampleShell("Past handovers", "/floor"), Back: "/handover", Cards: []HandoverCard{card, {Href: "/handover/2", When: "2026-03-09 06:00", By: text}}, Pager: Pager{Older: "/handover/past?before=1"}}),
		"handover-kept": HandoverKept(HandoverKeptPage{Shell: sampleShell("Handover", "/floor"), Back: "/handover/past", Card: card, Voided: text, Parts: parts}), "sweep": Sweep(sweep), "sweep-empty": Sweep(SweepPage{Shell: sampleShell("Morning sweep", "/grade"), Lead: text, Empty: text, Nights: "/sweep/nights"}), "nights": Nights(nights)}
}
