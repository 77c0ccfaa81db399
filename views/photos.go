package views

// PhotoPart is a first layer's photos, and what sends another.
type PhotoPart struct {
	Layer  string // id of the first layer
	Photos []Photo
	Clean  Photo  // of the last clean layer of the same printer; Src "" none
	Action string // address the form posts to; "" nothing is added
	ID     string // of the photo the form sends
	To     string // address the script sends to
	Script string
}

// Photo is one picture.
type Photo struct {
	Src, Thumb    string
	Layer         string // address of the first layer it shows
	Alt, Words    string
	Width, Height int
	Remove        string // address that removes it; "" not by whoever looks
	Gone          bool   // it was removed; its record stays
}

// PhotoPick picks or takes a photo while a layer is graded.
type PhotoPick struct {
	Script string // "" none
	To     string
}
