package findings

import (
	"math"
	"sync"
)

// obs are observations as columns: odds is the dose as the odds ratio has it,
// count is 1 for single layers.
type obs struct{ off, t, x, z, odds, count []float64 }

// grow makes room for n observations.
func (o *obs) grow(n int) {
	all := make([]float64, 6*n)
	for k, p := range []*[]float64{&o.off, &o.t, &o.x, &o.z, &o.odds, &o.count} {
		*p = all[k*n : k*n : (k+1)*n]
	}
}

func (o *obs) add(off, t, x, z, odds, count float64) {
	o.off = append(o.off, off)
	o.odds = append(o.odds, odds)
	o.t = append(o.t, t)
	o.x = append(o.x, x)
	o.z = append(o.z, z)
	o.count = append(o.count, count)
}

// binner gathers the layers that held, in cells of a third of log-odds, a
// fifth of the window and two thirds of a mean dose.
type binner struct {
	cell              [binOffs * binTimes * binDoses]int16 // bin + 1; 0: none yet
	even              [binOffs * binTimes]int16            // the same for bins of all doses
	key               []int16                              // by bin: which of even's it is in
	sums              []binSum
	missed, missRatio [2][]float64
	quick             bool // see binSum
}

// binSum is what is added up of the layers of a bin; off is of exp(off), where it is to be
// quick of off, and off2 of its square. They lie side by side in memory.
type binSum struct{ off, t, x, z, odds, count, missOdds, off2 float64 }

// offset is the log-odds that stand for a bin's: those of the mean odds. Quick, from their
// mean and variance, which is off by their third cumulant over 6: a bin is a third wide.
func (b *binner) offset(off, off2, count float64) float64 {
	if !b.quick {
		return math.Log(off / count)
	}
	mean := off / count
	return mean + max(0, off2/count-mean*mean)/2
}

const (
	binOffs  = 64 // log-odds from -11 to 10
	binTimes = 8
	binDoses = 16
)

var binners = sync.Pool{New: func() any { return new(binner) }}

func (b *binner) reset(quick bool) {
	b.quick = quick
	clear(b.cell[:])
	b.key = b.key[:0]
	b.sums = b.sums[:0]
	for k := range b.missed {
		b.missed[k], b.missRatio[k] = b.missed[k][:0], b.missRatio[k][:0]
	}
}

func (b *binner) add(off, t, x, z, odds, miss float64, kind int8, ratio float64) {
	inside := func(v float64, n int) int { return min(max(int(v), 0), n-1) }
	dose := 0 // unexposed layers stay by themselves
	if x > 0 {
		dose = 1 + inside(x*1.5, binDoses-1)
	}
	even := inside((off+11)*3, binOffs)*binTimes + inside((t+0.5)*5, binTimes)
	key := even*binDoses + dose
	k := int(b.cell[key]) - 1
	if k < 0 {
		k = len(b.sums)
		b.cell[key] = int16(k + 1)
		b.key = append(b.key, int16(even))
		b.sums = append(b.sums, binSum{})
		for k := range b.missed {
			b.missed[k], b.missRatio[k] = append(b.missed[k], 0), append(b.missRatio[k], 0)
		}
	}
	s := &b.sums[k]
	if b.quick {
		s.off += off
		s.off2 += off * off
	} else {
		s.off += exp(off)
	}
	s.t += t
	s.x += x
	s.z += z
	s.odds += odds
	s.count++
	s.missOdds += miss
	if kind != missNone {
		b.missed[kind][k]++
		b.missRatio[kind][k] += ratio
	}
}

// add takes in one layer.
func (r *rows) add(b *binner, off, t, x, z, odds float64, failed bool, miss float64, kind int8, ratio float64) {
	r.n++
	if failed {
		r.fails.add(off, t, x, z, odds, 1)
		return
	}
	r.sumX += x
	b.add(off, t, x, z, odds, miss, kind, ratio)
}

// close turns the bins' sums into means.
func (r *rows) close(b *binner) {
	n := len(b.sums)
	all := make([]float64, 7*n)
	col := func(k int) []float64 { return all[k*n : (k+1)*n : (k+1)*n] }
	r.spared = make([]float64, len(r.fails.z))
	for i, z := range r.fails.z {
		r.spared[i] = exp(-z)
	}
	for _, b := range r.band {
		r.bands = max(r.bands, int(b)+1)
	}
	h := &r.holds
	h.off, h.t, h.x, h.z, h.odds, h.count, r.missOdds = col(0), col(1), col(2), col(3), col(4), col(5), col(6)
	r.evenOut(b)
	for k := range b.missed {
		r.missed[k] = append([]float64(nil), b.missed[k]...)
		r.missRatio[k] = make([]float64, n)
		for i, m := range b.missed[k] {
			if m > 0 {
				r.missRatio[k][i] = b.missRatio[k][i] / m
			}
		}
	}
	for k := range b.sums {
		s := &b.sums[k]
		m := s.count
		h.off[k], h.t[k], h.x[k], h.z[k], h.odds[k], h.count[k] = b.offset(s.off, s.off2, m), s.t/m, s.x/m, s.z/m, s.odds/m, m
		r.missOdds[k] = s.missOdds / m
	}
}

// evenOut gathers the bins once more without regard to the dose.
func (r *rows) evenOut(b *binner) {
	clear(b.even[:])
	n := 0
	for _, key := range b.key {
		if b.even[key] == 0 {
			n++
			b.even[key] = int16(n)
		}
	}
	all := make([]float64, 4*n)
	e := &r.even
	e.off, e.t, e.count = all[:n:n], all[n:2*n:2*n], all[2*n:3*n:3*n]
	off2 := all[3*n:]
	for k, key := range b.key {
		at := b.even[key] - 1
		e.off[at] += b.sums[k].off
		off2[at] += b.sums[k].off2
		e.t[at] += b.sums[k].t
		e.count[at] += b.sums[k].count
	}
	for k, m := range e.count {
		e.off[k] = b.offset(e.off[k], off2[k], m)
		e.t[k] /= m
	}
}
