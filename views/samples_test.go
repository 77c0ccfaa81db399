package views

import "github.com/a-h/templ"

// The sample states of components: empty, one, many, unknown, retired.

func sampleShell(title, area string) Shell {
	s := Shell{
		Title: title, Home: "/floor", SignOut: "/sign-out", ThemeTo: "/theme", Theme: "dark", KeysTo: "/keys", Keys: "", Help: "/help", Here: "/floor", Person: "Amara", Role: "manager",
		Clock: "Mon 2026-03-09 14:05", ClockISO: "2026-03-09T14:05:00Z", DataThrough: "2026-03-09 14:02",
		CSS: "/static/app.css", JS: "/static/app.js", Icon: "/static/icon.svg",
	}
	for _, n := range []NavItem{{"Floor", "/floor", "floor", false}, {"Grade", "/grade", "grade", false}, {"Upkeep", "/upkeep", "upkeep", false}, {"Jobs", "/jobs", "jobs", false}, {"Trends", "/trends", "trends", false}, {"Findings", "/findings", "findings", false}, {"Setup", "/setup", "setup", false}} {
		n.Current = n.Href == area
		s.Nav = append(s.Nav, n)
	}
	return s
}

var (
	ready   = State{"ready", "Ready", "", ""}
	due     = State{"due", "Due", "clock", "soon"}
	watch   = State{"watch", "Watch", "half", "soon"}
	hold    = State{"hold", "Hold", "hexagon", "act"}
	retired = State{"retired", "Retired", "dashed", ""}
	unknown = State{"no_record", "No record", "dots", ""}
	raised  = State{"raised", "Raised", "hexagon", "act"}
)

func sampleFinding() FindingRow {
	return FindingRow{
		Kind: "printer", Subject: "P-014", Href: "/findings/printer/P-014/skipped_probing", Cause: "skipped_probing", CauseWord: "skipped probing",
		State: raised, Case: "Suspected", Summary: "9 of 41 layers failed without a probe, 3 of 88 with one.", Avoidable: "4.2 (1.6 to 7.1)", Counts: "12 of 129",
	}
}

func sampleTable() Table {
	return Table{
		Caption: "Failed first layers by probe", Sub: "P-014, 129 of 160 layers graded",
		Columns: []Column{{"Probe", false, false}, {"Failed", true, true}, {"Good", true, true}, {"Failed of graded, likely range", false, false}, {"Graded of started", false, false}},
		Rows: []Row{
			{Cells: []Cell{{"Probed, nothing since", "", ""}, {"3", "", ""}, {"85", "", ""}, {"3 of 88", "(3 %, likely 1 to 10 %)", ""}, {"88 of 110", "", ""}}},
			{Cells: []Cell{{"No probe since the last start", "", ""}, {"9", "", ""}, {"32", "", ""}, {"9 of 41", "(22 %, likely 12 to 37 %)", ""}, {"41 of 50", "", ""}}, Strong: true},
		},
	}
}

