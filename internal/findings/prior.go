package findings

import "math"

// What is wrong with all subjects asked the same question is taken as drawn from
// one distribution, learned from the farm: nothing, a hazard that grows with the
// dose, or a hazard that is there at every dose, each of a grid of sizes (Efron
// 2010, Large-Scale Inference, ch. 2 and 5; the grid's weights by EM as in Kiefer &
// Wolfowitz 1956). Sizes are hazards at the mean dose.

var sizes = [...]float64{0, 0.018, 0.03, 0.05, 0.085, 0.14, 0.23}

const nSizes = len(sizes)

// Components of the prior: what may be wrong with a subject.
const (
	byDose = 0 // the exposure's hazard, growing with its dose
	always = 1 // a hazard that is there at every dose
)

// grid is a number for every component and size.
type grid [2][nSizes]float64

// curve is a subject's log-likelihood over the sizes, nuisances integrated by
// Laplace's method, and what else the fits there tell.
type curve struct {
	ll     grid
	a2     [nSizes]float64  // E a² under byDose
	d2     [nSizes]float64  // E δ² under byDose
	post   grid             // posterior
	at     [2][nSizes]theta // where the fits ended
	r      *rows
	missed bool // near misses were looked at
	fails  grid // ll from the failures alone
	miss   [2]missCurve
}

// prior is the distribution of effects of a group of questions.
type prior struct{ share grid }

// effects is the share of subjects with a hazard that grows with the dose.
func (p *prior) effects() float64 {
	s := 0.0
	for _, v := range p.share[byDose][1:] {
		s += v
	}
	return s
}

// learnPrior finds a group's prior by EM and leaves every curve's posterior.
// The pseudo-counts stand for a subject without an effect, and the first few
// subjects' worth of an effect is doubted: among hundreds, somebody always
// looks odd. What is overwhelming by itself comes through all the same.
func learnPrior(cs []*curve, doubted float64) prior {
	const spike, smooth = 1.0, 0.01
	var p prior
	for part := range p.share {
		for k := range sizes {
			p.share[part][k] = 0.1 / float64(nSizes-1)
		}
	}
	p.share[byDose][0], p.share[always][0] = 0.8, 0
	likes := make([]grid, len(cs))
	for i, c := range cs {
		likes[i], _ = c.scaled()
	}
	for range 300 {
		var s grid
		s[byDose][0] = spike
		for i, c := range cs {
			c.weigh(&p, &likes[i])
			for part := range s {
				for k := range sizes {
					s[part][k] += c.post[part][k]
				}
			}
		}
		effects := 0.0
		for _, v := range s[byDose][1:] {
			effects += v
		}
		believed := 1 - min(1, doubted/max(effects, 1e-9))
		s[byDose][0] += effects * (1 - believed)
		total, move := 0.0, 0.0
		for part := range s {
			for k := range sizes {
				if k > 0 {
					if part == byDose {
						s[part][k] *= believed
					}
					s[part][k] += smooth
				}
				total += s[part][k]
			}
		}
		for part := range s {
			for k := range sizes {
				n := s[part][k] / total
				move = max(move, math.Abs(n-p.share[part][k]))
				p.share[part][k] = n
			}
		}
		if move < 1e-4 {
			break
		}
	}
	for i, c := range cs {
		c.weigh(&p, &likes[i])
	}
	return p
}

// scaled gives a subject's likelihoods over the largest of them, and the
// logarithm of that one.
func (c *curve) scaled() (like grid, top float64) {
	top = math.Inf(-1)
	for part := range c.ll {
		for _, v := range c.ll[part] {
			top = max(top, v)
		}
	}
	for part := range c.ll {
		for k, v := range c.ll[part] {
			like[part][k] = math.Exp(v - top)
		}
	}
	return like, top
}

// posterior fills in the weights of components and sizes for one subject and
// gives the logarithm of the chance of its data.
func (c *curve) posterior(p *prior) float64 {
	like, top := c.scaled()
	return top + math.Log(c.weigh(p, &like))
}

// weigh fills in the weights from scaled likelihoods and gives their sum.
func (c *curve) weigh(p *prior, like *grid) float64 {
	sum := 0.0
	for part := range like {
		for k, v := range like[part] {
			c.post[part][k] = p.share[part][k] * v
			sum += c.post[part][k]
		}
	}
	for part := range c.post {
		for k := range c.post[part] {
			c.post[part][k] /= sum
		}
	}
	return sum
}

// none is the chance of no effect.
func (c *curve) none() float64 {
	s := c.post[byDose][0]
	for _, p := range c.post[always] {
		s += p
	}
	return s
}

// meanBeta is the posterior mean of β.
func (c *curve) meanBeta() float64 {
	s := 0.0
	for k, b := range sizes {
		s += c.post[byDose][k] * b
	}
	return s
}
