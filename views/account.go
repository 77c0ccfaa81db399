package views

// CodePage asks for the code of a second factor.
type CodePage struct {
	Shell
	Action  string
	Again   string // back to the password
	Next    string
	Problem string
}

// FirstAdminPage makes the first admin.
type FirstAdminPage struct {
	Shell
	Action   string
	Fields   []Field
	Wrong    string // about the password
	Problems []FormProblem
}

// AccountPage is somebody's own sign-in.
type AccountPage struct {
	Shell
	Saved      string
	Facts      []Fact
	Begin      string // sets a second factor up; "" there is one
	Off        string // switches it off; "" there is none
	Wrong      string // about the code to switch it off
	SignOutAll string
	Kept       string // what is kept about people
	Calendar   AccountCalendar
	Notices    string // what they are told
	Password   string // sets a new password
	Handle     string
	Problems   []FormProblem // about the new password
	WrongOld   string
	WrongNew   string
	Trouble    string // heading of the problems; "" they are about the password
	Pin        PinForm
	Provider   AccountProvider
	Shared     string // the shared tablet it is shown on: the PIN alone can be changed there; "" none
}

// AccountProvider links somebody with a sign-in provider.
type AccountProvider struct {
	Name   string // what the provider is called; "" there is none
	Handle string
	Action string // sets out to link
	Since  string // when they were linked; "" they are not
	Off    string // takes the link away
	Wrong  string // about the password
}

// PinForm sets a PIN: somebody's own, or, by an admin, anybody's.
type PinForm struct {
	Action   string
	Handle   string
	Word     string
	Set      string // when it was set; "" there is none
	Off      string // takes it away; "" not here
	ByPin    bool   // the PIN in force is asked for, not the password
	Wrong    string
	WrongNow string
}

// AccountCalendar is somebody's calendar address.
type AccountCalendar struct {
	Made    string // when it was made; "" there is none
	Make    string // makes one, or another
	Off     string // switches it off; "" there is none
	Address string // shown once, after it was made
	All     bool   // everybody's tasks
}

// FactorPage shows a secret to be put into a device.
type FactorPage struct {
	Shell
	Crumb   string
	Action  string
	Picture string // as a data address
	Secret  string // in groups of four
	Wrong   string
}

// CodesPage shows recovery codes, once.
type CodesPage struct {
	Shell
	Account string
	Codes   []string
}

// HelpPeoplePage says what is kept about people.
type HelpPeoplePage struct {
	Shell
	Crumb string
	Table Table
	Notes []string
}

// pinHint stands at a new PIN.
const pinHint = "4 to 8 digits. Not all alike, not in a row."

func (p AccountPage) troubleWord() string {
	if p.Trouble != "" {
		return p.Trouble
	}
	return "The password is not changed"
}
