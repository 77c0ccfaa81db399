package views

import "github.com/a-h/templ"

// Shell is what every page stands in.
type Shell struct {
	Title       string    // the page's one h1, and the window's title
	Nav         []NavItem // areas in their fixed order
	Home        string    // address of the Floor
	SignOut     string    // address the sign-out form posts to
	Account     string    // their own sign-in; "" none
	Notices     string    // their notices; "" none
	Unread      string    // how many lines are not read; "" none
	ThemeTo     string    // address the colour form posts to
	Theme       string    // light, dark; "" as the device has it
	KeysTo      string    // address the form about single-key shortcuts posts to
	Keys        string    // off when they are switched off; "" on
	SizeTo      string    // address the form about the size of controls posts to
	Size        string    // glove, or "" for the usual
	HandTo      string    // address the form about the hand that taps posts to
	Hand        string    // left, or "" for right
	Here        string    // this page's address without the base path, to come back to
	Search      string    // address of the search; "" none
	Help        string    // address of the help, with the anchor of this page's word where it has one
	Person      string    // who is signed in; "" nobody
	Role        string    // their role, as a word
	Device      string    // the shared tablet this is; "" none
	Revoked     bool      // this was a shared tablet and was revoked
	Who         string    // where a shared tablet asks who is there; "" somebody is signed in
	Idle        string    // seconds after which a shared tablet asks who is there; "" never
	Clock       string    // the farm's clock, local
	ClockISO    string    // the same for machines
	DataThrough string    // what records reach up to, for paper
	Trouble     string    // what would make the next save fail; "" nothing
	CSS         string
	JS          string
	Icon        string

	// Work without network: what the outbox goes by (static/js/outbox.js).
	Base    string // base path
	Me      string // handle of who is signed in; "" nobody, or a page that holds no records
	SendAll bool   // may send what others recorded on this device
	IDB     string // the scripts
	Outbox  string
	Records string
	Queue   string // what waits on this device
	Trust   string // how to get https, where this page came by plain http over a network; ""
}

// sendAll as the outbox reads it.
func (s Shell) sendAll() string {
	if s.SendAll {
		return "yes"
	}
	return "no"
}

// marks says on the page's root how the device is held and touched, and that it is or
// was a shared tablet, for scripts.
func (s Shell) marks() templ.Attributes {
	a := templ.Attributes{}
	switch {
	case s.Device != "":
		a["data-device"] = "tablet"
	case s.Revoked:
		a["data-device"] = "revoked"
	}
	if s.Idle != "" {
		a["data-idle"] = s.Idle
	}
	if s.Size != "" {
		a["data-size"] = s.Size
	}
	if s.Hand != "" {
		a["data-hand"] = s.Hand
	}
	return a
}

// NavItem is one area.
type NavItem struct {
	Word    string
	Href    string
	Sign    string // name in the sprite
	Current bool
}

// barPlaces is how many areas the bar of a tablet held upright has room for;
// where there are more, the last place opens the rest.
const barPlaces = 5

// rest tells whether an area stands behind More in the bar.
func (s Shell) rest(i int) bool { return len(s.Nav) > barPlaces && i >= barPlaces-1 }

// behind gives the areas behind More.
func (s Shell) behind() []NavItem {
	if len(s.Nav) <= barPlaces {
		return nil
	}
	return s.Nav[barPlaces-1:]
}

// restCurrent tells whether the page belongs to an area behind More.
func (s Shell) restCurrent() bool {
	for _, n := range s.behind() {
		if n.Current {
			return true
		}
	}
	return false
}

// State is how a printer, plate, finding or grade stands: the stored code, the
// word people read, the sign's name ("" for none) and the tone: "" or "calm",
// "soon", "act".
type State struct {
	Code string
	Word string
	Sign string
	Tone string
}

// Fact is one line of a definition list.
type Fact struct {
	Word  string
	Value string
	Href  string // "" no link
	Note  string // second line, quieter
}

// FilterRow is one line of filters, each a link.
type FilterRow struct {
	Label string
	Links []FilterLink
}

// FilterLink narrows or widens a list.
type FilterLink struct {
	Word    string
	Count   string // "" not counted
	Href    string
	Current bool
}

// Column heads one column of a Table.
type Column struct {
	Word   string
	Number bool
	Wide   bool // left out on a phone: another column says it too
	Whole  bool // its first line is not broken: a date, a tag
}

// Cell is one cell: text, an optional second line, an optional link.
type Cell struct {
	Text string
	Note string
	Href string
}

// Row is one line of a Table; its first cell is the row's head.
type Row struct {
	Cells  []Cell
	Strong bool
}

// Table is a small table of words and numbers.
type Table struct {
	Caption string
	Titled  bool   // a heading just above says the same: the caption is not drawn
	Sub     string // what, when, n, coverage
	Columns []Column
	Rows    []Row
}

// Rate is a count before a rate: "7 of 62", "(11 %, likely 6 to 22 %)",
// "62 of 80 layers graded".
type Rate struct {
	Label    string
	Of       string
	How      string
	Coverage string
}

// Advice says what to do, why, how sure, and what would change it.
type Advice struct {
	Do      string
	Because string
	Sure    string
	Change  string
	Tone    string // "", soon, act
}

// Pager leads to the neighbouring pages of a list.
type Pager struct {
	Newer string
	Older string
	First string
	Plain bool // pages of a list that is in no order of time
}

func (p Pager) word(ofTime, plain string) string {
	if p.Plain {
		return plain
	}
	return ofTime
}

// Link is an act or a place one tap away.
type Link struct {
	Word string
	Href string
	Main bool
}

func actionClass(a Link) string {
	if a.Main {
		return "main"
	}
	return "low"
}
