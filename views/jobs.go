package views

import "github.com/a-h/templ"

// JobNeed says how many more of a job to start, and on what.
type JobNeed struct {
	Do, Because string
	Facts       []Fact
	Action      string
	Fields      []Field
	Problems    []FormProblem
	Curve       Table
	Holds       []JobHold
	HoldsMore   string
	HoldsHref   string
	FitLead     string
	Money       string
	Fit         []JobMachine
	Pager       Pager
	Not         Table
}

// JobHold is a printer or plate that must not start jobs.
type JobHold struct{ Kind, Tag, Href, Why string }

func (h JobHold) attributes() templ.Attributes { return templ.Attributes{"data-" + h.Kind: h.Tag} }

// JobMachine is a printer that a job may be started on.
type JobMachine struct {
	Printer, Href, Plate string
	Note                 string
	Now, After           string // chances in 100
	Do                   string // before the start
	Cost                 string
	Ready                State
}
