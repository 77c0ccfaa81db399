package web

import (
	"math"
	"net/url"
	"slices"
	"strings"

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
