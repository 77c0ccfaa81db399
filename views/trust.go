package views

// TrustPage tells how a device comes to trust the farm's address.
type TrustPage struct {
	Shell
	Fingerprint []string // of the farm's authority, in lines; none: the farm has none
	Address     string   // https
	Page        string   // address of this page by plain http, for a device that does not trust yet
	File        string   // the authority, to be installed
	QR          string   // picture of Page
	Names       string   // the certificate is for
	Until       string   // it is renewed before
}
