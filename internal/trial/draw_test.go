package trial

import (
	"math"
	"slices"
	"testing"
)

const day = 24 * 3600 * 1e6

func TestADrawGovernsTheNextStart(t *testing.T) {
	for _, c := range []struct {
		name           string
		drawn, started []int64
		want           []int
	}{
		{"none", nil, []int64{5}, []int{}},
		{"no start yet", []int64{5}, []int64{4}, []int{-1}},
		{"the next", []int64{5}, []int64{4, 6, 7}, []int{1}},
		{"at one instant the draw comes first", []int64{5}, []int64{5, 6}, []int{0}},
		{"drawn again", []int64{5, 6, 7}, []int64{4, 8, 9}, []int{1, -1, -1}},
		{"one each", []int64{5, 7, 9}, []int64{6, 8, 10}, []int{0, 1, 2}},
		{"one start without", []int64{5, 9}, []int64{6, 8, 10}, []int{0, 2}},
		{"after a week", []int64{0}, []int64{7 * day}, []int{0}},
		{"after more than a week", []int64{0}, []int64{7*day + 1}, []int{-1}},
		{"drawn again after a week: the first one stays the one", []int64{0, 8 * day}, []int64{9 * day, 10 * day}, []int{-1, -1}},
		{"two starts at one instant", []int64{5}, []int64{6, 6}, []int{0}},
	} {
		if got := Governs(c.drawn, c.started); !slices.Equal(got, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
}

// What holds before a start is what governs it once it is made.
func TestWhatHoldsIsWhatGoverns(t *testing.T) {
	started := []int64{0, 10, 30, 3 * day, 20 * day}
	drawn := []int64{3, 4, 12, 40, day, 3*day + 5, 4 * day, 12 * day}
	governs := Governs(drawn, started)
	for s := 1; s < len(started); s++ {
		at := started[s] - 1
		want := slices.Index(governs, s)
		if got := Holds(drawn, started[s-1], at); got != want {
			t.Errorf("start %d: held %d, governed %d", s, got, want)
		}
	}
}

func TestNumbersAreEvenAndTheSame(t *testing.T) {
	secret := []byte("of a farm")
	if a, b := Number(secret, "P-001", 7, "wipe"), Number(secret, "P-001", 7, "wipe"); a != b {
		t.Error("asked twice, drawn twice")
	}
	seen := map[float64]bool{}
	for _, x := range []float64{Number(secret, "P-001", 7, "wipe"), Number(secret, "P-001", 7, "probe"), Number(secret, "P-001", 8, "wipe"), Number(secret, "P-002", 7, "wipe"), Number([]byte("of another"), "P-001", 7, "wipe")} {
		if seen[x] {
			t.Error("two draws of one number")
		}
		seen[x] = true
	}
	const n = 20000
	below, lag := 0, 0
	was := false
	for k := range int64(n) {
		is := Number(secret, "P-001", k, "wipe") < 0.3
		if is {
			below++
		}
		if is && was {
			lag++
		}
		was = is
	}
	// Four standard deviations of a binomial.
	if math.Abs(float64(below)-0.3*n) > 4*math.Sqrt(n*0.21) || math.Abs(float64(lag)-0.09*n) > 4*math.Sqrt(n*0.09*0.91) {
		t.Errorf("below 0.3: %d of %d, twice in a row %d", below, n, lag)
	}
}

func TestOneIDForOneDraw(t *testing.T) {
	a := ID("P-001", 7, "wipe")
	if a != ID("P-001", 7, "wipe") || a == ID("P-001", 8, "wipe") || a == ID("P-001", 7, "probe") || len(a) > 64 {
		t.Errorf("id %q", a)
	}
}