func samples() map[string]templ.Component {
	row := func(s State, next string) templ.Component {
		return floorRow(FloorRow{Tag: "P-014", Href: "/printers/P-014", Bay: "Bay 2", Plate: "L-203", PlateHref: "/plates/L-203", PlateNote: "wiped 5 prints ago", Probe: "probed 1 start ago", State: s,
			Why: "Failures go with skipped probing.", Figures: "3 of 31 failed, 31 of 36 layers graded.", Next: next, Calm: next == ""})
	}
	history := []Event{
		{When: "2026-03-09 14:02", ISO: "2026-03-09T14:02:00Z", What: "First layer", Href: "/first-layers/1", State: State{"failed", "Failed", "square", "act"}, With: "plate L-203 · PLA", Kind: "first_layer"},
		{When: "2026-03-09 13:40", ISO: "2026-03-09T13:40:00Z", What: "Probed", With: "plate L-203 · by amara", Late: true, Kind: "probe"},
		{When: "2026-03-09 12:00", ISO: "2026-03-09T12:00:00Z", What: "Service", With: "nozzle", Voided: true, Why: "wrong printer", Kind: "service"},
	}
	return map[string]templ.Component{
		"floor-row-ready": row(ready, ""), "floor-row-due": row(due, "Wash L-203"), "floor-row-watch": row(watch, "Probe before the next start"),
		"floor-row-hold": row(hold, "Do not start jobs"), "floor-row-retired": row(retired, ""),
		"floor-row-unknown": floorRow(FloorRow{Tag: "P-015", Href: "/printers/P-015", State: unknown, Why: "No first layer recorded yet.", Calm: true}),
		"floor-empty":       Floor(FloorPage{Shell: sampleShell("Floor", "/floor"), Lead: "No printers yet.", First: FirstSteps{"Every printer appears here.", "/setup/add-printer", "/setup/import"}}),
		"floor-page": Floor(FloorPage{Shell: sampleShell("Floor", "/floor"), Lead: "1 of 2 printers needs someone.", Sub: "Counts are of 14 days.",
			Filters: []FilterRow{{"State", []FilterLink{{"All", "", "/floor", true}, {"Watch", "1", "/floor?state=watch", false}}}},
			Groups: []FloorGroup{{"group-1", "Needs someone", "1 printer", []FloorRow{{Tag: "P-014", Href: "/printers/P-014", Bay: "Bay 2", State: watch, Why: "The last layer failed.", Next: "Look at it"}}},
				{"group-2", "Ready", "1 printer", []FloorRow{{Tag: "P-016", Href: "/printers/P-016", Bay: "Bay 2", State: ready, Figures: "0 of 12 failed.", Calm: true}}}}}),
		"findings-empty": Findings(FindingsPage{Shell: sampleShell("Findings", "/findings"), Lead: "Nothing to weigh yet.", Empty: "Findings appear here once layers are graded."}),
		"findings-rows":  FindingRows("x", []FindingRow{sampleFinding(), {Kind: "plate", Subject: "L-203", Href: "/findings/plate/L-203/cleaning_gap", Cause: "cleaning_gap", CauseWord: "long cleaning gaps", State: State{"too_little_data", "Too little data", "dots", ""}, Summary: "About 40 more graded layers would tell.", Counts: "0 of 12"}}),
		"finding-page": Finding(FindingPage{Shell: sampleShell("P-014: failures go with skipped probing", "/findings"), Crumb: "/findings", Kind: "printer", Subject: "P-014", SubjHref: "/printers/P-014",
			Cause: "skipped_probing", State: raised, Case: "Suspected", Summary: "9 of 41 failed without a probe.", Advice: Advice{"Probe P-014 before every start.", "9 of 41 failed without a probe, 3 of 88 with one.", "clear.", "a test by lot.", "act"},
			Compare: sampleTable(), CompareBy: "Compared are skipped and valid.", Estimates: sampleTable(), Differ: "Adjusting takes out plate and material.", Marks: sampleTable(), MarksLine: "Height marks.",
			Facts: []Fact{{"Window", "12 weeks", "", ""}}, Method: "Penalised logistic fit."}),
		"advice-act": AdviceCard(Advice{"Probe P-014.", "9 of 41 failed.", "clear.", "a test.", "act"}), "advice-leave": AdviceCard(Advice{Do: "Leave it."}),
		"rate-none": RateLine(Rate{Of: "no record"}), "rate-few": RateLine(Rate{"Failed", "2 of 9", "", "9 of 12 layers graded."}),
		"rate-many":     RateLine(Rate{"Failed", "7 of 62", "(11 %, likely 6 to 22 %)", "62 of 80 layers graded."}),
		"history":       History(history),
		"pages-none":    Pages("Pages", Pager{}),
		"pages-older":   Pages("Pages", Pager{Older: "/x?before=1", First: "/x"}),
		"plain-table":   PlainTable(sampleTable()),
		"sign-in":       SignIn(SignInPage{Shell: Shell{Title: "Sign in", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Action: "/sign-in"}),
		"sign-in-wrong": SignIn(SignInPage{Shell: Shell{Title: "Sign in", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Action: "/sign-in", Handle: "amara", Next: "/findings", Problem: "This handle and password do not go together."}),
		"problem-404":   Problem(ProblemPage{Shell: sampleShell("Nothing here", ""), What: "There is no page at this address.", Do: "Check the address.", Link: "/floor", LinkWord: "Go to the Floor"}),
		"problem-500":   Problem(ProblemPage{Shell: Shell{Title: "Something broke here"}, What: "The program could not answer.", Ref: "0123456789abcdef"}),
		"zones":         Zones(ZoneMap{"Marks by zone", [][]ZoneCell{{{"A2", "back left", []string{"Blobs, clear"}, true, true, "blobs"}, {"B2", "back right", []string{"not printed"}, false, false, ""}}, {{"A1", "front left", []string{"no mark"}, false, true, ""}, {"B1", "front right", []string{"no mark"}, false, true, ""}}}}),
		"help":          Help(HelpPage{Shell: sampleShell("Help", "")}),
		"what-is":       WhatIs("/help", "plate", "a plate"),
		"first-use":     FirstUse(FirstSteps{Text: "Every printer appears here."}),
		"setup":         Setup(SetupPage{Shell: sampleShell("Setup", "/setup"), Farm: []Fact{{"Printers", "60 in service", "", "2 retired"}}, Copies: []Fact{{"Last written", "3 h ago", "", "2026-03-09 03:00"}}, CopyWarn: "The last daily copy is 3 days old.", Settings: sampleTable()}),
	}
}
