package upkeep

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"basecourse/internal/stats"
)

// Chances said by a distortion of true ones: what is off is named, and nothing is where
// they are right. Adding up by bins changes slope and intercept by little.
func TestWhatIsSaidIsReckonedWithWhatCame(t *testing.T) {
	monday := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		slope, shift float64 // of the log-odds that come, on those said
		want         []SaidOff
	}{
		"right":     {1, 0, nil},
		"too few":   {1, 0.4, []SaidOff{SaidTooFew}},
		"too many":  {1, -0.4, []SaidOff{SaidTooMany}},
		"too apart": {0.6, -1.06, []SaidOff{SaidTooApart}},
	} {
		lot := rand.New(rand.NewPCG(11, 7))
		var days []SaidDay
		var said []float64
		var came []bool
		for day := range 21 {
			var list []Said
			for range 600 {
				eta := -3 + 0.9*lot.NormFloat64()
				x := Said{P: 1 / (1 + math.Exp(-eta)), Printer: string(rune('A' + lot.IntN(4))), Material: "PLA"}
				x.Failed = lot.Float64() < 1/(1+math.Exp(-c.slope*eta-c.shift))
				list = append(list, x)
				said, came = append(said, x.P), append(came, x.Failed)
			}
			days = append(days, SumDay(monday.AddDate(0, 0, day), 700, list))
		}
		r := Reckon(days)
		plain := stats.Calibrate(said, came)
		if math.Abs(r.Slope-plain.Slope) > 0.01 || math.Abs(r.Intercept-plain.Intercept) > 0.01 {
			t.Errorf("%s: by bins slope %.3f and intercept %.3f, start by start %.3f and %.3f", name, r.Slope, r.Intercept, plain.Slope, plain.Intercept)
		}
		if len(r.Off) != len(c.want) || len(r.Off) > 0 && r.Off[0] != c.want[0] {
			t.Errorf("%s: off %v, want %v (slope %.2f %.2f to %.2f, intercept %.2f)", name, r.Off, c.want, r.Slope, r.SlopeLow, r.SlopeHigh, r.Intercept)
		}
		if r.Graded != 21*600 || r.Starts != 21*700 || len(r.Weeks) != 3 || len(r.Printers) != 4 || r.Weeks[1].Name != "2026-03-09" {
			t.Errorf("%s: %d graded, %d weeks, %d printers", name, r.Graded, len(r.Weeks), len(r.Printers))
		}
		n := 0
		for _, b := range r.Bands {
			n += b.Graded
		}
		if n != r.Graded {
			t.Errorf("%s: bands hold %d", name, n)
		}
	}
	if r := Reckon(nil); r.Judged() || !math.IsNaN(r.Slope) {
		t.Errorf("of nothing: %+v", r)
	}
}
