package views

// EnrolPage makes this browser a shared tablet.
type EnrolPage struct {
	Shell
	Action  string
	Code    string // as a camera read it, or typed
	Problem string
	Loses   bool // somebody is signed in here and will be signed out
}

// WhoPage asks a shared tablet's holder who they are.
type WhoPage struct {
	Shell
	Not        string // why nobody can change over here; ""
	Device     string
	Action     string
	ByPassword string
	Again      string // back to the names
	Next       string
	Problem    string
	Handle     string // whose PIN is asked for; "" nobody was chosen yet
	Word       string
	People     []WhoChoice
}

// WhoChoice is one person with a PIN.
type WhoChoice struct {
	Word string
	Note string
	Href string
}

// digitsOfKeypad are its keys in their order.
var digitsOfKeypad = []string{"1", "2", "3", "4", "5", "6", "7", "8", "9"}

// TabletPage is one tablet in Setup, or the form that adds one.
type TabletPage struct {
	Shell
	Crumbs   []Fact
	Saved    string
	Trouble  string
	Problems []FormProblem
	State    State
	Facts    []Fact
	Action   string
	Fields   []Field
	Submit   string
	Offer    SetupAct // makes a code
	Revoke   string   // where it is revoked; "" it is
	Reason   Field
	Changes  Table

	Code    string // shown once
	Picture string // as a data address
	Address string // what the picture says
	Until   string
}
