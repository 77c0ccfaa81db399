package views

import "strconv"

// ThingPage is everything about one printer or one plate.
type ThingPage struct {
	Shell
	Kind     string // printer, plate
	Tag      string
	State    State
	Why      string
	Saved    SavedLine
	Ask      ActLink // a question that the records leave open; "" none
	Advice   Advice
	Drawn    []Reminder // by lot for its next start
	Actions  []Link
	Trend    string // address of its failures over time
	Reports  []Link // its sheet, all that was recorded about it
	Facts    []Fact
	Rates    []Rate
	RatesSub string
	By       []Table // rates split by the other thing, material, ...
	RiskLead string  // chance that the next first layer fails; "" not known
	Risk     Table   // the same by material
	Findings []FindingRow
	Heights  HeightsPart
	Changes  Table   // made in Setup
	Proofs   []Proof // what was done to it as advised, and whether it held
	Marks    MarksPart
	Meshes   *MeshPart // of a printer
	Photos   []Photo   // of a printer, small
	Stays    Table     // where the plate was, which plates were on the printer
	StaysSub string    // how it is known
	Kept     []Table   // probes, offset changes, holds: the latest of each
	Kinds    FilterRow
	History  []Event
	Empty    string // said when there is no history
	Pager    Pager
}

// MarksPart sums marks by zone in both frames.
type MarksPart struct {
	Sub    string // over which layers
	Last   FilterRow
	Maps   []MarkMap
	Left   string // what is not drawn, and why
	Empty  string // said instead of maps
	Frames string // how to read the two frames
}

// MarkMap is one bed or plate with sums by zone, seen from the front and from
// above: rows back to front.
type MarkMap struct {
	ID    string
	Title string
	Sub   string
	Rows  [][]MarkCell
	Plate bool // the plate's own frame
}

// MarkCell is one zone: how many of the layers printed there show a mark.
type MarkCell struct {
	Code  string // A1
	Place string // front left
	Of    string // "4 of 38"; "" nothing printed there
	Words []string
	Level int // 0 none to 4 many
}

// Event is one line of a history.
type Event struct {
	When   string
	ISO    string
	What   string // "First layer: failed"
	Href   string
	State  State // of a graded layer, a hold; zero none
	With   string
	Late   string // "Late entry, entered 2026-03-09 14:05"; "" in time
	Voided string // "Voided 2026-03-09 14:05 by amara: wrong printer"; "" in force
	Kind   string
}

// FirstLayerPage is one first layer.
type FirstLayerPage struct {
	Shell
	ID        string
	Printer   string
	Plate     string
	State     State
	When      string // when it was started, in words
	Crumbs    []Fact // printer and plate it belongs to
	Voided    string // sentence; "" in force
	Instead   string // address of the record that replaces it
	Saved     SavedLine
	Advice    LayerAdvice // what to do about it; none when there is nothing to say
	Tap       DoneTap
	Answers   []Link    // to the advice: done, something else, I disagree
	Answered  []Proof   // what was done about its advice, and whether it held
	Weigh     WeighPart // a patch that was weighed
	Decide    Decide    // asked with one tap
	Next      []Link    // what to do after saving; grade, correct, void
	Started   []string  // what it was started under, in sentences
	Photos    PhotoPart
	Maps      []FrameMap
	Facts     []Fact
	History   []Event
	Previous  string // on the same printer
	Following string
}

// FrameMap is the marks in one frame: the printer's or the plate's.
type FrameMap struct {
	Frame string // printer, plate
	Title string
	Sub   string
	Zones ZoneMap
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

func staysWord(kind string) string {
	if kind == "plate" {
		return "Where it was"
	}
	return "Plates on it"
}

func keptWord(kind string) string {
	if kind == "plate" {
		return "Care and holds"
	}
	return "Probes, offsets and holds"
}

func frame(m MarkMap) string {
	if m.Plate {
		return "plate"
	}
	return "printer"
}

func level(c MarkCell) string {
	if c.Of == "" {
		return "uncovered"
	}
	return "l" + strconv.Itoa(max(0, min(4, c.Level)))
}
