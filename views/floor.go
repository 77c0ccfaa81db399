package views

// FloorPage is every printer: what needs someone first, or in walking order.
type FloorPage struct {
	Shell
	Lead    string // "7 of 60 printers need someone."
	Sub     string // what the figures cover
	Filters []FilterRow
	Groups  []FloorGroup
	Empty   string // said when no printer is listed
	First   FirstSteps
}

// FloorGroup is one heading and its printers.
type FloorGroup struct {
	ID    string // of the heading
	Title string
	Count string
	Rows  []FloorRow
}

// FloorRow is one printer.
type FloorRow struct {
	Tag       string
	Href      string
	Bay       string
	Plate     string // tag of the plate fitted; "" none known
	PlateHref string
	PlateNote string // "wiped 5 prints ago"
	Probe     string // "probed 1 start ago"
	State     State
	Why       string
	Figures   string // counts of the last days
	Next      string // the one next action; "" none
	Calm      bool   // nothing to do: drawn grey
}
