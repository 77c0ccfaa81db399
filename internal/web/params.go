package web

import (
	"errors"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
)

// onlyParams refuses parameters nobody knows, by name, and ones given twice.
func onlyParams(c echo.Context, names ...string) error {
	for name, values := range c.QueryParams() {
		if !slices.Contains(names, name) || len(values) > 1 {
			expected := "no parameters"
			if len(names) > 0 {
				expected = "at most once each of " + strings.Join(names, ", ")
			}
			return badRequest(fault.Problem{Column: name, Found: name, Expected: expected})
		}
	}
	return nil
}

// withAddress refuses parameters that are no text, whichever route they are for.
func (s *Server) withAddress(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyText(c.QueryParams()); err != nil {
			return err
		}
		return next(c)
	}
}

// onlyText refuses what the database would not take for text.
func onlyText(values url.Values) error {
	for name, list := range values {
		for _, v := range append([]string{name}, list...) {
			if !utf8.ValidString(v) || strings.Contains(v, "\x00") {
				plain := strings.NewReplacer("\x00", "\uFFFD")
				return badRequest(fault.Problem{Column: fault.Shorten(plain.Replace(strings.ToValidUTF8(name, "\uFFFD"))), Found: fault.Shorten(plain.Replace(strings.ToValidUTF8(v, "\uFFFD"))), Expected: "text in UTF-8, without NUL"})
			}
		}
	}
	return nil
}

// parseForm reads a form's fields.
func parseForm(c echo.Context) (url.Values, error) {
	err := c.Request().ParseForm()
	tooMuch := new(http.MaxBytesError)
	switch {
	case fault.Is(err, fault.Busy):
		return nil, err
	case errors.As(err, &tooMuch):
		return nil, tooLarge(tooMuch.Limit)
	case err != nil:
		return nil, fault.New(fault.Invalid, "The form could not be read.")
	}
	return c.Request().PostForm, onlyText(c.Request().PostForm)
}

// orNaN turns an absent number into NaN.
func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// tagParam gives the tag or id in an address as the sender meant it: they may
// hold characters that are escaped there. What cannot be one is not found.
func tagParam(c echo.Context, name string) (string, error) {
	v := c.Param(name)
	if c.Request().URL.RawPath != "" {
		if plain, err := url.PathUnescape(v); err == nil {
			v = plain
		}
	}
	if !farm.ValidKey(v, 64) {
		return "", fault.New(fault.NotFound, "There is no page at this address.")
	}
	return v, nil
}
