package views

// LogPage says how a log of another form becomes records, and shows what its
// first rows become.
type LogPage struct {
	Shell
	Crumbs   []Fact
	Trouble  string
	Problems []FormProblem
	Notice   string
	Asks     []string // what has to be said
	Says     []string // why something is suggested
	Action   string
	Download string
	General  []Field
	Columns  []LogColumn
	Whole    []Field // values for all rows
	Marks    []Field // of the marks
	Preview  Table
}

// LogColumn is one column of the log.
type LogColumn struct {
	ID      string
	Heading string
	Sample  string
	Fields  []Field
	Words   []Field // what its words mean
}
