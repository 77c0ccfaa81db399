package views

// TimelinePage is the prep plan drawn over time, by printer or by person.
type TimelinePage struct {
	Shell
	Lead      string
	Back, CSV string
	Filters   []FilterRow
	Drawing   Timeline
	Says      string // summary for who cannot see it
	Sub       string
	Key       []TimelineKey
	Table     Table
	Empty     string
	Pager     Pager
	Earlier   Link
	Later     Link
}

// Timeline is the picture in its own units, ready to be written.
type Timeline struct {
	Width, Height, ViewBox   string
	Left, Right, Top, Bottom string
	Ticks                    []ChartTick
	Now                      string // place of the present; "" outside
	Rows                     []TimelineRow
}

// TimelineRow is a printer or a person.
type TimelineRow struct {
	Name   string
	Y      string // of the word
	Line   string // of the rule under it
	Blocks []TimelineBlock
}

// TimelineBlock is a start or a task.
type TimelineBlock struct {
	X, Y, W, H string
	Kind       string // start, wipe, wash, probe, swap_plate, soak, check
	Word       string // inside; "" too narrow
	WX, WY     string
	Says       string
}

// TimelineKey says what a hatch means.
type TimelineKey struct{ Kind, Word string }
