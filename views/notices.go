package views

// NoticesPage is what somebody was told.
type NoticesPage struct {
	Shell
	Lead     string
	Saved    string
	Lines    []NoticeLine
	ReadAll  string // address that marks read; "" nothing is unread
	Through  string // up to which notice
	Settings string
	Empty    string
	Pager    Pager
}

// NoticeLine is one notice, or those of a shift behind the fifth.
type NoticeLine struct {
	Time   string
	ISO    string
	Kind   string
	Words  string
	Href   string
	Unread bool
	Read   string // address that marks this line alone
	ID     string
	More   []NoticeLine // instead of Words: what is gathered
	Count  string       // "and 4 more"
	Beyond string       // "9 more are not listed"; "" none
}

// NoticeSettingsPage is what somebody wants to be told and how.
type NoticeSettingsPage struct {
	Shell
	Crumbs   []Fact
	Saved    string
	Trouble  string
	Problems []FormProblem
	Action   string
	Fields   []Field
	NoMail   string // why no mail can be sent; "" it can
	Address  string // "" none
	State    string // of the address
	AskTo    string // address the form for a mail address posts to
	Ask      Field
	Forget   SetupAct
}

// MailLinkPage is behind a link in a mail: one button, or what was done.
type MailLinkPage struct {
	Shell
	Words  string
	Action string // "" done
	Submit string
}

// HooksPage is how notices leave the farm.
type HooksPage struct {
	Shell
	Crumb  string
	Saved  string
	Facts  []Fact
	Add    string
	Table  Table
	Empty  string
	Dead   []DeadRow
	DeadAs string // how many there are
}

// DeadRow is a delivery that was given up.
type DeadRow struct {
	To, What, When, Tries, Answer string
	Retry                         SetupAct
}

// HookPage makes a webhook, or is one.
type HookPage struct {
	Shell
	Crumbs   []Fact
	Saved    string
	Secret   string // shown once
	Trouble  string
	Problems []FormProblem
	Facts    []Fact
	Action   string
	Fields   []Field
	Submit   string
	Acts     []SetupAct
	Last     Table
	Changes  Table
}
