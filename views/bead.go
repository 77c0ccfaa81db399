package views

// BeadPage says what lines of a first layer look like at any gap.
type BeadPage struct {
	Shell
	Action   string // where the form goes
	Fields   []BeadField
	Problems []string // what is wrong with the form; the rest is then empty
	Lead     string   // the band in a sentence
	Seen     string   // what a seen slit means; "" none was given
	Facts    []Fact
	Drawings []BeadDrawing
	Gaps     Table
	Aim      string // where to aim a little higher
}

// BeadField is one number of the form.
type BeadField struct {
	Name  string
	Label string
	Hint  string
	Value string
	Wrong string // what is wrong with it; ""
}

// BeadDrawing is a cross-section of neighbouring lines at one gap, in units of
// its own: X to the right, Y down, the plate at Plate.
type BeadDrawing struct {
	Title   string
	Words   string // what is to be seen, the drawing in words
	ViewBox string
	Right   string // right end of plate and nozzle
	Plate   string
	Nozzle  string // height of the nozzle's face
	Tip     string // path of the nozzle's tip
	Lines   []BeadLine
}

// BeadLine is one line's cross-section, a rectangle with round sides.
type BeadLine struct{ X, Y, Width, Height, Round string }
