package views

// FindingsPage lists the findings of the farm.
type FindingsPage struct {
	Shell
	Reports []Link
	Lead    string
	Sub     string // window, totals, what is left out
	Filters []FilterRow
	Bays    *Choice // where there are too many for links
	Groups  []FindingGroup
	Empty   string
	Pager   Pager
	First   FirstSteps

	RiskOff Link   // the risks said do not hold; zero: they do
	More    []Link // pages beside this one
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
	InAll     string // "about 34 in 84 days"; "" none
	Counts    string // "9 of 120 failed"
	Disagree  string // "Amara disagrees"; "" nobody
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
	Actions   []Link
	Compare   Table  // 2×2 or gap bands
	CompareBy string // one line on how to read it
	Figures   string // address of the same as CSV; "" it stands at the chart
	Apart     Table  // layers that enter no comparison: void probes, no record
	ApartLine string
	Curve     Chart  // failures by prints since cleaning; no ID: none
	Estimates Table  // plain and adjusted side by side
	Differ    string // one line on why they differ
	Marks     Table  // among failures and among good layers
	MarksLine string
	Facts     []Fact
	Method    string
	CaseOf    CasePart
	Sheets    SheetPart // evidence that was kept
	Said      []Disagreement
	Form      DisagreeForm
}

// Disagreement is one person's word against the finding.
type Disagreement struct {
	ID        string
	Who       string
	When      string
	ISO       string
	Then      string // "when it was raised"; "" not known
	Reason    string
	Withdrawn string // "Withdrawn 2026-03-09 14:05 by amara: seen the second table"; "" in force
	Withdraw  string // address the form posts to; "" may not
}

// DisagreeForm is where somebody says that a finding is wrong, and why.
type DisagreeForm struct {
	Action  string // "" not for this reader
	ID      string // of the record to be
	Reason  string // as typed before
	Problem string // why the last try was refused; ""
}

func then(d Disagreement) string {
	if d.Then == "" {
		return ""
	}
	return ", " + d.Then
}
