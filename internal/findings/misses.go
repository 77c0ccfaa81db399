package findings

import "math"

// Near misses. A layer that held but shows lines that did not grip the plate
// came near to failing for want of grip: what spoils a plate's layers by oil
// also nearly spoils others, whose number is another witness. They have a fleet
// model and a subject's level of their own; how large a share κ of an exposure's
// hazard shows as near misses is learned from the farm, and is none where the
// two do not go together (grime.go says how that is told). Grip marks with contamination and without are told
// apart: how much commoner each is under the exposure is learned as well, within
// bands of the gap, since plates get dull with the gap whether or not it matters.
// Near misses alone raise nothing (see failuresAlone). They bear on cleaning
// gaps only.

// Kinds of near misses.
const (
	missNone      int8 = -1
	missPlain     int8 = 0 // grip marks alone
	missDirty     int8 = 1 // with contamination
	missKinds          = 2
	missRatioMost      = 5.0
	missVariance       = 0.1 // of a subject's own level, log-odds
	missSweeps         = 5
)

// misses are what the fleet expects of near misses, by layer.
type misses struct {
	kind    []int8
	expect  []float32                 // chance of one, the exposures not told apart
	onPlate []float64                 // odds of one from everything but the plate
	onBed   []float64                 // odds of one from everything but the printer
	ratio   [bands][missKinds]float64 // how much likelier a kind is under the exposure
}

// fitMisses fits the fleet model to the near misses among the layers that held.
func fitMisses(l *Layers, printers, plates, thinFrom int) *misses {
	n := l.Len()
	m := &misses{kind: make([]int8, n), expect: make([]float32, n), onPlate: make([]float64, n), onBed: make([]float64, n)}
	for b := range m.ratio {
		m.ratio[b] = [missKinds]float64{1, 1}
	}
	held := 0
	for i := range m.kind {
		m.kind[i] = missNone
		if !l.Failed[i] && l.Recent[i] != RecentRestart {
			held++
			if l.Grip[i] > 0 {
				m.kind[i] = missPlain
				if l.Dirt[i] > 0 {
					m.kind[i] = missDirty
				}
			}
		}
	}
	h := &Layers{}
	h.Grow(held)
	at := make([]int32, 0, held)
	for i := range n {
		if l.Failed[i] || l.Recent[i] == RecentRestart {
			continue
		}
		at = append(at, int32(i))
		h.At = append(h.At, l.At[i])
		h.Printer = append(h.Printer, l.Printer[i])
		h.Plate = append(h.Plate, l.Plate[i])
		h.Material = append(h.Material, l.Material[i])
		h.Grader = append(h.Grader, l.Grader[i])
		h.Failed = append(h.Failed, m.kind[i] != missNone)
		h.Probing = append(h.Probing, l.Probing[i])
		h.Gap = append(h.Gap, l.Gap[i])
		h.Recent = append(h.Recent, l.Recent[i])
		h.Hour = append(h.Hour, l.Hour[i])
		h.Day = append(h.Day, l.Day[i])
	}
	f := fitFleet(h, printers, plates, missSweeps, thinned(h, thinFrom))
	f.share()
	f.whole()
	chunked(held, func(_, lo, hi int) {
		for k := lo; k < hi; k++ {
			i := at[k]
			m.expect[i] = float32(expit(f.eta[k]))
			shared := float64(f.shared[k] + float32(f.skip)*f.skipped[k] + float32(f.gap)*f.dose[k])
			m.onPlate[i] = exp(shared + float64(float32(f.printer.part(k))))
			m.onBed[i] = exp(shared + float64(float32(f.plate.part(k))))
		}
	})
	return m
}

// of gives what the near misses of a layer add to a question of the group: the odds of
// one without the subject, the kind, and how much likelier that is under the exposure.
// They bear on cleaning gaps only.
func (m *misses) of(g int, l *Layers, i int) (odds float64, kind int8, ratio float64) {
	if g == printerProbing {
		return 0, missNone, 1
	}
	odds = m.onBed[i]
	if g == plateGap {
		odds = m.onPlate[i]
	}
	kind, ratio = m.kind[i], 1
	if kind != missNone {
		ratio = m.ratio[band(CleaningGap, l, i)][kind]
	}
	return odds, kind, ratio
}

// missSizes are the hazards at which the near misses' likelihood is worked out.
var missSizes = [...]float64{0, 0.003, 0.006, 0.012, 0.025, 0.05, 0.1, 0.2}

// missCurve is the log-likelihood of a subject's near misses over missSizes, less
// that at 0.
type missCurve [len(missSizes)]float64

