package assess_test

import (
	"context"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/fault"
)

// Who cannot wait is told so, and the work goes on for those who ask later; what
// pages are given is the plan that the command prints.
func TestAPlanForPagesGoesOnWhenNobodyWaits(t *testing.T) {
	s := open(t)
	planFarm().into(t, s)
	at := time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)
	a := assess.New(s)
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := a.LatestPlan(gone, at, assess.Confidence); !fault.Is(err, fault.Busy) {
		t.Errorf("got %v, want busy", err)
	}
	p, err := a.LatestPlan(context.Background(), at, assess.Confidence)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := string(p.JSON()), string(planOf(t, s, at).JSON()); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if p, err = a.LatestPlan(context.Background(), at.Add(24*time.Hour), assess.Confidence); err != nil || !p.AsOf.Equal(at.Add(24*time.Hour)) {
		t.Errorf("a plan of a quick farm stood in for a day: %v, %v", p.AsOf, err)
	}
}
