package views

// SignInPage asks who is there.
type SignInPage struct {
	Shell
	Action  string
	Handle  string // as typed before
	Next    string // where to go afterwards; "" the Floor
	Problem string // why the last try was refused; ""
	ByPin   string // where a shared tablet asks for a PIN; ""
	Note    string // what a device that was revoked has to know; ""

	Provider       string // where people may sign in instead; ""
	ProviderAction string
	Left           string // the provider at which they are signed in still; ""
	LeftAt         string // where they sign out of it; "" not known
}

// GoOnPage sends the browser on to a sign-in provider.
type GoOnPage struct {
	Shell
	Name    string
	Address string
}

// ProblemPage says what went wrong and what to do, in the program's own voice.
type ProblemPage struct {
	Shell
	What     string // one sentence
	Do       string // what to do now
	Link     string // where to go; "" nowhere
	LinkWord string
	Ref      string // id of the request in the log; ""
}
