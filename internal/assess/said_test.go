package assess_test

import (
	"context"
	"math"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
)

// What is kept of a day is what the fit of the midnight before says of its starts, and
// only graded ones count; a day is kept once, the latest first.
func TestWhatWasSaidOfADayIsKeptOnce(t *testing.T) {
	ctx := context.Background()
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	s := open(t)
	s.SetClock(func() time.Time { return now })
	b := simfarm.Demo(now, 1)
	report, err := s.ImportFarm(ctx, byImport, b, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatal(err)
	}
	a := assess.New(s)
	if r, err := a.Said(ctx, now); err != nil || r.Graded != 0 || r.Judged() {
		t.Fatalf("before anything is kept: %+v, %v", r, err)
	}
	for range 2 {
		if more, err := a.ReadySaid(ctx, now); err != nil || !more {
			t.Fatalf("a day: %v, %v", more, err)
		}
	}
	days, err := s.RiskDays(ctx, now.AddDate(0, 0, -40))
	if err != nil || len(days) != 2 {
		t.Fatalf("%d days, %v", len(days), err)
	}
	last := time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC)
	if !days[1].Day.Equal(last) || !days[0].Day.Equal(last.AddDate(0, 0, -1)) {
		t.Errorf("days %v and %v, want the latest up to %v", days[0].Day, days[1].Day, last)
	}
	r, err := a.Said(ctx, now)
	if err != nil {
		t.Fatal(err)
	}
	if r.Graded == 0 || r.Starts < r.Graded || r.Expected <= 0 || r.Expected >= float64(r.Graded) || math.IsNaN(r.Away()) || math.Abs(r.Away()) > 4 {
		t.Errorf("reckoned: %+v", r.Sum)
	}
	t.Logf("%d starts, %d graded, %.1f expected, %d failed, slope %.2f (%.2f to %.2f)", r.Starts, r.Graded, r.Expected, r.Failed, r.Slope, r.SlopeLow, r.SlopeHigh)
	// Nothing of the day itself enters what is said of it: with its grades turned round
	// the same is said.
	expected := func() (sum float64) {
		d, err := a.SaidOf(ctx, last)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range d.Bins {
			sum += b.Expected
		}
		return sum
	}
	kept := 0.0
	for _, b := range days[1].Bins {
		kept += b.Expected
	}
	if got := expected(); math.Abs(got-kept) > 1e-9 {
		t.Errorf("made again: %v, kept %v", got, kept)
	}
}
