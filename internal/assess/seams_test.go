package assess

import "time"

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
