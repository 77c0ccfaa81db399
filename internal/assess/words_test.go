package assess

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestWhatIsMissingIsSaidRoughly(t *testing.T) {
	for _, c := range []struct {
		needs, graded int
		want          string
	}{
		{1, 400, "about 1 more graded layer"}, {37, 400, "about 37 more graded layers"}, {163, 400, "about 160 more graded layers"},
		{1640, 400, "about 1600 more graded layers"}, {6440, 100, "more graded layers than it gets in a year"},
		{434, 100, "about 430 more graded layers"}, {440, 100, "more graded layers than it gets in a year"},
		{50, 0, "about 50 more graded layers"}, {99999, 0, "many thousands of graded layers"},
	} {
		if got := settle(c.needs, c.graded, 84*24*time.Hour); got != c.want {
			t.Errorf("%d needed, %d graded in 12 weeks: got %q, want %q", c.needs, c.graded, got, c.want)
		}
	}
}

// A sentence never says more surely than q allows, and fits into its 200
// characters with the longest figures.
func TestSentencesAreAsSureAsTheyMayBe(t *testing.T) {
	base := Finding{Kind: "printer", Subject: "P-014", Starts: 12345, Graded: 12345, N: 12345, Failures: 1234, NExposed: 6789, FailuresExposed: 1000,
		Avoidable: 10.4, AvoidableLow: -10.9, AvoidableHigh: 14.8}
	for _, cause := range []string{"skipped_probing", "cleaning_gap"} {
		for _, c := range []struct {
			state   string
			q       float64
			reverse bool
			want    string
		}{
			{"raised", 0.01, false, "failures go with "}, {"watching", 0.03, false, "failures go with "}, {"watching", 0.2, false, "failures likely go with "},
			{"watching", 0.21, false, "failures may go with "}, {"watching", 0.51, false, "cannot tell whether failures go with "},
			{"watching", 0.97, false, "cannot tell whether failures go with "}, {"quiet", 0.9, false, "no sign that failures go with "},
			{"quiet", 1, true, "failures go with "},
		} {
			f := base
			f.Cause, f.State, f.Q, f.Reverse = cause, c.state, c.q, c.reverse
			got := f.sentence(12.5)
			if !strings.HasPrefix(got, "P-014: "+c.want) || !strings.HasSuffix(got, ".") || utf8.RuneCountInString(got) > longest {
				t.Errorf("%s at %g: got %q (%d characters), want it to begin with %q", c.state, c.q, got, utf8.RuneCountInString(got), c.want)
			}
		}
		for _, c := range []struct {
			starts, graded, n int
			want              string
		}{{0, 0, 0, "no first layer started"}, {12, 0, 0, "none of 12 first layers graded"}, {40, 30, 0, "of 30 graded layers none"}, {40, 30, 20, "1 of 20 graded layers failed, but only 0 of the layers "}} {
			f := Finding{Subject: "P-014", Cause: cause, State: "too_little_data", Starts: c.starts, Graded: c.graded, N: c.n, Failures: min(1, c.n), Settle: "many thousands of graded layers"}
			if got := f.sentence(12.5); !strings.Contains(got, c.want) || strings.Contains(got, "0 of 0") {
				t.Errorf("got %q, want it to say %q", got, c.want)
			}
		}
	}
}
