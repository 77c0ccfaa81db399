package web

import (
	"math"
	"testing"
	"time"

	"basecourse/internal/stats"
)

func TestNumbersAsWords(t *testing.T) {
	nan := math.NaN()
	for _, x := range []struct{ name, got, want string }{
		{"count", count(1234567), "1\u202f234\u202f567"}, {"count of four digits", count(9800), "9800"}, {"negative count", count(-12345), "\u221212\u202f345"},
		{"none", counted(0, "plate", "plates"), "no plates"}, {"one", counted(1, "plate", "plates"), "1 plate"}, {"many", counted(2, "plate", "plates"), "2 plates"},
		{"percent", percent(0.113), "11\u202f%"}, {"a trace is not 0", percent(0.001), "under 1\u202f%"}, {"nearly all is not 100", percent(0.999), "over 99\u202f%"}, {"real zero", percent(0), "0\u202f%"}, {"unknown share", percent(nan), "no record"},
		{"figure", figure(4.23), "4.2"}, {"whole figure", figure(7), "7"}, {"large figure", figure(18.3), "18"}, {"negative figure", figure(-1.26), "\u22121.3"}, {"tiny figure", figure(0.01), "about 0"}, {"zero", figure(0), "0"}, {"no figure", figure(nan), "no record"},
		{"per hundred", perHundredRange(12.61, 9.36, 16.05), "12.6 (9.4 to 16.1)"}, {"per hundred, whole", perHundred(9), "9.0"},
		{"per hundred below nothing", perHundred(-1.26), "\u22121.3"}, {"per hundred, next to nothing", perHundred(-0.01), "0.0"}, {"false share", falseWords(0.04), "about 4\u202f%"}, {"small false share", falseWords(1e-9), "under 1\u202f%"},
		{"range", rangeWords(4.2, 1.6, 7.1), "4.2 (1.6 to 7.1)"}, {"range without ends", rangeWords(4.2, nan, nan), "4.2"}, {"no range", rangeWords(nan, 1, 2), "–"},
		{"mm", mm(0.214), "0.21\u202fmm"}, {"mm down", mm(-0.04), "\u22120.04\u202fmm"}, {"mm of nothing", mm(-0.001), "0.00\u202fmm"}, {"mm unknown", mm(nan), "no record"},
		{"seconds", duration(20 * time.Second), "under 1\u202fmin"}, {"minutes", duration(40 * time.Minute), "40\u202fmin"}, {"hours", duration(200 * time.Minute), "3\u202fh 20\u202fmin"}, {"whole hours", duration(3 * time.Hour), "3\u202fh"}, {"days", duration(75 * time.Hour), "3 days"}, {"the clock runs back", duration(-time.Hour), "under 1\u202fmin"},
		{"sentence", sentence("wash it"), "Wash it."}, {"sentence with its end", sentence("Why?"), "Why?"}, {"no sentence", sentence(" "), ""},
		{"coverage", coverage(62, 80), "62 of 80 layers graded"}, {"no coverage", coverage(0, 0), "no layers started"},
		{"nudge up", nudgeWords(0.04), "nozzle up 0.04\u202fmm (away from the bed)"}, {"nudge down", nudgeWords(-0.02), "nozzle down 0.02\u202fmm (towards the bed)"},
		{"front left", zonePlace(0, 0, 3, 3), "front left"}, {"back right", zonePlace(2, 2, 3, 3), "back right"}, {"centre", zonePlace(1, 1, 3, 3), "centre"}, {"one zone", zonePlace(0, 0, 1, 1), "centre"}, {"of five", zonePlace(4, 0, 5, 5), "front right"}, {"of two", zonePlace(0, 1, 2, 2), "back left"},
	} {
		if x.got != x.want {
			t.Errorf("%s: got %q, want %q", x.name, x.got, x.want)
		}
	}
}

// TestRatesSayCountsFirst: below ten cases counts alone. The interval of 7 of
// 62 is Wilson's, 5.6 to 21.5 % (computed by hand from the formula in Newcombe
// 1998, method 3).
func TestRatesSayCountsFirst(t *testing.T) {
	for _, x := range []struct {
		k, n    int
		of, how string
	}{
		{7, 62, "7 of 62", "(11\u202f%, likely 6 to 22\u202f%)"}, {2, 9, "2 of 9", ""}, {0, 31, "0 of 31", "(0\u202f%, likely 0 to 11\u202f%)"}, {0, 0, "no record", ""}, {10, 10, "10 of 10", "(100\u202f%, likely 72 to 100\u202f%)"},
	} {
		w := stats.Wilson(x.k, x.n, 0.95)
		if of, how := rateWords(x.k, x.n, w.Low, w.High); of != x.of || how != x.how {
			t.Errorf("%d of %d: got %q %q, want %q %q", x.k, x.n, of, how, x.of, x.how)
		}
	}
}

func TestTagsAreOrderedAsPeopleCount(t *testing.T) {
	for _, x := range [][2]string{{"Bay 2", "Bay 10"}, {"P-2", "P-010"}, {"P-9", "Q-1"}, {"", "A"}, {"L-1", "L-1b"}, {"A", "a"}} {
		if !naturalLess(x[0], x[1]) || naturalLess(x[1], x[0]) {
			t.Errorf("want %q before %q", x[0], x[1])
		}
	}
}