// missCurve integrates the subject's own level out by Laplace's method. always:
// the hazard is there at every dose.
func (r *rows) missCurve(always bool) (ll missCurve) {
	o := &r.holds
	a := 0.0
	spares := make([]float64, len(o.count)) // chance that the hazard spares a layer
	for k, size := range missSizes {
		switch {
		case r.quick && k > 0 && size == 2*missSizes[k-1]:
			for i, s := range spares {
				spares[i] = s * s
			}
		case always:
			s := exp(-size)
			for i := range spares {
				spares[i] = s
			}
		default:
			for i, x := range o.x {
				spares[i] = exp(-size * x)
			}
		}
		var v, h float64
		if r.quick {
			v, a, h = r.missLevelQuick(a, spares, always)
		} else {
			v, a, h = r.missLevel(a, spares, always)
		}
		hazard := 0.0 // of all that were no near misses
		for i, m := range o.count {
			x := o.x[i]
			if always {
				x = 1
			}
			hazard += (m - r.missed[missPlain][i] - r.missed[missDirty][i]) * x
		}
		ll[k] = v - size*hazard - 0.5*math.Log(h*missVariance)
	}
	for k := len(ll) - 1; k >= 0; k-- {
		ll[k] -= ll[0]
	}
	return ll
}

// missLevel maximises over the subject's level from a, and gives the log-likelihood there
// (see evalMisses), the level and the information.
func (r *rows) missLevel(a float64, spares []float64, always bool) (v, level, info float64) {
	_, g, h := r.evalMisses(a, spares, always, false)
	for range 20 {
		d := clamp(g/h, 1)
		if math.Abs(d) < 1e-3 {
			break
		}
		a += d
		_, g, h = r.evalMisses(a, spares, always, false)
	}
	v, _, h = r.evalMisses(a, spares, always, true)
	return v, a, h
}

// missLevelQuick is missLevel that takes its last step unseen, as quick fits do.
func (r *rows) missLevelQuick(a float64, spares []float64, always bool) (v, level, info float64) {
	for range 20 {
		v, g, h := r.evalMisses(a, spares, always, true)
		d := clamp(g/h, 1)
		a += d
		if promise := d * g; promise < nearly {
			return v + promise/2, a, h
		}
	}
	v, _, h := r.evalMisses(a, spares, always, true)
	return v, a, h
}

// evalMisses gives the score and the information of the subject's level a, and where
// it is wanted the penalised log-likelihood but for the hazards of those that were no
// near misses. spares is by bin.
func (r *rows) evalMisses(a float64, spares []float64, always, wanted bool) (v, g, h float64) {
	up := exp(a)
	prod := 1.0 // of the chances of bins with one near miss, whose logarithm is taken at once
	for i, m := range r.holds.count {
		odds := r.missOdds[i] * up
		left := 1 / (1 + odds)
		q := odds * left
		rest := m
		for kind := range missKinds {
			y := r.missed[kind][i]
			if y == 0 {
				continue
			}
			rest -= y
			w := r.missRatio[kind][i]
			if always {
				w = 1
			}
			hit := w * (1 - spares[i])
			p := q + left*hit
			switch {
			case !wanted:
			case r.quick && y == 1:
				if prod *= p; prod < 1e-250 {
					v += math.Log(prod)
					prod = 1
				}
			default:
				v += y * math.Log(p)
			}
			d := q * left * (1 - hit) / p
			g += y * d
			h += y * max(0, d*d-d*(1-2*q))
		}
		if wanted {
			v += rest * log1m(q)
		}
		g -= rest * q
		h += rest * q * left
	}
	v += math.Log(prod)
	return v - a*a/(2*missVariance), g - a/missVariance, h + 1/missVariance
}

// at is the log-likelihood at a hazard, between the sizes by a straight line.
func (ll *missCurve) at(hazard float64) float64 {
	for k := 1; k < len(ll); k++ {
		if hazard <= missSizes[k] {
			w := (hazard - missSizes[k-1]) / (missSizes[k] - missSizes[k-1])
			return ll[k-1] + w*(ll[k]-ll[k-1])
		}
	}
	return ll[len(ll)-1]
}

// addMisses works out what the near misses say; withMisses takes it in.
func (c *curve) addMisses(group int) {
	if group == printerProbing {
		return
	}
	c.missed = true
	c.fails = c.ll
	c.miss[byDose] = c.r.missCurve(false)
	for k := 1; k < nSizes; k++ {
		if !math.IsInf(c.ll[always][k], -1) {
			c.miss[always] = c.r.missCurve(true)
			break
		}
	}
}

// addMissesLike is addMisses where only doses are others than in a curve of the same
// layers, which has its own.
func (c *curve) addMissesLike(other *curve) {
	if !other.missed {
		return
	}
	c.missed, c.fails = true, c.ll
	c.miss[byDose], c.miss[always] = c.r.missCurve(false), other.miss[always]
}

