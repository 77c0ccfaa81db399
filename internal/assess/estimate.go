package assess

import (
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"slices"
	"sync"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// gathered is what a fit is made of: the farm as it was at the last midnight.
type gathered struct {
	layers           *findings.Layers
	starts           []upkeep.Past
	printers, plates int
	split            float64
	opt              findings.Options
	from, to         time.Time
	key              [32]byte // its fingerprint, once it was taken
}

// estimate fits the farm as it was at the last midnight: what a look list drew, and
// where there is one also all.
func (a *Assessor) estimate(v *view, listed, all *gathered) {
	v.fit = a.fitted(listed, !v.apart)
	if all != nil {
		v.chosen = a.fitted(all, !v.apart)
	}
}

// fitted gives the estimates for what was gathered, which are kept where they may be:
// while only layers of today arrive, they are those of last midnight.
func (a *Assessor) fitted(g *gathered, keep bool) *fit {
	if a.mayHave(g) {
		a.markFits()
		g.mark()
		if f := a.fitOf(g.key); f != nil {
			return f
		}
	}
	f := &fit{size: g.size(), made: g, starts: g.starts}
	var model *findings.Model
	f.questions, model = findings.Learn(g.layers, g.printers, g.plates, g.split, g.opt)
	f.ahead, f.graders = upkeep.NewForecast(model), model.Graders
	if !keep {
		f.starts, f.made = nil, nil // it answers once
		return f
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.fits = append(a.fits, f)
	if len(a.fits) > keptFits {
		a.fits = append([]*fit(nil), a.fits[1:]...)
	}
	return f
}

// markFits takes the fingerprints that kept fits lack yet: an answer does not wait for its
// own.
func (a *Assessor) markFits() {
	a.mu.Lock()
	fits := slices.Clone(a.fits)
	a.mu.Unlock()
	for _, f := range fits {
		a.mu.Lock()
		made := f.made
		a.mu.Unlock()
		if made == nil {
			continue
		}
		key := made.key
		if key == [32]byte{} {
			key = fingerprint(made)
		}
		a.mu.Lock()
		f.key, f.made = key, nil
		a.mu.Unlock()
	}
}

// mayHave tells whether a fit of as many layers and starts is kept.
func (a *Assessor) mayHave(g *gathered) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.ContainsFunc(a.fits, func(f *fit) bool { return f.size == g.size() })
}

// beside runs two pieces of work at once; neither writes what the other reads.
func beside(one, other func()) {
	var wait sync.WaitGroup
	wait.Go(one)
	other()
	wait.Wait()
}

// known is a history as it was known at an instant, with its exposures.
type known struct {
	h    *exposure.History
	same bool // it is the whole history
	ex   []exposure.Exposure
}

// knownBefore gives it; ex are the exposures of the whole history.
func knownBefore(data *store.Analysis, at time.Time, ex []exposure.Exposure) known {
	k := before(data, at.UnixMicro())
	if k.ex = ex; !k.same {
		k.ex = exposure.Of(k.h)
	}
	return k
}

// gather collects it: of the layers that a look list drew, and where one is in use also
// of all that was graded. at is what was known at the view's midnight.
func gather(v *view, data *store.Analysis, at known, zone *time.Location) (listed, all *gathered) {
	h, ex := at.h, at.ex
	from, to := v.q.From, v.q.To
	if !v.fitTo.IsZero() {
		from, to = v.fitFrom, v.fitTo
	} else if to.IsZero() || !to.Before(v.midnight) {
		to = v.midnight.Add(-time.Microsecond)
		if v.q.To.IsZero() && len(h.Starts) > 0 {
			to = time.UnixMicro(h.Starts[len(h.Starts)-1].At)
		}
	}
	if from.IsZero() {
		// The window's own length before its own end, so that the fit stays what
		// it was at midnight while the window moves on with every start.
		if v.q.To.IsZero() {
			from = to.Add(-Window)
		} else {
			from = v.from
		}
	}
	midnight := v.midnight.UnixMicro()
	first, end := span(h.Starts, from.UnixMicro(), to.UnixMicro())
	opt := findings.Options{FalseDiscoveryRate: FalseDiscoveryRate, LeastAvoidable: data.Settings.Number("least_avoidable"), Unthinned: v.unthinned, Credulous: v.credulous}
	printers, plates := len(data.Printers), h.Plates
	gather := func(without func(i int) bool) *gathered {
		label := func(i int) findings.Label {
			l := &data.Labels[i]
			return findings.Label{Graded: l.Graded && data.History.Starts[i].GradedAt < midnight && (without == nil || !without(i)),
				Material: l.Material, Grader: l.Grader, Height: l.Height, Grip: l.Grip, Dirt: l.Dirt, Else: l.Else}
		}
		var layers *findings.Layers
		starts := make([]upkeep.Past, end-first)
		beside(func() {
			layers = findings.Collect(h, ex, label, from.UnixMicro(), to.UnixMicro(), zone)
		}, func() {
			for i := first; i < end; i++ {
				starts[i-first] = upkeep.PastOf(&h.Starts[i], &ex[i], data.Labels[i].Material, label(i).Graded)
			}
		})
		split := median(layers.Len(), func(i int) (int32, bool) { return layers.Gap[i], layers.Gap[i] >= 0 })
		if math.IsNaN(split) {
			split = 0
		}
		return &gathered{layers: layers, starts: starts, printers: printers, plates: plates, split: split, opt: opt, from: from, to: to}
	}
	outside := byChoice(data.Labels, first, end, data.Settings.Number("look_share"))
	if outside != nil && !v.apart {
		all = gather(nil)
	}
	return gather(outside), all
}

// before gives the history as it was known to be before an instant, without its
// exposures: what happened, what was graded and what was taken off from then on is not in
// it. Lists are in order of time.
func before(data *store.Analysis, t int64) known {
	all := &data.History
	part := *all
	part.Starts = cut(all.Starts, t, func(s *exposure.Start) int64 { return s.At })
	part.Probes = cut(all.Probes, t, func(p *exposure.Probe) int64 { return p.At })
	part.Skips = cut(all.Skips, t, func(s *exposure.Skip) int64 { return s.At })
	part.Cleanings = cut(all.Cleanings, t, func(c *exposure.Cleaning) int64 { return c.At })
	part.Fittings = cut(all.Fittings, t, func(f *exposure.Fitting) int64 { return f.At })
	part.Services = cut(all.Services, t, func(s *exposure.Service) int64 { return s.At })
	same := len(part.Starts) == len(all.Starts) && len(part.Probes) == len(all.Probes) && len(part.Skips) == len(all.Skips) &&
		len(part.Cleanings) == len(all.Cleanings) && len(part.Fittings) == len(all.Fittings) && len(part.Services) == len(all.Services)
	if same = same && !slices.ContainsFunc(part.Starts, func(s exposure.Start) bool { return s.GradedAt >= t }); !same {
		part.GradedBefore = t
	}
	copied := false
	for i := range part.Fittings {
		if part.Fittings[i].Removed < t {
			continue
		}
		if !copied {
			part.Fittings, copied, same = append([]exposure.Fitting(nil), part.Fittings...), true, false
		}
		part.Fittings[i].Removed = 0
	}
	return known{h: &part, same: same}
}

// cut gives the beginning of a list that lies before an instant.
func cut[T any](list []T, t int64, at func(*T) int64) []T {
	n := len(list)
	for n > 0 && at(&list[n-1]) >= t {
		n--
	}
	return list[:n:n]
}

// size is how many layers and starts it has.
func (g *gathered) size() [2]int { return [2]int{g.layers.Len(), len(g.starts)} }

// mark takes the fingerprint, once.
func (g *gathered) mark() {
	if g.key == [32]byte{} {
		g.key = fingerprint(g)
	}
}

// fingerprint of all that an evaluation depends on, and what is learned of upkeep.
func fingerprint(g *gathered) (key [32]byte) {
	l, starts := g.layers, g.starts
	w := hashed{h: sha256.New(), buf: make([]byte, 0, 1<<16)}
	for _, x := range []uint64{uint64(l.Len()), uint64(g.printers), uint64(g.plates), math.Float64bits(g.split),
		math.Float64bits(g.opt.FalseDiscoveryRate), math.Float64bits(g.opt.LeastAvoidable)} {
		w.word(x)
	}
	for i := range l.At {
		w.word(uint64(l.At[i]))
		w.word(uint64(uint32(l.Printer[i]))<<32 | uint64(uint32(l.Plate[i])))
		w.word(uint64(uint32(l.Material[i]))<<32 | uint64(uint32(l.Grader[i])))
		w.word(uint64(uint32(l.SinceP[i]))<<32 | uint64(uint32(l.Gap[i])))
		failed := uint64(0)
		if l.Failed[i] {
			failed = 1
		}
		w.word(uint64(uint32(l.Day[i]))<<32 | uint64(l.Hour[i])<<24 | uint64(l.Height[i])<<20 | uint64(l.Grip[i])<<16 |
			uint64(l.Dirt[i])<<12 | uint64(l.Else[i])<<8 | uint64(l.Recent[i])<<4 | uint64(l.Probing[i])<<1 | failed)
	}
	for i := range starts { // graded ones are layers
		if p := &starts[i]; !p.Graded {
			w.word(uint64(i)<<8 | uint64(p.Probing))
			w.word(uint64(uint32(p.Printer))<<32 | uint64(uint32(p.Plate)))
			w.word(uint64(uint32(p.SinceProbe))<<32 | uint64(uint32(p.Gap)))
		}
	}
	w.flush()
	w.h.Sum(key[:0])
	return key
}

type hashed struct {
	h   hash.Hash
	buf []byte
}

func (w *hashed) word(x uint64) {
	if len(w.buf)+8 > cap(w.buf) {
		w.flush()
	}
	w.buf = binary.LittleEndian.AppendUint64(w.buf, x)
}

func (w *hashed) flush() {
	_, _ = w.h.Write(w.buf) // a hash never fails
	w.buf = w.buf[:0]
}
