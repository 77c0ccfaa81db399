package views

// HelpAPIPage says how programs send and read records.
type HelpAPIPage struct {
	Shell
	Crumb       string
	Description string // address of the OpenAPI description
	Tokens      string // where tokens are made; "" for whoever may not
	Begin       string // what a shell needs to know first
	Rules       []Fact
	Examples    []APIExample
	Addresses   Table
}

// APIExample is a piece of shell that runs as it stands.
type APIExample struct {
	ID, Title, Text string
	Code            string
	Gives           string // what its answer has in it
}
