package views

// UpkeepPage shows what was logged of the care of plates and printers, and
// leads to the acts of logging.
type UpkeepPage struct {
	Shell
	Lead    string
	Saved   SavedLine
	RiskOff Link    // the risks said do not hold; zero: they do
	Ask     ActLink // a question that the records leave open; "" none
	Acts    []ActLink
	Filters []FilterRow
	Due     *DueList // what is due, in place of List
	List    CareList
	Recent  []RecentEntry
	All     string // address of the whole Recent list
}

// ActLink leads to one act of logging.
type ActLink struct {
	Word string
	Href string
}

// CareList is one list of the Upkeep page: plates, printers, holds.
type CareList struct {
	Title   string
	Sub     string // what is counted, what is left out
	Empty   string
	Columns []Column
	Rows    []CareRow
	Choose  []ActLink // what can be logged for the chosen rows; none: rows cannot be chosen
	Pager   Pager
	Count   string // "51 to 100 of 312"
}

// CareRow is one plate, printer or hold.
type CareRow struct {
	Kind  string // printer, plate
	Tag   string
	Cells []Cell // one for each column; the first is the thing
	State State
	Act   ActLink // what is logged of it most
}

// RecentEntry is one act by hand.
type RecentEntry struct {
	When   string // of saving
	ISO    string
	By     string
	What   string   // "Wiped"
	Things []Fact   // plates and printers it is about
	Also   []string // what was logged in the same go, with its plate or printer
	With   string
	Late   string // when it happened, for a late entry
	Undone bool
	Undo   string // address of the page that takes it back; "" not open to this person
}

// RecentPage is the whole list of what was logged lately.
type RecentPage struct {
	Shell
	Crumb   string
	Saved   SavedLine
	Entries []RecentEntry
	Empty   string
	Pager   Pager
}

// UndoPage asks for the reason before an older entry is taken back.
type UndoPage struct {
	Shell
	Crumb  string
	Entry  RecentEntry
	Form   FormPage
	Closed string // why there is nothing to undo; "" there is
}
