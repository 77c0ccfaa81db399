package simfarm

import (
	"math"
	"math/rand/v2"
)

// Yardsticks for a crew that learns. An informed crew knows every parameter of the
// farm (how far each zero wanders, how each plate takes oil) and sees what is
// recorded: who was probed and cleaned when, which layers failed. A clairvoyant also
// sees where the zeros are and how much oil is on the plates. Both probe (wipe) when
// the cost to expect of this start beyond that of a probed (wiped) one reaches a
// level; the levels are those of least long-run cost, found for each printer by
// simulating it and for each plate by its cycle.

// particles stand for where a printer's zero may be.
const particles = 48

type where struct{ zero, tiltX, tiltY float64 }

type knowing struct {
	f         *Farm
	prices    Prices
	sees      bool
	printers  []belief
	plates    []oiled
	rng       *rand.Rand
	probeFrom []float64 // by printer: money
}

type belief struct {
	at        []where
	reference float64
	wild      bool // its zero may leave the band
}

type oiled struct {
	oil   float64
	clean int
}

// Informed is the crew that knows every parameter.
func Informed(f *Farm, prices Prices) Crew { return newKnowing(f, prices, false) }

// Clairvoyant is the crew that also sees the hidden states.
func Clairvoyant(f *Farm, prices Prices) Crew { return newKnowing(f, prices, true) }

func newKnowing(f *Farm, prices Prices, sees bool) *knowing {
	c := &knowing{f: f, prices: prices, sees: sees, rng: rand.New(rand.NewPCG(f.Seed, 99)),
		printers: make([]belief, len(f.printers)), plates: make([]oiled, len(f.plates)), probeFrom: make([]float64, len(f.printers))}
	for i := range f.printers {
		p := &f.printers[i]
		c.printers[i].at = make([]where, particles)
		c.printers[i].wild = p.wander > 0.005 || p.jump > 0
		c.probeFrom[i] = prices.Probe / 5 // swaps of plates alone: one lies for several starts
		if c.printers[i].wild {
			c.probeFrom[i] = c.level(p)
		}
	}
	for j := range f.plates {
		c.plates[j] = oiled{f.plates[j].oilAtFirst, int(f.plates[j].oilAtFirst)}
	}
	return c
}

// move lets a zero wander over one start.
func (c *knowing) move(p *printer, w *where, rng *rand.Rand) {
	sc := &c.f.Scenario
	keep := 1 - sc.WanderPull
	w.zero = keep*w.zero + p.wander*rng.NormFloat64()
	w.tiltX = keep*w.tiltX + sc.TiltShare*p.wander*rng.NormFloat64()
	w.tiltY = keep*w.tiltY + sc.TiltShare*p.wander*rng.NormFloat64()
	if p.jump > 0 && rng.Float64() < sc.JumpChance {
		w.zero += p.jump * rng.NormFloat64()
	}
}

func (c *knowing) probed(rng *rand.Rand) where {
	n := c.f.Scenario.ProbeNoiseMM
	return where{n * rng.NormFloat64(), n / 2 * rng.NormFloat64(), n / 2 * rng.NormFloat64()}
}

func (c *knowing) risk(w *where, mismatch float64) float64 {
	return c.f.Scenario.heightRisk(c.f.band, w.zero-mismatch, w.tiltX, w.tiltY)
}

// others is what else spoils a layer, about.
const others = 0.04

// level finds the cost of a start from which probing is cheapest in the long run.
func (c *knowing) level(p *printer) float64 {
	best, least := math.Inf(1), math.Inf(1)
	starts := 3000
	if !c.sees {
		starts = 1000
	}
	for _, level := range []float64{0.05, 0.1, 0.17, 0.25, 0.35, 0.5, 0.7, 0.9, 1.2, 1.6, 2.2, 3, math.Inf(1)} {
		rng := rand.New(rand.NewPCG(c.f.Seed, 7))
		cost := 0.0
		var w where
		cloud := make([]where, particles)
		for range starts {
			c.move(p, &w, rng)
			expect := c.risk(&w, 0)
			if !c.sees {
				expect = 0
				for k := range cloud {
					c.move(p, &cloud[k], rng)
					expect += c.risk(&cloud[k], 0) / particles
				}
			}
			if expect*c.prices.Failure >= level {
				cost += c.prices.Probe + c.prices.Failure*p.tip
				w = c.probed(rng)
				for k := range cloud {
					cloud[k] = c.probed(rng)
				}
			}
			r := c.risk(&w, 0)
			cost += r * c.prices.Failure
			if !c.sees {
				c.weigh(cloud, rng.Float64() < 1-(1-r)*(1-others), 0, rng)
			}
		}
		if cost < least*0.999 {
			best, least = level, cost
		}
	}
	return best
}

