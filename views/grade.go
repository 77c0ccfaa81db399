package views

import "github.com/a-h/templ"

// GradeListPage is what waits to be graded.
type GradeListPage struct {
	Shell
	Lead    string
	Ends    string // address where it is asked how prints ended
	Places  []Link // other ways to go through first layers
	Hint    PracticeHint
	Saved   SavedLine
	Find    string // address the printer's tag is sent to
	Problem string // what is wrong with the tag that was looked for
	Typed   string
	Scan    Scan
	Suggest []string
	Filters []FilterRow
	Groups  []WaitingGroup
	Empty   string
	Left    string // what is not listed
	Pager   Pager
	Recent  []RecentEntry
}

// WaitingGroup is the waiting printers of one bay, in walking order.
type WaitingGroup struct {
	ID    string
	Title string
	Rows  []WaitingRow
}

// WaitingRow is one printer with the starts that wait on it, the oldest first.
type WaitingRow struct {
	Printer string
	Plates  []string // of its starts, as recorded
	Held    string   // why no job must start there; "" not on hold
	Starts  []WaitingLink
}

// WaitingLink is one start to grade.
type WaitingLink struct {
	Href string
	When string // 13:40
	ISO  string
	Ago  string
	With string // plate and material
}

// GradePage is the form in which one first layer is graded, or a graded one
// corrected.
type GradePage struct {
	Shell
	Photo     PhotoPick
	Crumbs    []Fact
	Printer   string
	PlateTag  string
	NoTag     string // address that gives the plate a provisional tag; "" not offered
	Start     string // which start it is, in words
	Others    []Link // other starts that wait on this printer
	Saved     SavedLine
	Notice    string
	Reminders []Reminder
	Problems  []FormProblem
	Action    string
	Script    string // address of the page's script
	Hidden    []Fact
	Own       []Field // when an own start began
	Plate     string  // the plate and how it is, in words; "" not known
	PlateHow  string
	Fields    []Field // plate, side, turned, and the move where one is asked
	Change    bool    // they are open
	Probe     string  // what the records say of the probe; "" nothing
	Probed    []Field // the question, where they do not say
	Quick     bool    // one button says clean layer and saves
	Brushes   []Brush
	More      []Brush
	MoreOpen  bool
	Bed       Bed
	Grade     Field
	Seen      Field // seen from
	After     []Field
	Readings  ReadingsPart
	Rest      []Field
	RestOpen  bool
	Person    Field
	Reason    []Field // of a correction
	Submit    string
	Hint      PracticeHint
}

// PracticeHint says to whoever is signed in that no qualification is held; its zero
// value shows nothing.
type PracticeHint struct {
	Text string
	At   string // where practice is
}

// Brush is one mark to paint with, or "Nothing printed here".
type Brush struct {
	Code   string
	Word   string
	Short  string // as it stands in a zone
	Seen   string // what it looks like
	Key    string // letter that picks it
	Chosen bool
}

// Bed is the map that is painted: rows back to front, seen from the front and
// from above.
type Bed struct {
	Cols int
	Rows [][]BedZone
}

// BedZone is one zone of the map.
type BedZone struct {
	Code  string // A1
	Place string // front left
	Bare  bool   // nothing printed here
	Marks []BedMark
}

// BedMark is a mark in a zone.
type BedMark struct {
	Code     string
	Word     string // Over-squished, clear
	Severity string // 1, 2, 3
}

// first is the stored code of the zone's first mark.
func (z BedZone) first() string {
	if len(z.Marks) == 0 {
		return ""
	}
	return z.Marks[0].Code
}

// ReadingsPart is where thicknesses are entered, zone by zone.
type ReadingsPart struct {
	Open       bool
	Sort       Field // line or patch
	Rows       [][]Field
	Instrument Field
	Wrong      string
}

// bedCols tells the style sheet how many columns a map has.
func bedCols(cols int) templ.Attributes {
	return templ.Attributes{"data-cols": string(rune('0' + max(1, min(9, cols))))}
}
