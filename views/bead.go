package views

// BeadPage says what lines of a first layer look like at any gap.
type BeadPage struct {
	Shell
	Action   string // where the form goes
	Fields   []Field
	Problems []FormProblem // what is wrong with the form; the rest is then empty
	Lead     string        // the band in a sentence
	Seen     string        // what a seen slit means; "" none was given
	Facts    []Fact
	Drawings []BeadDrawing
	Gaps     Table
	Aim      string // where to aim a little higher
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

// CouponPage offers a printer's test print.
type CouponPage struct {
	Shell
	Tag      string
	Crumb    string // the printer's page
	Lead     string
	Caution  string
	Action   string // where the form goes
	Fields   []Field
	Problems []FormProblem // what is wrong with the form; the rest is then empty
	Files    []Link
	Facts    []Fact
	Plan     CouponPlan
	Steps    []string
	Bead     string // address of the bead model's page for this profile
}

// CouponPlan is the print on the bed, seen from above; FRONT is below.
type CouponPlan struct {
	Words            string // the plan in words
	ViewBox          string
	Width, Depth     string
	Zones            string // path of the lines between zones
	Patches, Singles string // paths
}
