package views

import "github.com/a-h/templ"

// walkSamples are the pages of walks: sweep and nights.
func walkSamples(text string) map[string]templ.Component {
	sweep := SweepPage{Shell: sampleShell("Morning sweep", "/grade"), Lead: "3 starts on 2 printers.", Notice: text, Caution: text, Action: "/sweep", Hidden: []Fact{{Word: "id", Value: "1"}}, Nights: "/sweep/nights",
		Groups: []SweepGroup{{ID: "bay-1", Title: text, CloseAll: "taken-off " + text, CloseWord: "Close 2 as not seen", Rows: []SweepRow{
			{Printer: text, Href: "/printers/1", ID: "1", When: "23:30", ISO: "2026-03-28T22:30:00Z", With: text, Runs: text, Held: "held 1 " + text, Gone: "unseen 1 " + text, Other: "/grade/1"},
			{Printer: text, Href: "/printers/2", Earlier: []Link{{Word: "21:00", Href: "/grade/2"}}, Close: "unseen 2 " + text, CloseWord: "Close as not seen"}}}}, Left: text, Pager: Pager{Plain: true, Older: "/sweep?page=2"}}
	nights := NightsPage{Shell: sampleShell("First layers by night", "/grade"), Back: "/sweep", Lead: text, Table: Table{Caption: text, Columns: []Column{{Word: "Night"}, {Word: "Starts", Number: true}}, Rows: []Row{{Cells: []Cell{{Text: text, Note: text}, {Text: "2"}}}}}}
	return map[string]templ.Component{"sweep": Sweep(sweep), "sweep-empty": Sweep(SweepPage{Shell: sampleShell("Morning sweep", "/grade"), Lead: text, Empty: text, Nights: "/sweep/nights"}), "nights": Nights(nights)}
}