// weigh keeps the particles that what came of a layer speaks for.
func (c *knowing) weigh(cloud []where, failed bool, mismatch float64, rng *rand.Rand) {
	var w [particles]float64
	sum := 0.0
	for k := range cloud {
		w[k] = (1 - c.risk(&cloud[k], mismatch)) * (1 - others)
		if failed {
			w[k] = 1 - w[k]
		}
		sum += w[k]
	}
	var next [particles]where
	u, acc, k := rng.Float64()/particles, 0.0, 0
	for n := range next {
		for k < particles-1 && acc+w[k]/sum < u {
			acc += w[k] / sum
			k++
		}
		next[n] = cloud[k]
		u += 1.0 / particles
	}
	copy(cloud, next[:])
}

// mismatch is how much thicker the plate is than the one probed on.
func (c *knowing) mismatch(printer, plate int32, reference float64) float64 {
	if c.f.printers[printer].frame {
		return c.f.plates[plate].thickness
	}
	return c.f.plates[plate].thickness - reference
}

func (c *knowing) Decide(p *Prep) (probe bool, clean uint8) {
	f := c.f
	ip := &f.printers[p.Printer]
	b := &c.printers[p.Printer]
	matched := 0.0
	if ip.frame {
		matched = f.plates[p.Plate].thickness
	}
	var now, after float64
	if c.sees {
		// The world as it is before the start, moved on by the start's own draws.
		w := p.run.world
		i, j := w.printers[p.Printer], w.plates[p.Plate]
		s := *p.start
		s.probed, s.method = false, 0
		r := w.step(&s)
		w.printers[p.Printer], w.plates[p.Plate] = i, j
		now, after = r.p[causeHeight], r.heightValid
		c.plates[p.Plate].oil, c.plates[p.Plate].clean = j.oil, j.clean
	} else {
		m := c.mismatch(p.Printer, p.Plate, b.reference)
		if p.Serviced {
			for k := range b.at {
				b.at[k].zero += f.Scenario.ServiceShiftMM * c.rng.NormFloat64()
			}
		}
		for k := range b.at {
			c.move(ip, &b.at[k], c.rng)
			now += c.risk(&b.at[k], m) / particles
		}
		fresh := c.probed(c.rng)
		after = c.risk(&fresh, matched)
	}
	probe = c.prices.Failure*(now-after-ip.tip) >= c.probeFrom[p.Printer] && c.probeFrom[p.Printer] < math.Inf(1)
	if c.oilDue(p) {
		clean = wipe
	}
	return probe, clean
}

// oilRisk is the chance that what is, or is not, on a plate spoils a layer.
func (c *knowing) oilRisk(printer, plate int32, material uint8, oil float64, clean int) float64 {
	f, sc := c.f, &c.f.Scenario
	m := &feedstocks[material]
	hold := math.Exp(-(f.plates[plate].oil + f.printers[printer].oil + sc.OilEveryone) * m.oil * sc.OilForm.at(oil))
	if jp := &f.plates[plate]; jp.over > 0 && jp.surface != 0 {
		hold *= 1 - math.Min(0.9, jp.over*m.overBond)*math.Exp(-float64(clean)/sc.OverBondFade)
	}
	return 1 - hold
}

// oilDue tells whether waiting one more print costs more than the cheapest cycle does
// per print.
func (c *knowing) oilDue(p *Prep) bool {
	f, sc := c.f, &c.f.Scenario
	j := c.plates[p.Plate]
	now := c.oilRisk(p.Printer, p.Plate, p.Material, j.oil, j.clean)
	if now <= c.oilRisk(p.Printer, p.Plate, p.Material, sc.WipeLeaves*j.oil, 0) {
		return false
	}
	per := f.printers[p.Printer].cook * feedstocks[p.Material].oil
	const most = 150
	sum, oil := c.prices.Wipe, sc.WipeLeaves*j.oil
	least := math.Inf(1)
	r := 0.0
	for n := 1; n <= most; n++ {
		r = c.prices.Failure * c.oilRisk(p.Printer, p.Plate, p.Material, oil, n-1)
		sum += r
		oil += per
		least = math.Min(least, sum/float64(n))
	}
	if r < least { // never pays
		return false
	}
	return c.prices.Failure*now >= least
}

func (c *knowing) Saw(s *Seen) {
	f, sc := c.f, &c.f.Scenario
	if s.At < f.crewFrom { // Decide moves what it decides about
		for k := range c.printers[s.Printer].at {
			c.move(&f.printers[s.Printer], &c.printers[s.Printer].at[k], c.rng)
		}
	}
	b := &c.printers[s.Printer]
	if s.Probed {
		for k := range b.at {
			b.at[k] = c.probed(c.rng)
		}
		b.reference = f.plates[s.ProbePlate].thickness
	}
	if s.Graded {
		c.weigh(b.at, s.Failed, c.mismatch(s.Printer, s.Plate, b.reference), c.rng)
	}
	j := &c.plates[s.Plate]
	switch s.Clean {
	case wipe:
		j.oil *= sc.WipeLeaves
	case wash:
		j.oil *= sc.WashLeaves
	case deep:
		j.oil = 0
	}
	if s.Clean != 0 {
		j.clean = 0
	}
	j.oil += f.printers[s.Printer].cook * feedstocks[s.Material].oil
	j.clean++
}
