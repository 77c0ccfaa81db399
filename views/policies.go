package views

// PoliciesPage lists policies, changes of them, or suggestions for them.
type PoliciesPage struct {
	Shell
	Crumbs []Fact // Value and Href
	Lead   string
	Notice string
	Main   Link // the one filled button
	Links  []Link
	Tables []Table
	Notes  []string
	Empty  string
	Pager  Pager
}

// PolicyPage adds a policy or shows one, with a form that makes its next version.
type PolicyPage struct {
	Shell
	Crumbs   []Fact
	State    State
	Says     []string // what it asks for and where
	Saved    string
	Trouble  string
	Problems []FormProblem
	Preview  PolicyPreview
	Action   string
	Hidden   []Fact
	Groups   []PolicyGroup
	Looked   bool   // the preview was shown: it may be put in force
	Submit   string // word of that
	End      PolicyEnd
	Versions Table
	Effects  []PolicyEffect
	Back     SetupAct // takes the latest version back
}

// PolicyGroup is some fields under one heading.
type PolicyGroup struct {
	Title  string
	Note   string
	Fields []Field
}

// PolicyPreview is what a policy would have asked for, beside what was done.
type PolicyPreview struct {
	Title string // the answer; "" no preview
	Says  []string
	Table Table
}

// PolicyEnd ends a policy, with a reason.
type PolicyEnd struct {
	Action string // "" it cannot be ended
	Word   string
	Hidden []Fact
	Reason Field
}

// PolicyEffect is what was expected of one version and what came of it.
type PolicyEffect struct {
	ID    string
	Title string
	Says  []string
	Table Table
	Look  Link // reads it out of the records; Word "" it stands here
}

// SuggestionPage is one suggested interval with what it costs.
type SuggestionPage struct {
	Shell
	Crumbs []Fact
	State  State
	Advice Advice
	Says   []string
	Takes  []Link // puts it into the form of a policy
	Chart  Chart
}
