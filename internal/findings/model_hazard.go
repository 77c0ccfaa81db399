package findings

import "math"

// The sizes of hazards that forecasts reckon with: those the questions look at
// and larger ones. For a finding anything beyond the largest of sizes is as clear
// as that; for a forecast it matters how large it is.
var hazardSizes = [...]float64{0, 0.018, 0.03, 0.05, 0.085, 0.14, 0.23, 0.38, 0.62, 1}

// Hazard is what is known of the size of one effect: the chance of each of the
// sizes reckoned with.
type Hazard struct{ chance [len(hazardSizes)]float64 }

// Mean is the expected hazard at the mean dose.
func (h *Hazard) Mean() float64 {
	s := 0.0
	for k, c := range h.chance {
		s += c * hazardSizes[k]
	}
	return s
}

// Spares is the expected chance that the effect at a dose spares a layer.
func (h *Hazard) Spares(dose float64) float64 {
	s := 0.0
	for k, c := range h.chance {
		s += c * math.Exp(-dose*hazardSizes[k])
	}
	return s
}

// Quantile is the smallest size whose chance together with that of all smaller
// ones is at least u, 0 to 1.
func (h *Hazard) Quantile(u float64) float64 {
	for k, c := range h.chance {
		if u -= c; u <= 0 {
			return hazardSizes[k]
		}
	}
	return hazardSizes[len(hazardSizes)-1]
}

// hazardOf sums up a posterior: what is there at every dose is no hazard of the
// exposure, and part of the level.
func hazardOf(p *grid) (h Hazard) {
	copy(h.chance[:], p[byDose][:])
	for _, a := range p[always] {
		h.chance[0] += a
	}
	return h
}

// hazard is what is known of a subject that nothing is known of; none without a
// prior learned.
func (p *prior) hazard() Hazard {
	if p.share == (grid{}) {
		return Hazard{[len(hazardSizes)]float64{1}}
	}
	return hazardOf(&p.share)
}

// rarer is how likely beforehand a size beyond the largest is, against the one
// before it.
const rarer = 0.25

// faint is the chance of the largest size up to which no larger ones are looked
// at.
const faint = 0.02

// hazard is what a question's curve tells. Where the largest size is likely, the
// curve is followed beyond it, each size rarer beforehand than the one before.
func (c *curve) hazard() Hazard {
	h := hazardOf(&c.post)
	top := c.post[byDose][nSizes-1]
	if top < faint {
		return h
	}
	th := withBeta(theta{}, sizes[nSizes-1])
	at := c.r.fit(th, false, true)
	before := c.r.laplace(&at)
	total, prior := 1.0, top
	for k := nSizes; k < len(hazardSizes); k++ {
		f := c.r.fit(withBeta(at.th, hazardSizes[k]), false, true)
		at = f
		prior *= rarer
		h.chance[k] = prior * math.Exp(min(50, c.r.laplace(&f)-before))
		total += h.chance[k]
	}
	for k := range h.chance {
		h.chance[k] /= total
	}
	return h
}

// laplace is the log-likelihood at a fit with the nuisances integrated, but for
// what all sizes have in common.
func (r *rows) laplace(f *fitted) float64 {
	det, _, _ := r.nuisance(f)
	return f.ll - 0.5*det
}

// Sizes are the hazards at the mean dose that a Hazard gives chances of, smallest
// first; the first is none.
func Sizes() []float64 { return hazardSizes[:] }

// Chances are the chances of the sizes, in their order.
func (h *Hazard) Chances() []float64 { return h.chance[:] }

// HazardOf is a hazard with the given chances of the sizes, in their order; sizes
// left out have none.
func HazardOf(chances ...float64) (h Hazard) {
	copy(h.chance[:], chances)
	return h
}
