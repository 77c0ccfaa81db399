package findings

// A large farm's model need not go through all layers again and again. What the failures
// say is limited by the failures, not by the layers that held: beyond a few of those for
// each failure, more of them hardly tell more (with m of them for one the variance of a
// level is 1 + 1/m times the least there can be). So where there are many layers the fleet
// model takes all failures and a share of the rest, each of which counts for as many as it
// stands for (Breslow & Day 1980, Statistical methods in cancer research I, ch. 1 and 5, on
// controls per case; the weights are those of Horvitz & Thompson 1952, JASA 47:663-685; from
// memory). The questions rest on every layer: to thin theirs too saves little and misleads
// where grip marks go their own way.
//
// Which layers are taken is told by their time and printer, not by where they stand: a
// layer more or less leaves the others where they were. A printer whose tag comes before
// others moves their numbers, and then the draw is another.

const (
	thinFrom   = 50000 // layers from which on they are thinned
	heldForOne = 3     // layers that held for one that failed, at least
	thinMost   = 16    // for how many a layer may stand

	roundsThinned = 3  // in place of rounds
	votersThinned = 25 // in place of shapeVoters
	clearly       = 5  // lead in log-likelihood from which on a shape is not chosen again
)

// thinning is a part of the layers: all that failed and every so-manieth of the rest.
type thinning struct {
	at   []int32 // which
	each float64 // for how many each of the rest stands
}

// thinned thins layers out; nil where all are taken. from is the number of layers from
// which on it does.
func thinned(l *Layers, from int) *thinning {
	n := l.Len()
	if n < from {
		return nil
	}
	fails := 0
	for _, failed := range l.Failed {
		if failed {
			fails++
		}
	}
	each := 1
	for each < thinMost && 2*each*heldForOne*fails <= n-fails {
		each *= 2
	}
	if each == 1 || fails == 0 {
		return nil
	}
	t := &thinning{each: float64(each), at: make([]int32, 0, fails+2*(n-fails)/each)}
	for i, failed := range l.Failed {
		if failed || mixed(uint64(l.At[i])^uint64(l.Printer[i])<<48)&uint64(each-1) == 0 {
			t.at = append(t.at, int32(i))
		}
	}
	return t
}

// mixed spreads the bits of a number (the finaliser of SplitMix64; Steele, Lea & Flood
// 2014, OOPSLA, from memory).
func mixed(x uint64) uint64 {
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

// taken are some values of a column.
func taken[T any](from []T, at []int32) []T {
	to := make([]T, len(at))
	for k, i := range at {
		to[k] = from[i]
	}
	return to
}

// of gives the fleet model of a part of the layers. Its coefficients are the same as
// those of the whole, not copies.
func (f *fleet) of(t *thinning) *fleet {
	p := &fleet{l: &Layers{Failed: taken(f.l.Failed, t.at)}, held: t.each, at: t.at, mean: f.mean, eta: make([]float64, len(t.at)),
		span: taken(f.span, t.at), dose: taken(f.dose, t.at), skipped: taken(f.skipped, t.at)}
	some := func(b *block, x1, x2 []float32) *block {
		c := *b
		c.level, c.x1, c.x2 = taken(b.level, t.at), x1, x2
		return &c
	}
	p.printer, p.plate = some(f.printer, p.skipped, p.span), some(f.plate, p.dose, p.span)
	for _, b := range f.other {
		p.other = append(p.other, some(b, nil, nil))
	}
	return p
}

// take takes over what was fitted to the part. The log-odds of layers are left to
// rebuild.
func (f *fleet) take() {
	p := f.part
	f.mean, f.skip, f.gap = p.mean, p.skip, p.gap
	own := append([]*block{f.printer, f.plate}, f.other...)
	for k, b := range append([]*block{p.printer, p.plate}, p.other...) {
		own[k].vari, own[k].post = b.vari, b.post
	}
}

// whole makes the log-odds of all layers those of the coefficients.
func (f *fleet) whole() {
	if f.part != nil {
		f.rebuild()
	}
}
