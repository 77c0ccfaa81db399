package findings

import "sync"

// tile is how many layers a pass goes through at a time, so that what it works out for
// them stays near at hand.
const tile = 1024

// tiled is what a pass works out for a tile.
type tiled struct{ score, info [tile]float64 }

var tiles = sync.Pool{New: func() any { return new(tiled) }}

// pass goes over a range of the layers: moves their log-odds by what the last step left
// to do, and gives the score and the information of each for its log-odds, tile by tile.
func (f *fleet) pass(lo, hi int, see func(from int, g, w []float64)) {
	near := tiles.Get().(*tiled)
	defer tiles.Put(near)
	for ; lo < hi; lo += tile {
		end := min(lo+tile, hi)
		g, w := near.score[:end-lo], near.info[:end-lo]
		f.pay(lo, end)
		f.slopes(lo, g, w)
		see(lo, g, w)
	}
}

// slopes fills in the score and the information of the layers from one on.
func (f *fleet) slopes(from int, g, w []float64) {
	n := len(g)
	eta, failed, w := f.eta[from:from+n], f.l.Failed[from:from+n], w[:n]
	held := f.held
	if f.spared == nil {
		for i, e := range eta {
			q := expit(e)
			v := q * (1 - q)
			if failed[i] {
				g[i], w[i] = 1-q, v
			} else {
				g[i], w[i] = -q*held, v*held
			}
		}
		return
	}
	spared := f.spared[from : from+n]
	for i, e := range eta {
		q := expit(e)
		s := spared[i]
		switch {
		case s != 1:
			// p = 1 − (1 − q)·exp(−hazard), dp = q·(1 − p).
			p := 1 - (1-q)*float64(s)
			v := q * q * (1 - p) / p
			if failed[i] {
				g[i], w[i] = q*(1-p)/p, v
			} else {
				g[i], w[i] = -q*held, v*held
			}
		case failed[i]:
			g[i], w[i] = 1-q, q*(1-q)
		default:
			g[i], w[i] = -q*held, q*(1-q)*held
		}
	}
}

// gather adds up what a pass found by the levels of a block.
func (b *block) gather(own []acc, from int, g, w []float64) {
	n := len(g)
	level, w := b.level[from:from+n], w[:n]
	if b.k == 1 {
		for i, lv := range level {
			if lv >= 0 {
				s := &own[lv]
				s.g0 += g[i]
				s.h00 += w[i]
			}
		}
		return
	}
	// Layers of one level mostly follow one another.
	x1, x2 := b.x1[from:from+n], b.x2[from:from+n]
	for i := 0; i < n; {
		lv, end := level[i], i+1
		for end < n && level[end] == lv {
			end++
		}
		if lv >= 0 {
			own[lv].sum(g[i:end], w[i:end], x1[i:end], x2[i:end])
		}
		i = end
	}
}

// sum adds layers with columns 1, x1, x2, one after another. The sums are kept apart from
// each other while it goes on, so that they stay in registers.
func (s *acc) sum(g, w []float64, x1, x2 []float32) {
	g0, g1, g2, h00, h01, h02, h11, h12, h22 := s.g0, s.g1, s.g2, s.h00, s.h01, s.h02, s.h11, s.h12, s.h22
	w, x1, x2 = w[:len(g)], x1[:len(g)], x2[:len(g)]
	for i, g := range g {
		w, x1, x2 := w[i], float64(x1[i]), float64(x2[i])
		g0 += g
		g1 += g * x1
		g2 += g * x2
		h00 += w
		h01 += w * x1
		h02 += w * x2
		h11 += w * x1 * x1
		h12 += w * x1 * x2
		h22 += w * x2 * x2
	}
	*s = acc{g0, g1, g2, h00, h01, h02, h11, h12, h22}
}

// move adds what a step moves a block's coefficients by to the log-odds of a range.
func (b *block) move(eta []float64, lo, hi int, deltas [][dims]float64) {
	level := b.level[lo:hi]
	eta = eta[lo:hi]
	if b.k == 1 {
		for i, lv := range level {
			if lv >= 0 {
				eta[i] += deltas[lv][0]
			}
		}
		return
	}
	x1, x2 := b.x1[lo:hi], b.x2[lo:hi]
	for i, lv := range level {
		if lv >= 0 {
			d := &deltas[lv]
			eta[i] += d[0]
			eta[i] += d[1]*float64(x1[i]) + d[2]*float64(x2[i])
		}
	}
}
