package farm

import (
	"testing"
	"time"
)

func TestTurn(t *testing.T) {
	day := func(d, hour, minute int) time.Time { return time.Date(2026, 3, d, hour, minute, 0, 0, time.UTC) }
	early, late, night := Span{day(9, 6, 0), day(9, 14, 0)}, Span{day(9, 14, 0), day(9, 22, 0)}, Span{day(9, 22, 0), day(10, 6, 0)}
	long := Span{day(9, 6, 0), day(9, 18, 0)}
	all := []Span{night, late, early, long}
	for name, x := range map[string]struct {
		shifts []Span
		at     time.Time
		want   Span
		ok     bool
	}{
		"in the morning the early one":            {all, day(9, 10, 0), early, true},
		"half an hour late":                       {all, day(9, 14, 30), early, true},
		"more than an hour late":                  {[]Span{early, late}, day(9, 15, 1), late, true},
		"before midnight the night one":           {[]Span{early, late, night}, day(9, 23, 30), night, true},
		"after midnight too":                      {[]Span{early, late, night}, day(10, 0, 30), night, true},
		"nobody on shift":                         {all, day(10, 8, 0), Span{}, false},
		"none recorded":                           {nil, day(9, 10, 0), Span{}, false},
		"of two that end together the longer":     {[]Span{{day(9, 10, 0), day(9, 14, 0)}, early}, day(9, 13, 0), early, true},
		"the long one when the early one is over": {[]Span{early, long}, day(9, 16, 30), long, true},
	} {
		if got, ok := Turn(x.shifts, x.at); ok != x.ok || !got.From.Equal(x.want.From) || !got.To.Equal(x.want.To) {
			t.Errorf("%s: got %v %v, want %v %v", name, got, ok, x.want, x.ok)
		}
	}
}
