package views

// SetupPage is what the farm is made of and how its records are kept safe.
type SetupPage struct {
	Shell
	Farm     []Fact
	Copies   []Fact
	CopyWarn string // why to look at the copies; "" all is well
	Settings Table
}
