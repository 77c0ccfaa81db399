package findings

import "math"

// The effects of all subjects asked the same question are taken as drawn from
// one distribution, learned from the farm: a spike at no effect and a grid of
// sizes (Efron 2010, Large-Scale Inference, ch. 2 and 5; the grid's weights by
// EM as in Kiefer & Wolfowitz 1956). Sizes are hazards at the mean dose.

var sizes = [...]float64{0, 0.01, 0.018, 0.03, 0.05, 0.085, 0.14, 0.23}

const nSizes = len(sizes)

// Components of the prior of a subject's own a and δ.
const (
	near = 0
	far  = 1
)

// grid is a number for every component and size.
type grid [2][nSizes]float64

// curve is a subject's log-likelihood over the sizes, nuisances integrated by
// Laplace's method, and what else the fits there tell.
type curve struct {
	ll    grid
	avoid grid                 // failures per 100
	a2    [nSizes]float64      // E a² of the near component
	d2    [nSizes]float64      // E δ²
	post  grid                 // posterior
	resp  [2][nSizes][]float32 // exposure's part in each failed layer
	r     *rows
}

// prior is the distribution of effects of a group of questions.
type prior struct {
	size [nSizes]float64
	far  float64
}

// learnPrior finds a group's prior by EM and leaves every curve's posterior.
// The pseudo-counts stand for a few subjects without an effect, and the first
// two subjects' worth of an effect is doubted: among hundreds, somebody always
// looks odd. What is overwhelming by itself comes through all the same.
func learnPrior(cs []*curve, doubted float64) prior {
	const spike, smooth, farCount, farOf = 4.0, 0.01, 0.3, 20.0
	p := prior{far: 0.05}
	for k := range p.size {
		p.size[k] = 0.2 / float64(nSizes-1)
	}
	p.size[0] = 0.8
	likes := make([]grid, len(cs))
	for i, c := range cs {
		likes[i], _ = c.scaled()
	}
	for range 300 {
		var s [nSizes]float64
		s[0] = spike
		f := farCount
		for i, c := range cs {
			c.weigh(&p, &likes[i])
			for k := range s {
				s[k] += c.post[near][k] + c.post[far][k]
				f += c.post[far][k]
			}
		}
		effects := 0.0
		for _, v := range s[1:] {
			effects += v
		}
		believed := 1 - min(1, doubted/max(effects, 1e-9))
		s[0] += effects * (1 - believed)
		total, move := 0.0, 0.0
		for k := range s {
			if k > 0 {
				s[k] = s[k]*believed + smooth
			}
			total += s[k]
		}
		for k := range s {
			n := s[k] / total
			move = max(move, math.Abs(n-p.size[k]))
			p.size[k] = n
		}
		f = min(0.5, f/(float64(len(cs))+farOf))
		move = max(move, math.Abs(f-p.far))
		p.far = f
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
	for part, w := range [2]float64{1 - p.far, p.far} {
		for k, v := range like[part] {
			c.post[part][k] = w * p.size[k] * v
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
func (c *curve) none() float64 { return c.post[near][0] + c.post[far][0] }

// meanBeta is the posterior mean of β.
func (c *curve) meanBeta() float64 {
	s := 0.0
	for k, b := range sizes {
		s += (c.post[near][k] + c.post[far][k]) * b
	}
	return s
}
