package views

// TrendsPage is the page of trends.
type TrendsPage struct {
	Shell
	Lead    string // said instead of a rate
	Heights string // address of the height book; "" none
	Reports []Link
	By      FilterRow
	Filters []TrendPart // the sentence of filters, part by part
	Clear   string      // address without filters; "" there are none
	Form    TrendForm
	Rate    Rate
	Looks   []string  // what the look list tells; none: no list is in use
	Layers  FilterRow // what charts judge by; no links: not asked
	Notes   []string  // what is left out, what counts how
	Empty   string
	First   bool // nothing recorded at all
	Grade   string
	Charts  FilterRow // the kinds of the first chart
	Runs    FilterRow // in-control run lengths of a sum; no links: not asked
	Main    Chart
	Events  Table
	EventsN string // how many, in words
	Compare Chart  // funnel, or hours
	Many    []Multiple
	ManyTop string // heading of the small charts
	ManySub string
	ManyTab Table
	ManyCSV string
	Groups  Table
	Pager   Pager
	PagerOf string
	CSV     string
}

// TrendPart is one part of the sentence that says what is shown; it can be
// taken out by its link.
type TrendPart struct {
	Words string
	Drop  string // address without it; "" it stays
}

// TrendForm asks for another window or filter.
type TrendForm struct {
	Action string
	Hidden []Fact // Word is the name
	Fields []Field
}
