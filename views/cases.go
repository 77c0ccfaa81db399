package views

// CasePart is where the case of a finding stands, how it came there, and what may
// follow.
type CasePart struct {
	Now     string // word; "" no case
	Lead    string
	Trail   []CaseLine
	Tests   []Link // planned tests, the latest first
	Plan    string // address where a test is planned; "" not for this reader, or one runs
	Action  string // address a step goes to; "" not for this reader
	ID      string // of the record to be
	Next    []Option
	Reason  string // as typed before
	Problem string // why the last try was refused; ""
}

// CaseLine is one step of a case.
type CaseLine struct {
	Word   string
	When   string
	ISO    string
	By     string
	Reason string
	Voided string // "Taken back 2026-03-09 14:05 by amara: wrong plate"; "" in force
	Undo   string // address that takes it back; "" not offered
}

// PlanPage is a test before it begins: its size for what it is to tell apart.
type PlanPage struct {
	Shell
	Crumbs   []Fact
	Lead     string
	Caution  string
	Problems []FormProblem
	Look     string  // address of the form that works out the size again
	Chosen   []Field // what it is to tell apart
	Size     string  // "Takes about 240 graded starts, about 31 days at this printer's pace."; "" cannot be said
	Range    Table
	Rules    []string // how it is run, looked at and judged
	Action   string   // address that begins it
	Hidden   []Fact
	Begin    []Field
	Submit   string
}

// TestPage is a planned test while it runs or when it is over.
type TestPage struct {
	Shell
	Crumbs []Fact
	State  State
	Says   []string // what it shows, first what follows from it
	Saved  string
	Facts  []Fact
	Arms   Table
	Notes  []string
	Last   Table // the latest starts drawn
	End    *FormPage
	Method string
}

// Reminder says at the machine what a lot drew for the next start.
type Reminder struct {
	Arm   string // do, leave
	Says  string
	Why   string
	Href  string // the test; "" the standing lot
	Links []Link // what to log; why it was not followed
}
