package views

import "strconv"

// MeshMap is a bed's heights, or how they changed, seen from the front and from
// above: rows back to front.
type MeshMap struct {
	ID     string
	Title  string
	Sub    string
	Rows   [][]MeshCell
	Legend string // how to read colours, signs and borders
}

// MeshCell is one point of a mesh.
type MeshCell struct {
	Place string // "column 1, row 1, front left"
	Sign  string // ▲ high, ▼ low; "" near the target
	Word  string // "0.04", "−0.12", "–" missing
	Level int    // −3 low to 3 high
	Out   bool   // beyond the scale
	None  bool   // missing
}

func (c MeshCell) class() string {
	s := "m" + strconv.Itoa(max(-3, min(3, c.Level)))
	if c.None {
		s = "none"
	}
	if c.Out {
		s += " out"
	}
	return s
}

// MeshPart is what a printer's page says of its meshes.
type MeshPart struct {
	Horizon string   // how long a mesh stays true, in words
	How     string   // what that rests on, and how sure
	Notices []string // copies, a probe at fault, mesh from elsewhere
	Map     MeshMap
	Page    Link // the latest probe's page
	Growth  Chart
	Empty   string // said instead of all
}

// MeshPage is one probe with its mesh.
type MeshPage struct {
	Shell
	Crumbs  []Fact
	State   string // sentence under the title
	Voided  string
	Notices []string
	Facts   []Fact
	Map     MeshMap
	Empty   string // the probe has no mesh
	Profile Chart
	Against MeshAgainst
	Part    MeshPart // what the printer's meshes say together
	History Table
	Pager   Pager
	CSV     string
}

// MeshAgainst compares with an earlier probe, chosen in the address.
type MeshAgainst struct {
	Action  string
	Options []Option
	Facts   []Fact
	Map     MeshMap
	Empty   string
}
