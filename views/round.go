package views

// RoundPage is one round over the running first layers: the next one comes up only
// after a save.
type RoundPage struct {
	Shell
	Lead      string // where layers come down and when; "" none soon
	Done      string // how much of the look list is done; "" all are looked at
	Notice    string
	Saved     SavedLine
	Filters   []FilterRow
	Action    string
	Hidden    []Fact
	Next      *RoundRow
	RowTitle  string
	Row       []RoundRow // in the same bay, to be ticked as seen
	Later     []RoundRow
	Left      int
	LeftWords string
	Empty     string
}

// RoundRow is one running first layer.
type RoundRow struct {
	ID, Value     string
	Printer, Href string
	Bay, With     string
	State         string // printing, down
	When          string // it is down and covered
	How           string // that is known
	Held          string // why no job must start there; "" not on hold
	Grade         string // address of the form for marks and other grades
	Skip          string // address at which the one after comes up; "" there is none
	Drawn, Why    string // what the look list drew, by its code and in words; "" all are looked at
}
