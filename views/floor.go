package views

// FloorPage is every printer: what needs someone first, or in walking order.
type FloorPage struct {
	Shell
	Live    string // address that tells of changes
	Script  string // address of the script that takes them in
	Again   string // address of this page
	Lead    string // "7 of 60 printers need someone."
	Notice  string // what is missing just now; ""
	Looked  string // how much of the look list is done; "" all are looked at
	Saved   SavedLine
	Places  []Link // ways to walk the floor
	Filters []FilterRow
	Bays    *Choice // where there are too many for links
	Showing string  // the filters as a sentence, without its end
	Clear   string  // address without filters; "" none are in force
	Groups  []FloorGroup
	Empty   string       // said when no printer is listed
	First   FirstSteps   // of a farm without printers
	Cut     string       // "201 to 400 of 1000 printers"; "" all are on this page
	Pages   []FilterLink // the other pages
	Sub     string       // what the figures cover
}

// FloorGroup is one heading and its printers: those that need someone in full,
// the others small.
type FloorGroup struct {
	ID    string // of the heading
	Title string
	Count string
	Rows  []FloorRow
	Calm  []FloorRow
}

// FloorRow is one printer.
type FloorRow struct {
	Tag       string
	Href      string
	Grade     string // address of its Grade page; "" none
	Bay       string
	Plate     string // tag of the plate fitted; "" none known
	PlateHref string
	PlateNote string // "wiped 5 prints ago"
	Probe     string // "probed 1 start ago"
	State     State
	Why       string
	Figures   string   // counts of the last days
	Next      string   // the one next action; "" none
	NextHref  string   // where it is logged once done; "" nowhere
	Drawn     []string // by lot for its next start
}

// Choice is a form in which one of many is chosen.
type Choice struct {
	Action, Label, Name, ID string
	Options                 []Option
	Kept                    []Option // sent along; Word is the name
}
