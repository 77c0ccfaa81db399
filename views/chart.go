package views

// Chart is one picture with the same numbers as words and as a table. Title is
// the answer as a sentence; the drawings show the same points for a wide and a
// narrow screen.
type Chart struct {
	ID       string
	Kind     string // rate, gaps, sum, hours, funnel
	Title    string
	Sub      string // what, where, when, n, coverage
	Says     string // summary for who cannot see it
	Drawings []Drawing
	Below    []string // sentences under the picture: rules, how limits were found
	Table    Table
	TableAt  string // where on the page the table stands instead
	Above    bool   // it stands above
	CSV      string // address of the table as CSV
	CSVWord  string
	Empty    string // said instead of a picture
}

// Drawing is a chart's picture in its own units, ready to be written.
type Drawing struct {
	Class          string // wide, narrow, small
	Width, Height  string
	ViewBox        string
	Left, Right    string // of the plot
	Top, Bottom    string
	YTicks, XTicks []ChartTick
	XTitle         string
	YTitle         string
	Centre         ChartLine
	Lines          []ChartLine // limits: dashed
	Path           []string    // points joined, one list for each unbroken stretch
	Mass           string      // many plain dots as one path
	Dots           []ChartDot
	Ranges         []string // likely ranges: a path through each dot
	Band           string   // of what was adjusted, as a path
	Curve          string   // points of the adjusted line
	Runs           []ChartRun
	Events         []ChartTick
}

// ChartTick is a place on an axis with its word.
type ChartTick struct {
	At   string
	Word string
	End  string // anchor of the word: start, middle, end
}

// ChartLine is a line through the plot with a word at its end; no word, no line
// of text.
type ChartLine struct {
	Points string
	Word   string
	X, Y   string // of the word
	End    string
}

// ChartDot is one point that can be walked to.
type ChartDot struct {
	X, Y string
	Kind string // "" plain, late, beyond, open
	Word string // written beside it
	WX   string // where
	WY   string
	End  string
	Says string // what is read out there
}

// ChartRun brackets points in a row.
type ChartRun struct {
	Path string
	Word string
	X, Y string
}

// Multiple is one of many small charts.
type Multiple struct {
	Name    string
	Href    string
	Figures string
	State   State
	Drawing Drawing
	Says    string
}

// printedRows is how long a chart's table may be to go onto paper with it.
const printedRows = 30

func tableWord(c Chart) string {
	if c.Above {
		return "As table, above"
	}
	return "As table, below"
}
