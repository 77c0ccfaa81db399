package findings

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
)

// The reference is gonum's quadrature over the subject's own level, of the
// likelihood written straight from the model, layer by layer.
func TestNearMissesLikelihoodIsThatOfQuadrature(t *testing.T) {
	type layer struct {
		off, x float64
		kind   int8
	}
	ratios := [missKinds]float64{0.4, 2.5}
	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 1))
		var layers []layer
		r := &rows{signs: plainSigns(), priorA: 0.3, priorC: 1, priorD: 1}
		b := &binner{}
		for range 500 {
			// Doses and offsets as the bins see them: alike inside a bin.
			l := layer{off: -4 + float64(rng.IntN(3))*0.5, x: float64(rng.IntN(4)), kind: missNone}
			switch u := rng.Float64(); {
			case u < 0.02+0.01*l.x:
				l.kind = missDirty
			case u < 0.05+0.01*l.x:
				l.kind = missPlain
			}
			layers = append(layers, l)
			ratio := 1.0
			if l.kind != missNone {
				ratio = ratios[l.kind]
			}
			r.add(b, l.off, 0, l.x, 0, l.x, false, l.off, l.kind, ratio)
		}
		r.close(b)
		for _, always := range []bool{false, true} {
			direct := func(hazard float64) float64 {
				shift := 0.0
				f := func(a float64) float64 {
					v := -a * a / (2 * missVariance)
					for _, l := range layers {
						q, x, w := 1/(1+math.Exp(-l.off-a)), l.x, 1.0
						if always {
							x = 1
						} else if l.kind != missNone {
							w = ratios[l.kind]
						}
						if l.kind == missNone {
							v += math.Log(1-q) - hazard*x
						} else {
							v += math.Log(q + w*(1-q)*(1-math.Exp(-hazard*x)))
						}
					}
					if shift == 0 {
						shift = v
					}
					return math.Exp(v - shift)
				}
				f(0)
				return shift + math.Log(quad.Fixed(f, -2, 2, 80, nil, 0))
			}
			got := r.missCurve(always)
			for k, hazard := range missSizes[:6] {
				if want := direct(hazard) - direct(0); math.Abs(got[k]-want) > 0.25 { // Laplace against quadrature
					t.Errorf("seed %d always %t: at %.3f %.3f, want %.3f", seed, always, hazard, got[k], want)
				}
			}
		}
	}
}

func TestNearMissesAloneAreHeldBack(t *testing.T) {
	c := &curve{missed: true}
	p := &prior{}
	p.share[byDose][0], p.share[byDose][3] = 0.9, 0.1
	c.fails[byDose][3] = 0.1 // failures hardly care
	if f := c.failuresAlone(p); f >= leastFailing {
		t.Errorf("%.2f, want less than %v", f, leastFailing)
	}
	c.fails[byDose][3] = 3
	if f := c.failuresAlone(p); f < leastFailing {
		t.Errorf("%.2f, want at least %v", f, leastFailing)
	}
}
