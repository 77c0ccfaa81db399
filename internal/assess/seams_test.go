package assess

// Fits is how many evaluations are kept.
func (a *Assessor) Fits() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.fits)
}

// LastMidnight and BandEnds are looked at from outside.
var (
	LastMidnight = lastMidnight
	BandEnds     = bandEnds
)
