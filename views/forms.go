package views

import (
	"strconv"
	"strings"

	"github.com/a-h/templ"
)

// SavedLine says what was saved just now, with its undo.
type SavedLine struct {
	Words string // "" nothing was
	Undo  string // address the undo posts to
	Entry string
	Next  string // address to come back to, without the base path
	Back  ActLink
	Late  string // sentence; "" not late
	Then  string // what to do next; "" nothing
}

// FormPage is a form that records something.
type FormPage struct {
	Shell
	Crumb     string
	CrumbWord string // "" Upkeep
	Action    string
	Alone     bool // asks neither when nor who
	Lead      string
	Caution   string   // the usual caution where the work can hurt
	Notice    string   // said above the form, no problem
	Listed    []string // under ListTitle: what the form's question rests on
	ListTitle string
	Problems  []FormProblem
	Hidden    []Fact // Word is the name
	Fields    []Field
	Adders    []Field // ways to add to the first field, folded behind it
	More      []Field // behind "More"
	MoreOpen  bool
	Submit    string
	Danger    bool    // places a hold: outlined, named by the verb
	Look      string  // word of a second button that shows the form again with what was read; "" none
	Preview   MeshMap // what was read of pasted numbers
	After     ActLink // a way out
}

func (p FormPage) crumbWord() string {
	if p.CrumbWord == "" {
		return "Upkeep"
	}
	return p.CrumbWord
}

// FormProblem is one line of the summary above a refused form.
type FormProblem struct {
	Field string // name; "" of the whole form
	Words string
}

// Field is one question of a form.
type Field struct {
	Name     string
	Label    string
	Kind     string // text, number, area, when, choice, select, fixed, check
	Hint     string
	Value    string
	Unit     string // behind a number
	Optional bool
	Wrong    string // what is wrong and what to do
	Options  []Option
	Suggest  []string // words offered while typing
	Longest  int      // characters; 0: no limit of its own
	Add      string   // word of a button that adds this to the list before it; "" none
	Max      string   // latest time
	On       bool     // of a check: ticked
	Scan     Scan     // of a tag: where a label's code can be read into it
}

// Scan names what reads a label's code into a field of tags: the script, its reader, and
// the library for browsers that have none of their own. The zero Scan is none.
type Scan struct{ Script, Reader, Library string }

// scanned are the attributes by which the page's script offers it.
func scanned(s Scan) templ.Attributes {
	if s.Script == "" {
		return nil
	}
	return templ.Attributes{"data-scan": s.Script, "data-scan-reader": s.Reader, "data-scan-library": s.Library}
}

// Option is one answer of a choice or a select.
type Option struct {
	Value  string
	Word   string
	Note   string
	Chosen bool
}

// describedBy ties a field to its hint and to what is wrong with it.
func describedBy(f Field) templ.Attributes {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, "h-"+f.Name)
	}
	a := templ.Attributes{}
	if f.Wrong != "" {
		ids = append(ids, "w-"+f.Name)
		if f.Kind != "choice" {
			a["aria-invalid"] = "true"
		}
	}
	if len(ids) > 0 {
		a["aria-describedby"] = strings.Join(ids, " ")
	}
	return a
}

// textBounds is what a line of text may hold and what is offered for it.
func textBounds(f Field) templ.Attributes {
	a := templ.Attributes{}
	if f.Longest > 0 {
		a["maxlength"] = strconv.Itoa(f.Longest)
	}
	if len(f.Suggest) > 0 {
		a["list"] = "l-" + f.Name
	}
	return a
}

// areaRows is how many lines a field for many lines shows.
func areaRows(text string) string {
	return strconv.Itoa(min(max(3, strings.Count(text, "\n")+2), 12))
}

// careHook names what a row is about.
func careHook(r CareRow) templ.Attributes {
	if r.Kind == "plate" {
		return templ.Attributes{"data-plate": r.Tag}
	}
	return templ.Attributes{"data-printer": r.Tag}
}

// wrongAny tells whether something is wrong with any of the fields.
func wrongAny(fields []Field) bool {
	for _, f := range fields {
		if f.Wrong != "" {
			return true
		}
	}
	return false
}
