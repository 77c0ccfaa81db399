package views

// LabelsPage makes sheets of labels.
type LabelsPage struct {
	Shell
	Crumb    string
	Lead     string
	Prints   string // the address on the labels, in words
	Warn     string // why phones would not reach it; "" they do
	Caution  string
	Action   string
	Fields   []Field
	Problems []FormProblem
	Count    string // "14 labels on 1 sheet"; "" none yet
	Files    []Link
	Sheets   []SheetPicture
	More     string // sheets that are not shown
	Class    string // letter, a4, single: the paper
}

// SheetPicture is one sheet to look at and to print.
type SheetPicture struct{ Href, Words, Wide, High string }

// MarkPlatePage tells how to put a tag on a plate that lasts.
type MarkPlatePage struct {
	Shell
	Tag      string
	Crumb    string
	Lead     string
	Short    string // large, to be copied by hand: L203K
	ShortHow string
	Cautions []string
	Action   string
	Fields   []Field
	Problems []FormProblem
	Picture  SheetPicture
	Facts    []Fact
	Files    []Link
	Prints   string
	Warn     string
	Labels   string // address of paper labels for this plate
}
