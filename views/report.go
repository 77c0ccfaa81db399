package views

// ReportPage is a report for reading and for paper: a head, then parts one after
// another.
type ReportPage struct {
	Shell
	Crumbs    []Link
	State     State // of what it is about; no word: none
	Lead      string
	Sub       string
	Choices   []Link // other reports of its kind
	Downloads []Link
	Form      *ReportForm
	Actions   []Link
	Facts     []Fact
	Parts     []ReportPart
	Check     *ReportCheck
}

// ReportPart is one part.
type ReportPart struct {
	ID, Title string
	Lead      []string
	Facts     []Fact
	Table     Table
	Chart     Chart
	After     []string
	Empty     string // where there is nothing to show
}

// ReportForm asks what a report is to be about.
type ReportForm struct {
	Action string
	Fields []ReportField
	Button string
}

// ReportField is one field of it; with Options a choice.
type ReportField struct {
	Name, Word, Hint, Value, Type, Problem string
	Options                                []Option
}

// ReportCheck is the outcome of working a sheet out anew.
type ReportCheck struct {
	Same    bool
	Says    string
	Differs Table
}

// SheetPart is what a finding's page says of the evidence that was kept of it.
type SheetPart struct {
	Action string // address the button posts to; "" not for this reader
	ID     string // of the sheet to be
	Kept   []SheetLine
	More   string
}

// SheetLine is one kept sheet, or one that is being worked out.
type SheetLine struct {
	Href, When, ISO, Says string
	State                 State
}
