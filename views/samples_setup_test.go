package views

import "github.com/a-h/templ"

// setupSamples are the states of Setup's pages and of the jobs' pages.
func setupSamples() map[string]templ.Component {
	return map[string]templ.Component{
		"setup":            Setup(SetupPage{Shell: sampleShell("Setup", "/setup"), Farm: []Fact{{"Printers", "60 in service", "", "2 retired"}}, Copies: []Fact{{"Last written", "3 h ago", "", "2026-03-09 03:00"}}, CopyWarn: "The last daily copy is 3 days old.", Backups: []Fact{{"Last written", "none yet", "", ""}}, BackupWarn: "The last daily backup failed: no space left.", Parts: []SetupPart{{"Printers", "/setup/printers", "60 in service"}}}),
		"setup-list":       SetupList(SetupListPage{Shell: sampleShell("Printers", "/setup"), Crumb: "/setup", Lead: "Every machine.", WhatIs: []HelpLink{{"printer", "a printer"}}, AddHref: "/setup/add-printer", AddWord: "Add a printer", Find: "14", FindTo: "/setup/printers", Label: "Printer, by name", Table: sampleTable(), Pager: Pager{Older: "/setup/printers?page=2", Plain: true}}),
		"setup-list-empty": SetupList(SetupListPage{Shell: sampleShell("Plates", "/setup"), Crumb: "/setup", AddHref: "/setup/add-plate", AddWord: "Add a plate", Empty: "No plates yet."}),
		"setup-form":       SetupForm(sampleSetupForm(false)),
		"setup-form-wrong": SetupForm(sampleSetupForm(true)),
		"settings":         Settings(SettingsPage{Shell: sampleShell("Settings", "/setup"), Crumb: "/setup", Lead: "Numbers.", Saved: "Saved.", Groups: []SettingsGroup{{ID: "group-money", Title: "Money", Note: "What costs money is set by an admin.", Facts: []Fact{{"An hour", "30 EUR", "", ""}}}, {ID: "group-place", Title: "The farm", Action: "/setup/settings", Submit: "Save", Fields: []Field{{Name: "time_zone", Label: "Time zone", Kind: "text", Value: "UTC"}}}}}),
		"token-made":       Token(TokenPage{Shell: sampleShell("Token gateway", "/setup"), Made: "bct_x", MadeNote: "It is shown once."}),
		"token":            TokenPageShow(TokenShow{Shell: sampleShell("Token gateway", "/setup"), Facts: []Fact{{"State", "in force", "", ""}}, Revoke: SetupAct{Word: "Revoke gateway", Action: "/setup/tokens/gateway", Danger: true}}),
		"jobs-empty":       Jobs(JobsPage{Shell: sampleShell("Jobs", "/jobs"), Lead: "Orders.", Empty: "No jobs yet.", Setup: "/setup/add-job"}),
		"job":              Job(JobPage{Shell: sampleShell("Job O-1042", "/jobs"), Job: "O-1042", State: State{"closed", "Closed", "dashed", ""}, Facts: []Fact{{"Quantity", "120", "", ""}}, Rate: Rate{"Failed", "2 of 9", "", "9 of 12 layers graded"}, Grades: []Fact{{"Good", "7 of 10", "", ""}}, Starts: []Event{{When: "2026-03-09 14:02", ISO: "2026-03-09T14:02:00Z", What: "P-014", Href: "/first-layers/1", State: State{"failed", "Failed", "square", "act"}, With: "plate L-203", Kind: "first_layer"}}, Change: "/setup/jobs/O-1042"}),
		"job-need": Job(JobPage{Shell: sampleShell("Job O-1042", "/jobs"), Job: "O-1042", Need: &JobNeed{Do: "Start 31 more.", Because: "Then the chance that enough are good is 96 in 100.", Facts: []Fact{{"Good so far", "12 of 40", "", ""}}, Action: "/jobs/O-1042#need",
			Fields:   []Field{{Name: "confidence", Label: "How sure that enough are good", Kind: "select", Options: []Option{{"95", "95 in 100", "", true}}}, {Name: "size_x_mm", Label: "Width of the print", Kind: "number", Unit: "mm", Value: "much", Wrong: "Width must be between 1 and 2000 mm."}},
			Problems: []FormProblem{{"size_x_mm", "Width must be between 1 and 2000 mm."}}, Curve: sampleTable(), Holds: []JobHold{{"printer", "P-003", "/printers/P-003", "belt is loose"}, {"plate", "L-210", "/plates/L-210", "no record"}}, HoldsMore: "and 2 more", HoldsHref: "/upkeep?list=holds",
			FitLead: "2 printers may start this job.", Money: "EUR", Fit: []JobMachine{{"P-014", "/printers/P-014", "L-203", "", "4 (2 to 9)", "–", "nothing first", "0.30", State{"done", "Prepped 05:40, nothing changed since", "", ""}},
				{"P-015", "/printers/P-015", "", "chances with PLA: it ran no PETG lately", "9 (4 to 20)", "3 (1 to 8)", "clean and probe", "1.10", State{"stale", "Plate swapped 06:10: probe again", "half", "soon"}}}, Pager: Pager{Older: "/jobs/O-1042?machines=2", Plain: true}, Not: sampleTable()}}),
	}
}

func sampleSetupForm(wrong bool) SetupFormPage {
	p := SetupFormPage{Shell: sampleShell("Printer P-014", "/setup"), Crumbs: []Fact{{"", "Setup", "/setup", ""}, {"", "Printers", "/setup/printers", ""}}, Saved: "Saved.", Action: "/setup/printers/P-014", Submit: "Save",
		Hidden: []Fact{{Word: "seen", Value: "[]"}},
		Fields: []Field{{Name: "printer", Label: "Tag", Kind: "fixed", Value: "P-014", Hint: "It is not renamed."}, {Name: "bay", Label: "Bay", Kind: "text", Value: "Loft", Suggest: []string{"Loft"}, Longest: 64, Optional: true},
			{Name: "bed_x_mm", Label: "Bed width", Kind: "number", Unit: "mm", Value: "250", Hint: "From 50 to 2000."}, {Name: "zero_from", Label: "Zero from", Kind: "select", Options: []Option{{"", "no record", "", true}, {"plate", "the plate", "", false}}},
			{Name: "in_service_from", Label: "In service from", Kind: "when", Value: "2026-01-05T08:00"}, {Name: "note", Label: "Note", Kind: "area", Value: "dry it"}},
		Acts:    []SetupAct{{Word: "Retire P-014", Note: "Its history stays.", Action: "/setup/printers/P-014", Danger: true}},
		Screws:  ScrewsForm{Action: "/setup/printers/P-014/screws", Rows: [][]Field{{{Name: "screw-0", Label: "Name", Kind: "text"}, {Name: "pitch_mm-0", Label: "Pitch", Kind: "number", Unit: "mm"}}}},
		Changes: sampleTable(), Back: SetupAct{Word: "Take the latest change back", Action: "/setup/printers/P-014"}}
	if wrong {
		p.Saved, p.Trouble = "", "Not saved yet"
		p.Problems = []FormProblem{{"bed_x_mm", "Bed width: found “5000”, expected a number from 50 to 2000."}, {"", "Something else."}}
		p.Fields[2].Wrong, p.Fields[2].Value = p.Problems[0].Words, "5000"
		p.Password = PasswordForm{Action: "/setup/people/wei/password", Handle: "wei", Word: "Set the password", Wrong: "Too short."}
	}
	return p
}
