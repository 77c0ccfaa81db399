package assess

import (
	"context"
	"time"

	"basecourse/internal/upkeep"
)

// ReadySaid works out one day that is over.
func (a *Assessor) ReadySaid(ctx context.Context, now time.Time) (bool, error) {
	return a.readySaid(ctx, now)
}

// SaidOf works out a day of UTC anew.
func (a *Assessor) SaidOf(ctx context.Context, day time.Time) (*upkeep.SaidDay, error) {
	return a.saidOf(ctx, day, demoZone)
}

var demoZone, _ = time.LoadLocation("Africa/Johannesburg")