// withMisses adds the near misses' likelihood at a share κ of the hazards, by
// component.
func (c *curve) withMisses(b *bearing) {
	if !c.missed {
		return
	}
	if b.grime != nil {
		c.withGrime(b)
		return
	}
	for part := range c.ll {
		for k, size := range sizes {
			c.ll[part][k] = c.fails[part][k] + c.miss[part].at(b.kappa[part]*size)
		}
	}
}

// failuresAlone tells how much likelier the failures, near misses left out, are
// under an effect drawn from the prior than under none.
func (c *curve) failuresAlone(p *prior) float64 {
	if !c.missed {
		return math.Inf(1)
	}
	s, w := 0.0, 0.0
	for k := 1; k < nSizes; k++ {
		s += p.share[byDose][k] * math.Exp(c.fails[byDose][k]-c.fails[byDose][0])
		w += p.share[byDose][k]
	}
	return s / w
}

// kappas are the shares looked at; kappaCost in units of log-likelihood holds
// them back where few subjects speak.
var kappas = [...]float64{0, 0.1, 0.25, 0.4, 0.6, 0.9}

const kappaCost = 2

// learnKappa chooses the shares of a group's hazards that show as near misses by
// the likelihood of all its subjects, and takes the near misses in. It knows of no grime.
func learnKappa(cs []*curve, p *prior) (best bearing) {
	// What a subject's data are worth under a component depends on its own share alone.
	var parts [2][len(kappas)][]float64
	for part := range parts {
		for k, kappa := range kappas {
			worth := make([]float64, len(cs))
			for i, c := range cs {
				worth[i] = c.worth(p, part, kappa)
			}
			parts[part][k] = worth
		}
	}
	top := math.Inf(-1)
	for d, dose := range kappas {
		for a, chronic := range kappas {
			s := -kappaCost * (dose + chronic)
			for i := range cs {
				s += logSum(parts[byDose][d][i], parts[always][a][i])
			}
			if s > top {
				top, best.kappa = s, [2]float64{dose, chronic}
			}
		}
	}
	for _, c := range cs {
		c.withMisses(&best)
	}
	return best
}

// worth is the logarithm of the chance of a subject's data together with that of one
// component, at a share kappa of its hazards.
func (c *curve) worth(p *prior, part int, kappa float64) float64 {
	ll := c.ll[part]
	top := math.Inf(-1)
	for k, size := range sizes {
		if c.missed {
			ll[k] = c.fails[part][k] + c.miss[part].at(kappa*size)
		}
		if p.share[part][k] > 0 {
			top = max(top, ll[k])
		}
	}
	if math.IsInf(top, -1) {
		return top
	}
	s := 0.0
	for k, v := range ll {
		s += p.share[part][k] * math.Exp(min(0, v-top))
	}
	return top + math.Log(s)
}

// logSum is log(exp a + exp b).
func logSum(a, b float64) float64 {
	a, b = max(a, b), min(a, b)
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// learnMisses learns how much likelier each kind is under the exposure, from the
// exposure's part in every near miss.
func (e *study) learnMisses() {
	l, m := e.f.l, e.misses
	var count, resp [bands][missKinds]float64
	for i, kind := range m.kind {
		if kind == missNone || l.Gap[i] < 0 {
			continue
		}
		b := band(CleaningGap, l, i)
		h := m.ratio[b][kind] * (e.bears[plateGap].kappa[byDose]*float64(e.plateH[i]) + e.bears[printerGap].kappa[byDose]*float64(e.printerH[i]))
		count[b][kind]++
		resp[b][kind] += h / (h + float64(m.expect[i]))
	}
	var exposed, rest [missKinds]float64
	for b := range bands {
		for k := range missKinds {
			exposed[k] += resp[b][k]
			rest[k] += count[b][k] - resp[b][k]
		}
	}
	for k := range rest {
		rest[k] += 0.25 // a kind never seen is not impossible
	}
	n, exposures := rest[0]+rest[1], exposed[0]+exposed[1]
	for b := range bands {
		nb := count[b][0] + count[b][1] - resp[b][0] - resp[b][1]
		sum := 0.0
		var base [missKinds]float64
		for k := range missKinds {
			base[k] = (count[b][k] - resp[b][k] + bandPull*rest[k]/n) / (nb + bandPull)
			of := (exposed[k] + 2*causePull*rest[k]/n) / (exposures + 2*causePull)
			m.ratio[b][k] = min(missRatioMost, of/base[k])
			sum += base[k] * m.ratio[b][k]
		}
		for k := range missKinds {
			m.ratio[b][k] /= sum // mean 1 under the base
		}
	}
}
