package views

// HandoverPart is one matter of a handover: a heading with how many, and the first
// lines.
type HandoverPart struct {
	ID       string
	Title    string
	Count    int    // below 0 not counted
	State    State  // sign beside the heading where there is anything
	Sum      string // sentence over the lines
	Lines    []Fact // Word is what it is about, Value what is said of it
	More     string // "and 3 more"
	MoreHref string
	None     string // said where there is nothing
}

// HandoverCard is one handover in a line, with who took it over.
type HandoverCard struct {
	ID, Href  string
	When, ISO string
	By, Shift string
	Note      string
	Receipts  []string
	Takes     bool // whoever looks has not taken it over and may
}

// HandoverPage is the handover as it would be given now.
type HandoverPage struct {
	Shell
	Lead     string
	Saved    SavedLine
	Problems []FormProblem
	Parts    []HandoverPart
	Notes    []Fact
	Last     *HandoverCard // the latest that was given; nil none
	Action   string
	Hidden   []Fact
	Note     string // as typed
	Person   string
	Past     string // address of past ones
}

// HandoversPage lists past handovers.
type HandoversPage struct {
	Shell
	Back  string
	Cards []HandoverCard
	Empty string
	Pager Pager
}

// HandoverKeptPage is one handover as it was given.
type HandoverKeptPage struct {
	Shell
	Back   string
	Card   HandoverCard
	Voided string // when, by whom and why it was taken back; "" it stands
	Parts  []HandoverPart
}
