package views

// SweepPage lists the starts that ended without anybody having looked.
type SweepPage struct {
	Shell
	Lead    string
	Notice  string // what was said by somebody else meanwhile
	Caution string
	Saved   SavedLine
	Action  string
	Hidden  []Fact
	Groups  []SweepGroup
	Empty   string
	Left    string
	Nights  string // address of the figures by night
	Pager   Pager
}

// SweepGroup is one bay, in walking order.
type SweepGroup struct {
	ID, Title string
	Rows      []SweepRow
	Close     int    // starts taken off unseen
	CloseAll  string // value that closes all of them; "" there are not several
	CloseWord string
}

// SweepRow is one printer. ID is of the start whose part may lie there still; ""
// all were taken off.
type SweepRow struct {
	Printer, Href string
	ID, When, ISO string
	With, Runs    string
	Held, Gone    string // values of the two taps
	Other         string // address of the form for anything else
	Earlier       []Link // starts taken off unseen
	Close         string // value that closes them
	CloseWord     string
}

// NightsPage tells what was seen by night.
type NightsPage struct {
	Shell
	Back  string
	Lead  string
	Empty string
	Table Table
	Pager Pager
}
