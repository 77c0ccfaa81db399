package views

// Proof is what was done about an advice, and whether it held.
type Proof struct {
	Action  string // its stored code
	Code    string // proving, held_up, came_back, followed; done, something_else, disagreed
	State   State
	What    string // what was done
	Href    string // the first layer it was advised on, or its subject
	Subject string // tag
	When    string
	ISO     string
	By      string
	Words   string // how far, or why not
	Layers  []Fact // the layers that count
}

func (p Proof) by() string {
	if p.By == "" {
		return ","
	}
	return ", by " + p.By + ","
}

// Decide asks what is done about a layer that lies there now.
type Decide struct {
	Action string // address; "" nothing is asked
	Lead   string
	Step   string // "0.01 mm"
	StepMM string // as it is sent
	Ends   []Option
	EndsTo string // address for what became of it; "" nothing is asked
}

// OutcomesPage lists starts of which nobody said what became of them.
type OutcomesPage struct {
	Shell
	Lead   string
	Saved  SavedLine
	Groups []OpenGroup
	Empty  string
	Left   string
	Pager  Pager
	Became string // address of the page of what became of layers
}

// OpenGroup is one bay's starts, in walking order.
type OpenGroup struct {
	ID, Title string
	Rows      []OpenEnd
}

// OpenEnd is one start without an outcome.
type OpenEnd struct {
	ID      string // of the first layer
	Action  string
	Href    string
	Printer string
	When    string
	ISO     string
	With    string // plate, job, grade
	Runs    string // "may still run", "ended: another print followed"
	Options []Option
}

// BecamePage says what became of layers that were let run.
type BecamePage struct {
	Shell
	Lead   string
	Tables []Table
	Empty  string
	Back   string
}
