package assess

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/upkeep"
)

// Fits is how many evaluations are kept.
func (a *Assessor) Fits() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.fits)
}

// SlowAs makes the latest answer one that took long to compute.
func (a *Assessor) SlowAs(took time.Duration) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.took = took
}

// LastMidnight and BandEnds are looked at from outside.
var (
	LastMidnight = lastMidnight
	BandEnds     = bandEnds
)

// SinceBothWays gives what is looked at of the starts since a printer's last probe, by
// a reading of the whole farm and by the printer's own records.
func (a *Assessor) SinceBothWays(ctx context.Context, at time.Time, printer string) (whole, alone []upkeep.Past, err error) {
	v, _, err := a.view(ctx, AsOf{At: at})
	if err != nil {
		return nil, nil, err
	}
	n, err := a.lookAhead(ctx, v, at, printer)
	if err != nil || n == nil {
		return nil, nil, errors.Join(err, errors.New("not answered"))
	}
	return v.next[numbered(v.printers, printer)].since, n.since, nil
}
