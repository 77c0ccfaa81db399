package findings

import "math"

// Plates get dull without harm: layers may show more and more that they gripped
// badly the longer a plate was not cleaned, and hold all the same. If near misses
// could come of nothing but what also makes layers fail, a farm with a few such
// plates would have to take them for harm (or every near miss for chance), and a
// handful of plates that failed a little more by luck would speak for all. So a
// subject may have grime of its own: near misses that grow with the dose and no
// failures. What sizes of it are how common is learned from the farm together with
// the share of an exposure's hazard that shows; the two are told apart by whether
// near misses and failures are found on the same subjects.

// bearing is how near misses of a group come about.
type bearing struct {
	kappa [2]float64 // share of the hazards that shows as near misses, by component
	grime *grime     // nil: near misses come of nothing else
}

// grime is the share of subjects with near misses of their own, by their hazard
// (missSizes); the first has none.
type grime [len(missSizes)]float64

const (
	grimeAtFirst = 0.2  // share of subjects that learning begins from
	grimeSpike   = 1    // pseudo-counts of a subject without
	grimeSmooth  = 0.01 // and of one of each size
	grimeTurns   = 3    // at most so often shares and grime are learned in turn
	grimeLeast   = 1e-9 // share below which a size is left out

	bearingCost = 1 // holds the shares back, as kappaCost does, which must also stand for grime
)

// missOf is the log-likelihood of a subject's near misses at a hazard of a component and
// a size of grime. What is there at every dose and grime beside it is rare: then grime
// alone is taken to tell.
func (c *curve) missOf(part int, hazard float64, size int) float64 {
	switch {
	case part == byDose:
		return c.miss[byDose].at(hazard + missSizes[size])
	case size == 0:
		return c.miss[always].at(hazard)
	}
	return c.miss[byDose][size]
}

// mostMiss is the largest of a subject's log-likelihoods of near misses.
func (c *curve) mostMiss() float64 {
	top := 0.0
	for part := range c.miss {
		for _, v := range c.miss[part] {
			top = max(top, v)
		}
	}
	return top
}

// withGrime adds the near misses' likelihood, averaged over what grime there may be, less
// that without a hazard: what grime explains by itself says nothing, of a size as little
// as of a shape.
func (c *curve) withGrime(b *bearing) {
	top := c.mostMiss()
	average := func(part int, hazard float64) float64 {
		sum := 0.0
		for s, share := range b.grime {
			if share > grimeLeast {
				sum += share * exp(c.missOf(part, hazard, s)-top)
			}
		}
		return math.Log(max(sum, 1e-300))
	}
	none := average(byDose, 0)
	for part := range c.ll {
		for k, size := range sizes {
			c.ll[part][k] = c.fails[part][k]
			if b.kappa[part] > 0 && !math.IsInf(c.fails[part][k], -1) {
				c.ll[part][k] += average(part, b.kappa[part]*size) - none
			}
		}
	}
}

// chances are what the data of every subject are worth at each size of its grime.
type chances [][len(missSizes)]float64

// learnBearing learns how the near misses of a group come about by the likelihood of all
// its subjects, and takes them in.
func learnBearing(cs []*curve, p *prior) bearing {
	var parts [2][len(kappas)]chances
	for part := range parts {
		for k := range kappas {
			parts[part][k] = make(chances, len(cs))
		}
	}
	for i, c := range cs {
		c.chances(p, i, &parts)
	}
	g := &grime{1 - grimeAtFirst}
	for s := 1; s < len(g); s++ {
		g[s] = grimeAtFirst / float64(len(g)-1)
	}
	both := make(chances, len(cs))
	g.learn(parts[byDose][0], parts[always][0], both)
	best := [2]int{}
	for range grimeTurns {
		before, top := best, math.Inf(-1)
		for d, dose := range kappas {
			for a, chronic := range kappas {
				if s := g.worth(parts[byDose][d], parts[always][a]) - bearingCost*(dose+chronic); s > top {
					top, best = s, [2]int{d, a}
				}
			}
		}
		g.learn(parts[byDose][best[byDose]], parts[always][best[always]], both)
		if best == before {
			break
		}
	}
	b := bearing{kappa: [2]float64{kappas[best[byDose]], kappas[best[always]]}, grime: g}
	for _, c := range cs {
		c.withMisses(&b)
	}
	return b
}

// chances fills in those of one subject under each component and share of its hazards,
// all by one factor.
func (c *curve) chances(p *prior, i int, to *[2][len(kappas)]chances) {
	top, most := math.Inf(-1), c.mostMiss()
	for part := range c.fails {
		for k, share := range p.share[part] {
			if share > 0 {
				top = max(top, c.fails[part][k])
			}
		}
	}
	for part := range c.fails {
		for k, share := range p.share[part] {
			if share == 0 || c.fails[part][k] < top-25 {
				continue
			}
			w := share * exp(c.fails[part][k]-top)
			for s := range missSizes {
				v := 0.0
				for n, kappa := range kappas {
					if n == 0 || sizes[k] > 0 && (part == byDose || s == 0) { // otherwise all are alike
						v = w * exp(c.missOf(part, kappa*sizes[k], s)-most)
					}
					to[part][n][i][s] += v
				}
			}
		}
	}
}

// learn finds how common the sizes are by EM; both is room to work in.
func (g *grime) learn(byDose, always, both chances) {
	for i := range both {
		for s := range g {
			both[i][s] = byDose[i][s] + always[i][s]
		}
	}
	for range 60 {
		sum := grime{grimeSpike}
		for s := 1; s < len(g); s++ {
			sum[s] = grimeSmooth
		}
		for i := range both {
			like := &both[i]
			n := 1e-300
			for s, share := range g {
				n += share * like[s]
			}
			n = 1 / n
			for s, share := range g {
				sum[s] += share * like[s] * n
			}
		}
		total, move := 0.0, 0.0
		for _, n := range sum {
			total += n
		}
		for s, n := range sum {
			move = max(move, math.Abs(n/total-g[s]))
			g[s] = n / total
		}
		if move < 1e-3 {
			break
		}
	}
}

// worth is the logarithm of the chance of all subjects' data.
func (g *grime) worth(byDose, always chances) (v float64) {
	prod := 1.0
	for i := range byDose {
		n := 1e-300
		for s, share := range g {
			n += share * (byDose[i][s] + always[i][s])
		}
		if n < 1e-100 {
			v += math.Log(n)
			continue
		}
		if prod *= n; prod < 1e-150 {
			v += math.Log(prod)
			prod = 1
		}
	}
	return v + math.Log(prod)
}
