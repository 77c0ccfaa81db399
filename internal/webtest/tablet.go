package webtest

import (
	"context"
	"net/http"
	"net/url"
	"regexp"

	"basecourse/internal/store"
)

// PIN is what everybody in a test changes over with.
const PIN = "2580"

var codeOnPage = regexp.MustCompile(`<p class="token">Code: <code>([^<]+)</code>`)

// Tablet has an admin add a shared tablet and gives the client that it is.
func (s *Site) Tablet(admin *Client, name string) *Client {
	s.t.Helper()
	a := admin.Form("/setup/add-tablet", url.Values{"name": {name}, "bay": {"Back room"}})
	found := codeOnPage.FindStringSubmatch(a.Body)
	if found == nil {
		s.t.Fatalf("adding a tablet: got status %d, no code on the page", a.Status)
	}
	c := s.Nobody()
	if a := c.Form("/enrol", url.Values{"code": {found[1]}}); a.Status != http.StatusSeeOther {
		s.t.Fatalf("enrolling: got status %d: %s", a.Status, a.Body)
	}
	return c
}

// Pin gives a person the PIN and has them change over to themselves on a tablet.
func (s *Site) Pin(tablet *Client, handle string) {
	s.t.Helper()
	s.GivePin(handle)
	if a := tablet.Form("/who", url.Values{"person": {handle}, "pin": {PIN}}); a.Status != http.StatusSeeOther {
		s.t.Fatalf("changing over to %s: got status %d: %s", handle, a.Status, a.Body)
	}
}

// pinHash is PIN's Argon2id, made once with the parameters of the program.
const pinHash = "$argon2id$v=19$m=19456,t=2,p=1$wzNZpC/qMdM6D+/9OlP22g$jhwGERiap5EqZn+9+UPmWABUZI2jc9E/1KSifx4GZCs"

// GivePin gives a person the PIN.
func (s *Site) GivePin(handle string) {
	s.t.Helper()
	if err := s.Store.SetPin(context.Background(), store.Act{Via: "command"}, handle, pinHash); err != nil {
		s.t.Fatal(err)
	}
}

// Revoke revokes the tablet of a name.
func (s *Site) Revoke(name string) {
	s.t.Helper()
	list, err := s.Store.Tablets(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	for _, t := range list {
		if t.Name == name {
			if err := s.Store.RevokeTablet(context.Background(), store.Act{Via: "command"}, t.ID, "lost"); err != nil {
				s.t.Fatal(err)
			}
			return
		}
	}
	s.t.Fatalf("there is no tablet %s", name)
}
