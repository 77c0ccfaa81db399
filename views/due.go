package views

// DueList is what is due now, or by the end of a shift, with one tap to log each task.
type DueList struct {
	Title   string
	Count   string // "51 to 100 of 312"
	Sub     string // how much it is, and by what order
	Notice  string // what was not recorded, and why
	Caution string
	Empty   string
	Drawn   []DrawnRow // by lot for next starts
	More    string     // drawn ones that are not listed
	Left    string     // what is left out
	LeftTo  ActLink
	Action  string
	Hidden  []Fact
	Batch   string // what ticked rows become, on the button; "" nothing can be ticked
	Rows    []DueRow
	Pager   Pager
	Bays    *Choice // where there are too many for links
}

// DrawnRow is what a lot had for a printer's next start.
type DrawnRow struct{ Printer, Href, Arm, Says, Test string }

// DueRow is one task.
type DueRow struct {
	Value         string // task and what it is done to, as the form sends them
	Task          string // stored code
	Printer       string
	Plate         string
	Do            string // "Wipe L-203"
	On            string // where: "P-014, Bay 2"
	Href          string // of the printer
	Because       string
	Effort        string // minutes
	Saves, Likely string // what it saves, and its range
	Soon          string // when it becomes due; "" it is due
	OneTap        bool
	Log           ActLink // where it cannot be logged by one tap
	Skip          string  // address
}
