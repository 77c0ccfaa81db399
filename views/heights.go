package views

// HeightsPage is the height book: which plates are thick, which printers stand
// low, and the move to expect for a pair.
type HeightsPage struct {
	Shell
	Crumb    string
	Lead     string
	Left     string // which printers are not in the book, and why
	Action   string
	Fields   []Field
	Problems []FormProblem
	Answer   string // for the pair asked for
	Parts    FilterRow
	Part     string
	Table    Table
	Pager    Pager
	Empty    string
	CSV      string
	Method   string
}

// HeightsPart is what the height book says on a printer's or plate's page.
type HeightsPart struct {
	Title string // "" nothing is said
	Lines []string
	Table Table
	Sub   string
	Book  string // address of the whole book
}
