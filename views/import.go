package views

// ImportPage takes an upload.
type ImportPage struct {
	Shell
	Crumb    string
	Action   string
	Files    []string
	Trouble  string
	Problems []FormProblem
	Kept     Table

	LogAction string
	Kinds     []Option
	Mappings  []string // kept ones, by name

	MappingsAt string // where they are looked after; "" there are none
}

// UploadPage is the report of an upload: checked, or imported.
type UploadPage struct {
	Shell
	Crumbs   []Fact
	Stored   string // nothing, all, good_rows
	Lead     string
	Acts     []UploadAct
	Download string // the refused rows; "" none
	Files    Table
	Created  []string
	Whole    []string // problems of no row
	Rows     []RefusedRow
	More     string
	Again    string
	Floor    string

	Done    string   // said above all: what was just done
	Mapping string   // of a log: where its mapping is changed; "" a bundle
	Undo    bool     // of a log that is in the farm
	Here    string   // where Undo and Create go
	Unknown []string // printers and plates nobody knows
	Create  []Field
}

// UploadAct is one button.
type UploadAct struct {
	Word, Act, Note string
	Main            bool
	Action          string
}

// RefusedRow is a row that does not fit, with what is wrong in it.
type RefusedRow struct {
	Where    string
	Problems []ProblemLine
	Cells    []RowCell
}

// ProblemLine says what was found in a column and what was expected.
type ProblemLine struct{ Column, Found, Expected string }

// RowCell is one cell of a refused row.
type RowCell struct {
	Head, Text string
	Wrong      bool
}

// ExportPage gives the farm as a bundle.
type ExportPage struct {
	Shell
	Crumb string
	Href  string
	Farm  []Fact
	Files []string
}
