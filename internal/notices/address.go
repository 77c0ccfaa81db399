package notices

import (
	"errors"
	"net/mail"
	"strings"
)

// CheckAddress tells whether a text is one plain mail address.
func CheckAddress(text string) error {
	a, err := mail.ParseAddress(text)
	if err != nil || a.Address != text || a.Name != "" || len(text) > 254 || strings.ContainsAny(text, " \t\r\n\"<>(),:;\\[]") || strings.Count(text, "@") != 1 {
		return errors.New("write one address such as mara@farm.example")
	}
	for _, r := range text {
		if r <= ' ' || r > '~' {
			return errors.New("write one address such as mara@farm.example, without accents")
		}
	}
	return nil
}
