package firstlayer

import (
	"math"
	"slices"
	"testing"
	"time"
)

var lookAt = time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)

func TestTimesOf(t *testing.T) {
	nan := math.NaN()
	for name, x := range map[string]struct {
		minutes       float64
		earlier       []float64
		down, covered float64 // minutes after the start; NaN unknown
		learned       int
	}{
		"the job says":              {6, []float64{9, 9, 9}, 6, 12, 0},
		"learned, the middle":       {nan, []float64{30, 8, 7}, 8, 16, 3},
		"learned, even":             {nan, []float64{6, 8, 10, 50}, 9, 18, 4},
		"two are too few":           {nan, []float64{8, 7}, nan, nan, 0},
		"what cannot be is no look": {nan, []float64{8, 7, nan, 0, -3}, nan, nan, 0},
		"nothing known":             {nan, nil, nan, nan, 0},
	} {
		got := TimesOf(lookAt, x.minutes, x.earlier)
		if math.IsNaN(x.down) {
			if !got.Down.IsZero() || !got.Covered.IsZero() || got.State(lookAt) != LookUnknown {
				t.Errorf("%s: %+v, want unknown", name, got)
			}
			continue
		}
		if got.Down.Sub(lookAt).Minutes() != x.down || got.Covered.Sub(lookAt).Minutes() != x.covered || got.Earlier != x.learned {
			t.Errorf("%s: %+v, want down after %v, covered after %v, from %d", name, got, x.down, x.covered, x.learned)
		}
	}
}

func TestRound(t *testing.T) {
	look := func(bay string, walk int, down, covered float64) Look {
		x := Look{Bay: bay, Walk: walk}
		if !math.IsNaN(down) {
			x.Times = LookTimes{Down: lookAt.Add(time.Duration(down * 60e9)), Covered: lookAt.Add(time.Duration(covered * 60e9))}
		}
		return x
	}
	nan := math.NaN()
	looks := []Look{
		look("1", 0, 30, 60),   // 0: comes down late
		look("1", 1, nan, nan), // 1: unknown
		look("2", 2, 4, 8),     // 2: comes down soon, is covered soon
		look("2", 3, -1, 9),    // 3: down
		look("2", 4, -2, 10),   // 4: down
		look("3", 5, -3, 12),   // 5: down
		look("3", 6, -20, -10), // 6: covered
		look("4", 7, nan, nan), // 7: unknown alone
		look("1", 8, 25, 50),   // 8: before 0, though further on
	}
	if got, want := Round(looks, lookAt), []int{3, 4, 2, 5, 8, 0, 1, 7}; !slices.Equal(got, want) {
		t.Errorf("the round goes %v, want %v", got, want)
	}
	if n, by := DownSoon(looks[2:5], lookAt); n != 3 || by.Sub(lookAt) != 4*time.Minute {
		t.Errorf("bay 2: %d by %v, want 3 in 4 min", n, by)
	}
	if n, by := DownSoon(looks[:2], lookAt); n != 0 || !by.Equal(lookAt) {
		t.Errorf("bay 1: %d by %v, want none", n, by)
	}
	if got := Round(nil, lookAt); len(got) != 0 {
		t.Errorf("no layers: %v", got)
	}
}
