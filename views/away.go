package views

// AwayPage stands in for pages that cannot be had without network: the forms that
// work all the same, as templates that its script fills. It holds no record.
type AwayPage struct {
	Shell
	Script string
	Floor  string
	Grade  GradePage
	Forms  []AwayForm
}

// AwayForm is one of the forms.
type AwayForm struct {
	Slug string
	Word string
	Form FormPage
}

// QueuePage lists what waits on the device that shows it; its script fills it.
type QueuePage struct {
	Shell
	Script string
	SignIn string
}
