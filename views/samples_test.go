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
		State: raised, Case: "Suspected", Summary: "9 of 41 layers failed without a probe, 3 of 88 with one.", Avoidable: "4.2 (1.6 to 7.1)", InAll: "about 5 in the window", Counts: "12 of 129",
	}
}

func sampleTable() Table {
	return Table{
		Caption: "Failed first layers by probe", Sub: "P-014, 129 of 160 layers graded",
		Columns: []Column{{Word: "Probe"}, {Word: "Failed", Number: true, Wide: true}, {Word: "Good", Number: true, Wide: true}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}},
		Rows: []Row{
			{Cells: []Cell{{"Probed, nothing since", "", ""}, {"3", "", ""}, {"85", "", ""}, {"3 of 88", "(3 %, likely 1 to 10 %)", ""}, {"88 of 110", "", ""}}},
			{Cells: []Cell{{"No probe since the last start", "", ""}, {"9", "", ""}, {"32", "", ""}, {"9 of 41", "(22 %, likely 12 to 37 %)", ""}, {"41 of 50", "", ""}}, Strong: true},
		},
	}
}

func samples() map[string]templ.Component {
	row := func(s State, next string) templ.Component {
		r := FloorRow{Tag: "P-014", Href: "/printers/P-014", Grade: "/grade/P-014", Bay: "Bay 2", Plate: "L-203", PlateHref: "/plates/L-203", PlateNote: "wiped 5 prints ago", Probe: "probed 1 start ago", State: s,
			Why: "Failures go with skipped probing.", Figures: "3 of 31 failed; 31 of 36 graded", Next: next}
		if next != "" {
			r.NextHref = "/upkeep/probe?printer=P-014"
			return floorRow(&r)
		}
		r.Why = ""
		if s == retired {
			r.Grade, r.Why = "", "Retired 2 days ago."
		}
		return floorTile(&r)
	}
	history := []Event{
		{When: "2026-03-09 14:02", ISO: "2026-03-09T14:02:00Z", What: "First layer", Href: "/first-layers/1", State: State{"failed", "Failed", "square", "act"}, With: "plate L-203 · PLA", Kind: "first_layer"},
		{When: "2026-03-09 13:40", ISO: "2026-03-09T13:40:00Z", What: "Probed", With: "plate L-203 · by amara", Late: "Late entry, entered 2026-03-11 09:00", Kind: "probe"},
		{When: "2026-03-09 12:00", ISO: "2026-03-09T12:00:00Z", What: "Service", With: "nozzle", Voided: "Voided 2026-03-09 13:00 by amara: wrong printer", Kind: "service"},
	}
	return map[string]templ.Component{
		"floor-tile-ready": row(ready, ""), "floor-tile-retired": row(retired, ""), "floor-row-due": row(due, "Wash L-203"),
		"floor-row-watch": row(watch, "Probe before the next start"), "floor-row-hold": row(hold, "Do not start jobs"),
		"floor-tile-unknown": floorTile(&FloorRow{Tag: "P-015", Href: "/printers/P-015", Grade: "/grade/P-015", State: unknown, Why: "No first layer recorded yet."}),
		"floor-row-no-plate": floorRow(&FloorRow{Tag: "P-015", Href: "/printers/P-015", Grade: "/grade/P-015", State: watch, Why: "The last first layer failed.", Next: "Watch the next"}),
		"floor-bays":         chooser(&Choice{Action: "/floor", Label: "Bay", Name: "bay", ID: "floor-bay", Options: []Option{{Word: "All bays"}, {Value: "Bay 2", Word: "Bay 2 (12)", Chosen: true}}, Kept: []Option{{Value: "due", Word: "state"}}}),
		"floor-pages":        floorPages("201 to 400 of 1000 printers", []FilterLink{{"1", "", "/floor", false}, {"2", "", "/floor?page=2", true}}),
		"floor-none": Floor(FloorPage{Shell: sampleShell("Floor", "/floor"), Lead: "Nothing needs anyone: 12 printers in service.", Notice: "Findings and counts are being worked out.",
			Filters: []FilterRow{{"State", []FilterLink{{"All", "", "/floor", false}, {"Due", "0", "/floor?state=due", true}}}}, Showing: "0 printers, state Due, worst expected loss first", Clear: "/floor", Empty: "No printer fits these filters."}),
		"floor-empty": Floor(FloorPage{Shell: sampleShell("Floor", "/floor"), Lead: "No printers yet.", First: FirstSteps{"Every printer appears here.", "/setup/add-printer", "/setup/import"}}),
		"floor-page": Floor(FloorPage{Shell: sampleShell("Floor", "/floor"), Lead: "1 of 2 printers needs someone.", Sub: "Counts are of 14 days.",
			Filters: []FilterRow{{"State", []FilterLink{{"All", "", "/floor", true}, {"Watch", "1", "/floor?state=watch", false}}}},
			Groups: []FloorGroup{{"group-1", "Needs someone", "1 printer", []FloorRow{{Tag: "P-014", Href: "/printers/P-014", Grade: "/grade/P-014", Bay: "Bay 2", State: watch, Why: "The last layer failed.", Next: "Look at it"}}, nil},
				{"group-2", "Ready", "1 printer", nil, []FloorRow{{Tag: "P-016", Href: "/printers/P-016", Grade: "/grade/P-016", Bay: "Bay 2", State: ready}}}}}),
		"findings-paged": FindingRows("x", sampleRows()), "pager-plain": Pages("Pages of findings", Pager{Plain: true, First: "/findings?state=quiet", Newer: "/findings?state=quiet&page=2", Older: "/findings?state=quiet&page=4"}),
		"evidence-raised": evidence(sampleEvidence(raised)), "evidence-watching": evidence(sampleEvidence(State{"watching", "Watching", "half", "soon"})),
		"evidence-quiet": evidence(sampleEvidence(State{"quiet", "Quiet", "", ""})), "evidence-little": evidence(sampleEvidence(State{"too_little_data", "Too little data", "dots", ""})),
		"evidence-reverse": evidence(sampleReverse()), "disagree-wrong": disagreements(FindingPage{Form: DisagreeForm{Action: "/d", ID: "1", Problem: "Say why the finding is wrong, in a few words."}}),
		"marks-empty": marksPart(MarksPart{Empty: "No first layers on P-014 yet."}), "marks-none": marksPart(MarksPart{Sub: "The latest 20 first layers.", Empty: "No marks on any of them."}),
		"marks": marksPart(sampleMarks()), "thing-printer": thing(sampleThing("printer")), "thing-empty": thing(ThingPage{Shell: sampleShell("Plate L-900", "/floor"), Kind: "plate", Tag: "L-900",
			State: State{"in_use", "In use", "", ""}, Why: "No record of a cleaning.", Rates: []Rate{{Label: "Failed, last 84 days", Of: "no record", Coverage: "No layers started."}},
			RatesSub: "No graded layers so far. A rate needs about 20.", Marks: MarksPart{Empty: "No first layers on L-900 yet."}, Empty: "Nothing recorded of L-900 yet."}),
		"findings-empty": Findings(FindingsPage{Shell: sampleShell("Findings", "/findings"), Lead: "Nothing to weigh yet.", Empty: "Findings appear here once layers are graded."}),
		"findings-rows":  FindingRows("x", []FindingRow{sampleFinding(), {Kind: "plate", Subject: "L-203", Href: "/findings/plate/L-203/cleaning_gap", Cause: "cleaning_gap", CauseWord: "long cleaning gaps", State: State{"too_little_data", "Too little data", "dots", ""}, Summary: "About 40 more graded layers would tell.", Counts: "0 of 12"}}),
		"finding-page": Finding(FindingPage{Shell: sampleShell("P-014: failures go with skipped probing", "/findings"), Crumb: "/findings", Kind: "printer", Subject: "P-014", SubjHref: "/printers/P-014",
			Cause: "skipped_probing", State: raised, Case: "Suspected", Summary: "9 of 41 failed without a probe.", Advice: Advice{"Probe P-014 before every start.", "9 of 41 failed without a probe, 3 of 88 with one.", "clear.", "a test by lot.", "act"},
			Compare: sampleTable(), CompareBy: "Compared are skipped and valid.", Estimates: sampleTable(), Differ: "Adjusting takes out plate and material.", Marks: sampleTable(), MarksLine: "Height marks.",
			Facts: []Fact{{"Window", "12 weeks", "", ""}}, Method: "Penalised logistic fit."}),
		"advice-act": AdviceCard(Advice{"Probe P-014.", "9 of 41 failed.", "clear.", "a test.", "act"}), "advice-leave": AdviceCard(Advice{Do: "Leave it."}),
		"rate-none": RateLine(Rate{Of: "no record"}), "rate-few": RateLine(Rate{"Failed", "2 of 9", "", "9 of 12 layers graded."}),
		"rate-many":        RateLine(Rate{"Failed", "7 of 62", "(11 %, likely 6 to 22 %)", "62 of 80 layers graded."}),
		"history":          History(history),
		"pages-none":       Pages("Pages", Pager{}),
		"pages-older":      Pages("Pages", Pager{Older: "/x?before=1", First: "/x"}),
		"plain-table":      PlainTable(sampleTable()),
		"sign-in":          SignIn(SignInPage{Shell: Shell{Title: "Sign in", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Action: "/sign-in"}),
		"sign-in-provider": SignIn(SignInPage{Shell: Shell{Title: "Sign in", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Action: "/sign-in", Next: "/findings", Provider: "Farm ID", ProviderAction: "/sign-in/provider", Left: "Farm ID", LeftAt: "https://id.farm.example/leave"}),
		"sign-in-go-on":    GoOn(GoOnPage{Shell: Shell{Title: "Sign in at Farm ID", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Name: "Farm ID", Address: "https://id.farm.example/authorize?state=x"}),
		"sign-in-wrong":    SignIn(SignInPage{Shell: Shell{Title: "Sign in", CSS: "/a.css", JS: "/a.js", Icon: "/i.svg"}, Action: "/sign-in", Handle: "amara", Next: "/findings", Problem: "This handle and password do not go together."}),
		"problem-404":      Problem(ProblemPage{Shell: sampleShell("Nothing here", ""), What: "There is no page at this address.", Do: "Check the address.", Link: "/floor", LinkWord: "Go to the Floor"}),
		"problem-500":      Problem(ProblemPage{Shell: Shell{Title: "Something broke here"}, What: "The program could not answer.", Ref: "0123456789abcdef"}),
		"zones":            Zones(ZoneMap{"Marks by zone", [][]ZoneCell{{{"A2", "back left", []string{"Blobs, clear"}, true, true, "blobs"}, {"B2", "back right", []string{"not printed"}, false, false, ""}}, {{"A1", "front left", []string{"no mark"}, false, true, ""}, {"B1", "front right", []string{"no mark"}, false, true, ""}}}}),
		"help":             Help(HelpPage{Shell: sampleShell("Help", ""), Bead: "/bead", API: "/help/api", People: "/help/people"}),
		"help-api":         HelpAPI(sampleAPI()),
		"bead":             beadBody(sampleBead()),
		"bead-wrong":       beadBody(BeadPage{Shell: sampleShell("What lines look like", ""), Action: "/bead", Problems: []FormProblem{{"layer_height_mm", "Layer height must be between 0.05 and 1.00 mm."}}, Fields: []Field{{Name: "layer_height_mm", Label: "Layer height", Kind: "number", Value: "21", Unit: "mm", Wrong: "Layer height must be between 0.05 and 1.00 mm."}, {Name: "line_width_mm", Label: "Line width", Kind: "number", Value: "0.45", Unit: "mm"}}}),
		"coupon":           couponBody(sampleCoupon()),
		"what-is":          WhatIs("/help", "plate", "a plate"),
		"first-use":        FirstUse(FirstSteps{Text: "Every printer appears here."}),
	}
}

func sampleRows() []FindingRow {
	said := sampleFinding()
	said.Disagree = "amara disagrees"
	return []FindingRow{said, {Kind: "printer", Subject: "P-002", Href: "/findings/printer/P-002/cleaning_gap", Cause: "cleaning_gap", CauseWord: "long cleaning gaps",
		State: State{"watching", "Watching", "half", "soon"}, Summary: "P-002: failures may go with long cleaning gaps.", Avoidable: "1.1 (\u22120.4 to 2.9)", Counts: "9 of 120"}}
}

// sampleEvidence is an evidence page's body in a state: with too little data
// nothing is estimated and nothing drawn.
func sampleEvidence(s State) FindingPage {
	p := FindingPage{Kind: "plate", Subject: "L-002", Cause: "cleaning_gap", State: s, Advice: Advice{Do: "Leave it.", Sure: "cannot tell."}, Compare: sampleTable(), CompareBy: "Half of the layers start at 11 prints or fewer.",
		Facts: []Fact{{"Window", "12 weeks", "", ""}}, Form: DisagreeForm{Action: "/findings/plate/L-002/cleaning_gap/disagreements", ID: "0190"}}
	if s.Code == "too_little_data" {
		p.Advice.Change = "about 60 more graded layers."
		return p
	}
	p.Estimates, p.Differ, p.Marks, p.MarksLine = sampleTable(), "Plain and adjusted say nearly the same.", sampleTable(), "Height marks."
	p.Curve = Chart{ID: "curve", Kind: "gap-curve", Title: "Failures rise with prints since cleaning", Sub: "L-002, 180 of 210 layers graded", Says: "Failures rise from 2 to 20 of 100.", TableAt: "#counts", CSV: "/figures.csv", CSVWord: "These figures as CSV",
		Drawings: []Drawing{{Class: "wide", ViewBox: "0 0 400 250", Band: "M40,200L388,100L388,160L40,210Z", Curve: "40,205 388,130", Ranges: []string{"M60 210V180"}, Dots: []ChartDot{{X: "60", Y: "200", Says: "0 to 11 prints: 2 of 20 failed."}}}}}
	if s.Code == "raised" {
		p.Advice = Advice{"Wash plate L-002 before it reaches 12 prints.", "15 of 70 layers failed after more than 11 prints, 4 of 106 after 11 or fewer.", "clear.", "a test.", "act"}
		p.Said = []Disagreement{{"0191", "amara", "2026-03-09 14:05", "2026-03-09T14:05:00Z", "when it was raised", "The plate was bent then.", "", "/w"},
			{"0192", "wei", "2026-03-08 10:00", "2026-03-08T10:00:00Z", "", "Wrong plate.", "Withdrawn 2026-03-08 11:00 by wei: mistaken", ""}}
	}
	return p
}

func sampleReverse() FindingPage {
	p := sampleEvidence(State{"quiet", "Quiet", "", ""})
	p.Kind, p.Subject, p.Cause, p.Curve = "printer", "P-004", "skipped_probing", Chart{}
	p.Apart, p.ApartLine = sampleTable(), "A probe before a swap is neither."
	p.Advice = Advice{Do: "Look at the probe and the nozzle tip of P-004.", Because: "10 of 80 layers failed with a probe, 1 of 40 without one.", Sure: "clear that it points the other way.", Tone: "soon"}
	return p
}

func sampleMarks() MarksPart {
	cell := func(code, place, of string, level int, words ...string) MarkCell {
		return MarkCell{Code: code, Place: place, Of: of, Level: level, Words: words}
	}
	return MarksPart{Sub: "The latest 100 first layers.", Last: FilterRow{"Latest", []FilterLink{{"20 layers", "", "/printers/P-014?layers=20#zones", false}, {"100 layers", "", "/printers/P-014#zones", true}}},
		Frames: "What stays on the bed is the printer's.", Left: "3 graded layers on other plates are not drawn by themselves.",
		Maps: []MarkMap{{ID: "map-1", Title: "By printer: bed of P-014", Sub: "82 graded layers, all plates", Rows: [][]MarkCell{{cell("A2", "back left", "1 of 82", 1, "Blobs: 1"), cell("B2", "back right", "", 0)}, {cell("A1", "front left", "30 of 82", 4, "Over-squished: 25", "Blobs: 6", "and 1 other kind"), cell("B1", "front right", "0 of 82", 0)}}},
			{ID: "map-2", Title: "By plate: L-203 side A", Sub: "40 graded layers; 3 lay turned and are turned back", Plate: true, Rows: [][]MarkCell{{cell("A1", "centre", "9 of 40", 3, "Debris: 9")}}}}}
}

func sampleThing(kind string) ThingPage {
	return ThingPage{Shell: sampleShell("Printer P-014", "/floor"), Kind: kind, Tag: "P-014", State: watch, Why: "", Advice: Advice{Do: "Probe before the next start.", Because: "failures go with skipped probing.", Tone: "soon"},
		Actions: []Link{{"Grade", "/grade/P-014", true}, {"Log a probe", "/upkeep/probe?printer=P-014", false}}, Facts: []Fact{{"Bay", "Bay 2", "", ""}},
		Rates: []Rate{{"Failed, last 14 days", "2 of 9", "", "9 of 12 layers graded."}, {"Failed, last 84 days", "7 of 62", "(11 %, likely 6 to 22 %)", "62 of 80 layers graded."}}, RatesSub: "As counted.",
		By: []Table{sampleTable()}, RiskLead: "With PETG on L-203, the chance that the next layer fails is about 6 in 100 (likely 4 to 9).", Risk: sampleTable(), Findings: []FindingRow{sampleFinding()}, Marks: sampleMarks(), Stays: sampleTable(), StaysSub: "From fittings and starts.", Kept: []Table{sampleTable()},
		Kinds:   FilterRow{"Show", []FilterLink{{"Everything", "", "/printers/P-014#history", true}, {"Probes", "", "/printers/P-014?kind=probe#history", false}}},
		History: []Event{{When: "2026-03-09 13:40", ISO: "2026-03-09T13:40:00Z", What: "Probed", With: "by amara", Kind: "probe"}}, Pager: Pager{Older: "/printers/P-014?before=1#history"}}
}

func sampleAPI() HelpAPIPage {
	return HelpAPIPage{Shell: sampleShell("API", ""), Crumb: "/help", Description: "/api/v1/openapi.json", Tokens: "/setup/tokens", Begin: "FARM=https://farm.example\nTOKEN=bct_…",
		Rules:     []Fact{{Word: "Values", Value: "Null is unknown."}},
		Examples:  []APIExample{{ID: "printers", Title: "Read the printers", Text: "Two at a time.", Code: `curl "$FARM/api/v1/printers?limit=2" -d '<&>'`, Gives: `"items":[`}},
		Addresses: Table{Caption: "All addresses", Columns: []Column{{Word: "Address"}, {Word: "Role"}}, Rows: []Row{{Cells: []Cell{{Text: "GET /api/v1/printers"}, {Text: "operator"}}}}}}
}
