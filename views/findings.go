package views

// FindingsPage lists the findings of the farm.
type FindingsPage struct {
	Shell
	Lead    string
	Sub     string // window, totals, what is left out
	Filters []FilterRow
	Groups  []FindingGroup
	Empty   string
	First   FirstSteps
}

// FindingGroup is one heading and its findings.
type FindingGroup struct {
	ID    string
	Title string
	Count string
	Rows  []FindingRow

	More     string // "Show all 228"; "" when all are shown
	MoreHref string
}

// FindingRow is one finding of the list.
type FindingRow struct {
	Kind      string // printer, plate
	Subject   string
	Href      string
	Cause     string // stored code
	CauseWord string // "skipped probing"
	State     State
	Case      string // word; "" none
	Summary   string
	Avoidable string // of 100 layers: "4.2 (1.6 to 7.1)"; "" none
	Counts    string // "9 of 120 failed"
}

// FindingPage is the evidence of one finding.
type FindingPage struct {
	Shell
	Crumb     string // address of the list
	Kind      string
	Subject   string
	SubjHref  string
	Cause     string
	State     State
	Case      string
	Summary   string
	Advice    Advice
	Compare   Table  // 2×2 or gap bands
	CompareBy string // one line on how to read it
	Estimates Table  // plain and adjusted side by side
	Differ    string // one line on why they differ
	Marks     Table  // among failures and among good layers
	MarksLine string
	Facts     []Fact
	Method    string
}
