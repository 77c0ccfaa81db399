package findings

import "math"

// What marks say. A failed layer falls into one of a few classes by which marks
// are severe on it. How much likelier a class is when the exposure spoiled the
// layer than when something else did is learned from the farm, not assumed: the
// responsibilities of the exposure for each failure (how much of its chance the
// exposure explains) give both distributions. What else spoils layers is
// described for each band of the dose by itself, since some marks become
// commoner with a gap, or with a crew, whether or not they matter; and every
// subject may lean towards the exposure's classes on its own (δ), since a
// chronic fault shows the same marks with and without the exposure.

const (
	classes = 16
	bands   = 5
	severe  = 2 // least severity that counts
)

// class of a failed layer: bit 0 height, 1 grip, 2 contamination, 3 others.
func class(l *Layers, i int) uint8 {
	var c uint8
	for b, s := range [...]uint8{l.Height[i], l.Grip[i], l.Dirt[i], l.Else[i]} {
		if s >= severe {
			c |= 1 << b
		}
	}
	return c
}

// band of a dose.
func band(c Cause, l *Layers, i int) uint8 {
	if c == SkippedProbing {
		if l.Probing[i] == ProbingSkipped {
			return 1
		}
		return 0
	}
	switch g := l.Gap[i]; {
	case g <= 1:
		return 0
	case g <= 4:
		return 1
	case g <= 9:
		return 2
	case g <= 19:
		return 3
	}
	return 4
}

// signs is what marks say about one group of questions.
type signs struct {
	base  [bands][classes]float64 // chance of a class when something else spoiled it
	ratio [bands][classes]float64 // exposure's chance over base
	lean  [classes]float64        // direction of δ
	cause [classes]float64        // chance of a class under the exposure
	seen  bool
}

// plain signs say nothing.
func plainSigns() *signs {
	s := &signs{}
	for b := range bands {
		for c := range classes {
			s.base[b][c] = 1.0 / classes
			s.ratio[b][c] = 1
		}
	}
	return s
}

// Pseudo-counts that hold the learned distributions together.
const (
	bandPull  = 12.0 // band's base towards the base of all bands
	causePull = 10.0 // the exposure's classes towards the base
	ratioMost = 12.0
)

// learnSigns learns from every failed layer's class, band and responsibility.
func learnSigns(count *[bands][classes]float64, resp *[bands][classes]float64) *signs {
	var all, exp [classes]float64
	total, texp := 0.0, 0.0
	for b := range bands {
		for c := range classes {
			all[c] += count[b][c] - resp[b][c]
			exp[c] += resp[b][c]
			total += count[b][c] - resp[b][c]
			texp += resp[b][c]
		}
	}
	s := &signs{seen: true}
	for c := range classes {
		all[c] = (all[c] + 0.25) / (total + 0.25*classes)
	}
	for c := range classes {
		exp[c] = (exp[c] + causePull*all[c]) / (texp + causePull)
	}
	for b := range bands {
		n := 0.0
		for c := range classes {
			n += count[b][c] - resp[b][c]
		}
		for c := range classes {
			s.base[b][c] = (max(0, count[b][c]-resp[b][c]) + bandPull*all[c]) / (n + bandPull)
		}
	}
	s.cause = exp
	s.compare()
	for c := range classes {
		s.lean[c] = max(-2, min(2, math.Log(exp[c]/all[c])))
	}
	return s
}

// compare fills in how much likelier the classes are under the exposure.
func (s *signs) compare() {
	for b := range bands {
		sum := 0.0
		for c := range classes {
			s.ratio[b][c] = min(ratioMost, max(1/ratioMost, s.cause[c]/s.base[b][c]))
			sum += s.base[b][c] * s.ratio[b][c]
		}
		for c := range classes {
			s.ratio[b][c] /= sum // mean 1 under the base
		}
	}
}

// of is the same base with the classes of another cause against it.
func (s *signs) of(other *signs) *signs {
	o := *s
	o.cause = other.cause
	o.compare()
	return &o
}

// learnMarks learns what marks say from the exposures' parts in the failures.
func (e *study) learnMarks() {
	l := e.f.l
	for k := range e.parts {
		if e.parts[k] == nil {
			e.parts[k] = make([]float32, l.Len())
		}
		clear(e.parts[k])
	}
	part, chronic := e.parts[:2], e.parts[2:]
	shares := make([][2][nSizes][]float32, len(e.curves))
	parallel(len(e.curves), func(i int) { shares[i] = e.curves[i].shares() })
	for i, c := range e.curves {
		if c == nil {
			continue
		}
		for part, to := range [2][]float32{part[e.qs[i].Cause], chronic[e.group(i)]} {
			for k, share := range shares[i][part] {
				p := float32(c.post[part][k])
				for m, s := range share {
					to[c.r.layer[m]] += p * s
				}
			}
		}
	}
	for cause := range part {
		var count, resp [bands][classes]float64
		var always [3][bands][classes]float64
		for _, i := range e.failed {
			if Cause(cause) == SkippedProbing && l.Probing[i] != ProbingSkipped && l.Probing[i] != ProbingValid {
				continue
			}
			if Cause(cause) == CleaningGap && l.Gap[i] < 0 {
				continue
			}
			b, c := band(Cause(cause), l, i), class(l, i)
			count[b][c]++
			resp[b][c] += float64(min(1, part[cause][i]))
			for g := range chronic {
				always[g][b][c] += float64(min(1, chronic[g][i]))
			}
		}
		e.signs[cause] = learnSigns(&count, &resp)
		for _, g := range [][]int{{printerProbing}, {printerGap, plateGap}}[cause] {
			e.chronic[g] = e.signs[cause].of(learnSigns(&count, &always[g]))
		}
	}
}

// unlikely is the chance below which what a size says of the failed layers is left out.
const unlikely = 1e-6

// shares gives the exposure's part in each failed layer, by component and size; nil
// where the size is unlikely.
func (c *curve) shares() (out [2][nSizes][]float32) {
	if c == nil {
		return out
	}
	for part := range out {
		for k, p := range c.post[part] {
			if p >= unlikely && sizes[k] > 0 {
				out[part][k] = c.r.shares(&c.at[part][k], part == always)
			}
		}
	}
	return out
}
