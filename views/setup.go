package views

// SetupPage is what the farm is made of and how its records are kept safe.
type SetupPage struct {
	Shell
	Farm     []Fact
	Copies   []Fact
	CopyWarn string // why to look at the copies; "" all is well
	Backups  []Fact

	BackupWarn string // why to look at the backups; "" all is well

	Parts []SetupPart
	First FirstSteps
}

// SetupPart leads to one part of Setup.
type SetupPart struct {
	Word string
	Href string
	Note string // "60 in service"
}

// SetupListPage lists one kind of thing.
type SetupListPage struct {
	Shell
	Crumb   string
	Lead    string
	WhatIs  []HelpLink
	AddHref string
	AddWord string
	Find    string // what is searched for
	FindTo  string // address the search goes to; "" none
	Label   string // of the search
	Table   Table
	Count   string
	Empty   string
	Pager   Pager
	Notice  string
}

// HelpLink leads to a word of the help.
type HelpLink struct{ ID, Word string }

// SetupFormPage adds or changes one thing.
type SetupFormPage struct {
	Shell
	Crumbs   []Fact // Value and Href
	Lead     string
	WhatIs   []HelpLink
	State    State  // retired, closed; zero none
	Saved    string // said once after saving
	Trouble  string // heading of the problems
	Problems []FormProblem
	Action   string
	Hidden   []Fact // Word is the name
	Fields   []Field
	Submit   string
	Acts     []SetupAct
	Screws   ScrewsForm
	Account  []Fact // how a person may sign in
	Password PasswordForm
	Pin      PinForm
	Changes  Table
	Back     SetupAct // takes the latest change back
}

// SetupAct is a form of one button.
type SetupAct struct {
	Word   string
	Note   string
	Action string
	Hidden []Fact
	Danger bool // hard to live with: outlined
}

// PasswordForm sets a person's password.
type PasswordForm struct {
	Action string // "" none
	Handle string
	Word   string
	Wrong  string
}

// ScrewsForm is a printer's levelling screws.
type ScrewsForm struct {
	Action   string // "" none
	Problems []FormProblem
	Hidden   []Fact
	Rows     [][]Field // a row a screw; the last ones are empty
	Saved    string
}

// SettingsPage is the farm's settings by what they are about.
type SettingsPage struct {
	Shell
	Crumb   string
	Lead    string
	Saved   string
	Trouble string
	Issues  []FormProblem
	Groups  []SettingsGroup
	Changes Table
}

// SettingsGroup is one form of settings.
type SettingsGroup struct {
	ID     string
	Title  string
	Note   string // why it cannot be changed; ""
	Action string // "" shown only
	Hidden []Fact
	Fields []Field
	Facts  []Fact // instead of fields
	Submit string
}

// TokenPage makes a token, or shows one that was just made.
type TokenPage struct {
	Shell
	Crumbs   []Fact
	Trouble  string
	Problems []FormProblem
	Action   string
	Fields   []Field
	Made     string // the token, shown once
	MadeNote string
}

// JobsPage lists jobs with what became of their starts.
type JobsPage struct {
	Shell
	Lead      string
	WhatIs    []HelpLink
	Find      string
	FindTo    string
	Table     Table
	Count     string
	Empty     string
	Pager     Pager
	Holds     string // what is on hold, said above the list; "" nothing
	HoldTo    string
	Setup     string // where jobs are added and changed; "" for whoever may not
	Import    string
	Forecasts string // address of what was expected of jobs
	Plan      string // the prep plan; "" no link
}

// JobPlanPage is the prep plan of all open jobs.
type JobPlanPage struct {
	Shell
	Lead, Cost          string
	Back, CSV, Timeline string
	Jobs, Starts, Tasks Table
	Changes             []Fact // of the plan lately: when, what and why
	Empty               string
}

// JobPage is one job and its starts.
type JobPage struct {
	Shell
	Job     string
	State   State
	Facts   []Fact
	Rate    Rate
	Grades  []Fact
	Filters []FilterRow
	Starts  []Event
	Empty   string
	Pager   Pager
	Change  string
	Need    *JobNeed // nil: the job is closed

	Forecasts    []Fact // what was expected beside what happened
	AllForecasts string
}

// TokenShow is one token.
type TokenShow struct {
	Shell
	Crumbs  []Fact
	Saved   string
	Facts   []Fact
	Revoke  SetupAct
	Changes Table
}
