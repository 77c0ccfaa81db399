package views

// ThingPage is everything about one printer or one plate.
type ThingPage struct {
	Shell
	Kind     string // printer, plate
	Tag      string
	State    State
	Why      string
	Advice   Advice
	Facts    []Fact
	Rates    []Rate
	RatesSub string
	By       []Table // rates split by the other thing, material, ...
	Findings []FindingRow
	History  []Event
	Empty    string // said when there is no history
	Pager    Pager
}

// Event is one line of a history.
type Event struct {
	When   string
	ISO    string
	What   string // "First layer: failed"
	Href   string
	State  State // of a graded layer, a hold; zero none
	With   string
	Late   bool // arrived much later than it happened
	Voided bool
	Why    string // reason of the voiding
	Kind   string
}

// FirstLayerPage is one first layer.
type FirstLayerPage struct {
	Shell
	ID      string
	Printer string
	Plate   string
	State   State
	Facts   []Fact
	Zones   ZoneMap
	Started []Fact // what it was started under
	Crumbs  []Fact // printer and plate it belongs to
	Voided  string // sentence; "" in force
}

// ZoneMap is the bed seen from the front and from above: rows back to front.
type ZoneMap struct {
	Caption string
	Rows    [][]ZoneCell
}

// ZoneCell is one zone.
type ZoneCell struct {
	Code    string // A1
	Place   string // front left
	Words   []string
	Marked  bool
	Covered bool
	Mark    string // stored code of its first mark
}
