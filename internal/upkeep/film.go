package upkeep

import (
	"math"

	"basecourse/internal/findings"
)

// What a wipe leaves on a plate builds up from wash to wash. Its hazard grows with
// the prints since the plate was washed, whatever it was wiped since; it is told apart
// from the cleaning gap by layers on plates just wiped long after a wash, and from a
// plate's own level by those soon after one. Plates are few layers each and most have
// no such film: how common and how large films are is learned from all of them
// (empirical Bayes by EM), and a wash is asked for only where a plate's own layers make
// one all but certain.

// filmForms are how a film may grow, by prints since the wash; 1 at about fifty.
var filmForms = []func(w float64) float64{
	func(w float64) float64 { return w / 50 },
	func(w float64) float64 { return (1 - math.Exp(-w/20)) / 0.92 },
	func(w float64) float64 { return math.Pow(min(w, 100)/50, 2) },
}

// filmSizes are the hazards a film may have after about fifty prints.
var filmSizes = []float64{0.03, 0.06, 0.12, 0.25, 0.5}

// What is asked of the records before a film is believed in.
const (
	filmShare  = 0.02 // of plates, to begin with
	filmWeight = 60   // plates that this counts for
	filmSure   = 0.97 // chance from which a wash may be asked for
	filmDoubt  = 0.03 // chance up to which a film is ruled out
	filmWashes = 3    // times begun anew in the records
	filmLayers = 60   // graded layers since washes
	filmApart  = 8    // of them just wiped and long unwashed
)

// film is what is known of what wipes leave on one plate: chances of the forms it may
// have, the first none.
type film struct {
	chance []float64
	mean   [horizon]float64 // chance to spare a layer, by prints since the wash
	usual  float64          // the same over the layers it was learned from
	told   bool             // the records can tell
}

// filmTable holds the chance of each form to spare a layer by prints since the wash.
func filmTable() [][horizon]float64 {
	table := make([][horizon]float64, 1, 1+len(filmForms)*len(filmSizes))
	for k := range horizon {
		table[0][k] = 1
	}
	for _, g := range filmForms {
		for _, size := range filmSizes {
			var row [horizon]float64
			for k := range row {
				row[k] = math.Exp(-size * g(float64(k)))
			}
			table = append(table, row)
		}
	}
	return table
}

// shifts of a plate's level that its film is weighed with, log-odds, with weights: what
// the fit took for a bad plate may be its film.
var filmShifts = func() (at [9]float64, log [9]float64) {
	for k := range at {
		at[k] = -1.6 + 0.3*float64(k)
		log[k] = -at[k] * at[k] / (2 * 0.7 * 0.7)
	}
	return at, log
}

// filmPlate gathers a plate's layers.
type filmPlate struct {
	held   [9]float64       // sum of log chances to hold at each shift
	gap    float64          // sum of gap doses over those that held
	wash   [horizon]float64 // those that held, by prints since the wash
	fails  []filmFail
	washes int
	n      int
	apart  int
}

type filmFail struct {
	eta, spares, dose float64
	wash              int32
}

// learnFilms learns from starts in order of time. spares are the printers' mean chances
// to spare a start whose probe was skipped, by starts since the probe.
func (l *Learned) learnFilms(cast *Forecast, starts []Past, spares [][horizon]float64) {
	l.filmTable = filmTable()
	plates := len(cast.m.Plates)
	l.films = make([]film, plates)
	if plates == 0 {
		return
	}
	shift, weight := filmShifts()
	// The farm's bad and good weeks are nobody's film.
	weeks := weekly(cast, starts)
	sizes := findings.Sizes()
	none := [horizon]float64{}
	for k := range none {
		none[k] = 1
	}
	gapI := make([]*[horizon]float64, len(cast.m.PrinterGap))
	var doses [horizon]float64
	for k := range doses {
		doses[k] = cast.m.GapDose(int32(k))
	}
	list := make([]filmPlate, plates)
	for i := range starts {
		p := &starts[i]
		if p.Plate < 0 || int(p.Plate) >= plates || p.SinceWash < 0 {
			continue
		}
		x := &list[p.Plate]
		if p.SinceWash == 0 {
			x.washes++
		}
		if !p.Graded || p.Gap < 0 {
			continue
		}
		x.n++
		if p.Gap <= 3 && p.SinceWash >= 15 {
			x.apart++
		}
		eta, _ := cast.level(&p.Next)
		eta += weeks[p.Week]
		s := 1.0
		if p.Probing == findings.ProbingSkipped && p.Printer >= 0 && int(p.Printer) < len(spares) {
			s = spares[p.Printer][min(max(int(p.SinceProbe), 1), horizon-1)]
		}
		k := min(int(p.Gap), horizon-1)
		if p.Printer >= 0 && int(p.Printer) < len(gapI) {
			if gapI[p.Printer] == nil {
				h := cast.m.PrinterGap[p.Printer]
				var m [horizon]float64
				for q := range m {
					m[q] = h.Spares(doses[q])
				}
				gapI[p.Printer] = &m
			}
			s *= gapI[p.Printer][k]
		}
		if p.Failed {
			x.fails = append(x.fails, filmFail{eta, s, doses[k], min(p.SinceWash, horizon-1)})
			continue
		}
		for a := range shift {
			x.held[a] += math.Log1p(-cast.base(eta + shift[a]))
		}
		x.gap += doses[k]
		x.wash[min(p.SinceWash, horizon-1)]++
	}
	gaps := cast.m.NewPlateGap
	forms := len(l.filmTable)
	logs := make([][]float64, plates) // by form, of what came of the plate's layers
	for j := range list {
		x := &list[j]
		if x.washes < filmWashes || x.n < filmLayers || x.apart < filmApart {
			continue
		}
		logs[j] = x.likely(cast, l.filmTable, gaps.Chances(), sizes, shift, weight)
	}
	// How common films are, and which.
	prior := make([]float64, forms)
	prior[0] = 1 - filmShare
	for f := 1; f < forms; f++ {
		prior[f] = filmShare / float64(forms-1)
	}
	begin := append([]float64(nil), prior...)
	post := make([][]float64, plates)
	for range 20 {
		next := make([]float64, forms)
		total := 0.0
		for f := range next {
			next[f] = filmWeight * begin[f]
			total += next[f]
		}
		for j := range list {
			if logs[j] == nil {
				continue
			}
			post[j] = posterior(prior, logs[j])
			for f, c := range post[j] {
				next[f] += c
			}
			total++
		}
		for f := range prior {
			prior[f] = next[f] / total
		}
	}
	for j := range list {
		m := &l.films[j]
		m.chance, m.told = post[j], post[j] != nil
		if !m.told {
			m.chance = prior
		}
		e := known{m.chance, l.filmTable}
		e.mean(&m.mean)
		n := 0.0
		for w, c := range list[j].wash {
			m.usual, n = m.usual+c*m.mean[w], n+c
		}
		for _, f := range list[j].fails {
			m.usual, n = m.usual+m.mean[f.wash], n+1
		}
		if m.usual /= n; n == 0 {
			m.usual = 1
		}
	}
}

// posterior is prior times likelihood, made to sum to 1.
func posterior(prior, logs []float64) []float64 {
	out := make([]float64, len(prior))
	top := math.Inf(-1)
	for _, v := range logs {
		top = max(top, v)
	}
	sum := 0.0
	for f := range out {
		out[f] = prior[f] * math.Exp(logs[f]-top)
		sum += out[f]
	}
	for f := range out {
		out[f] /= sum
	}
	return out
}

// likely gives the log chance of what came of a plate's layers for each form of a film,
// over what its level and the effect of its cleaning gap may be.
func (x *filmPlate) likely(cast *Forecast, table [][horizon]float64, gaps, sizes []float64, shift, weight [9]float64) []float64 {
	base := make([][9]float64, len(x.fails)) // chance to hold by shift, without gap and film
	for i := range x.fails {
		for a := range shift {
			base[i][a] = (1 - cast.base(x.fails[i].eta+shift[a])) * x.fails[i].spares
		}
	}
	out := make([]float64, len(table))
	for f := range table {
		held := 0.0
		for w, n := range x.wash {
			if n > 0 {
				held += n * math.Log(table[f][w])
			}
		}
		top, sum := math.Inf(-1), 0.0
		for g, c := range gaps {
			if c < 1e-4 {
				continue
			}
			for a := range shift {
				v := held + x.held[a] - sizes[g]*x.gap + weight[a] + math.Log(c)
				for i := range x.fails {
					q := &x.fails[i]
					v += math.Log(max(1-base[i][a]*math.Exp(-sizes[g]*q.dose)*table[f][q.wash], 1e-9))
				}
				if v > top {
					sum, top = sum*math.Exp(top-v)+1, v
				} else {
					sum += math.Exp(v - top)
				}
			}
		}
		out[f] = top + math.Log(sum)
	}
	return out
}

// weekly is by how much the log-odds of a failure of all layers were off in each week.
func weekly(cast *Forecast, starts []Past) map[int16]float64 {
	type sum struct{ failed, expected float64 }
	of := map[int16]sum{}
	for i := range starts {
		p := &starts[i]
		if !p.Graded {
			continue
		}
		eta, _ := cast.level(&p.Next)
		s := of[p.Week]
		s.expected += cast.base(eta)
		if p.Failed {
			s.failed++
		}
		of[p.Week] = s
	}
	all := sum{}
	for _, s := range of {
		all = sum{all.failed + s.failed, all.expected + s.expected}
	}
	out := map[int16]float64{}
	for w, s := range of { // beside what hazards add on the whole
		out[w] = math.Log((s.failed + 10) / (s.expected*all.failed/max(all.expected, 1e-9) + 10))
	}
	return out
}

// film is what is known of a plate's; nil: nothing.
func (a *Adviser) film(plate int32) *film {
	if a.learned == nil || plate < 0 || int(plate) >= len(a.learned.films) {
		return nil
	}
	return &a.learned.films[plate]
}

// some is the chance that there is one.
func (m *film) some() float64 { return 1 - m.chance[0] }

// WashHelps tells whether a plate's layers make it all but certain that wiping leaves
// on it what a wash takes off.
func (a *Adviser) WashHelps(plate int32) bool {
	m := a.film(plate)
	return m != nil && m.told && m.some() >= filmSure
}

// Chance is the chance that a start fails so many prints after the plate was washed
// (-1 unknown): the forecast's, with what wipes left on the plate where that is known.
func (a *Adviser) Chance(n Next, sinceWash int32) float64 {
	p := a.cast.Chance(n)
	if sinceWash < 0 || !a.WashHelps(n.Plate) {
		return p
	}
	m := a.film(n.Plate)
	return 1 - min((1-p)*m.mean[min(int(sinceWash), horizon-1)]/m.usual, 1-(1-p)*1e-9)
}

// washing tells whether to wash for what wipes left; wiped is whether a wipe is due
// anyway.
func (a *Adviser) washing(s *State, loss float64, wiped bool, soon *int) (d Due, ok bool) {
	if s.SinceWash < 0 || !a.WashHelps(s.Plate) {
		return d, false
	}
	m := a.film(s.Plate)
	e := known{m.chance, a.learned.filmTable}
	w := wearOf(&m.mean, loss)
	cost := a.costs.Of(Wash)
	p := w.best(cost)
	k := int(s.SinceWash)
	*soon = until(k, p.every)
	now := cost
	if wiped {
		now -= a.costs.Of(Wipe)
	}
	if k == 0 || p.every == 0 || w.now(p, k, now, 0, 0) <= 0 {
		return d, false
	}
	d = Due{Task: Wash, Effort: a.costs.Effort[Wash], Because: []string{count(k, "print") + " since its wash, and wiping no longer restores it", every("cheapest", p.every, "print")}}
	d.Saves, d.Low, d.High = a.saved(&e, p, k, min(p.every, 24), cost, loss, 0)
	return d, true
}

// SuggestWashing gives the cheapest interval of washing a plate for what wipes leave on
// it. told is false where the records cannot tell: too few washes or graded layers, or a
// film neither all but certain nor ruled out. usual is as for SuggestCleaning.
func (a *Adviser) SuggestWashing(usual Next) (s Suggestion, told bool) {
	m := a.film(usual.Plate)
	if m == nil || !m.told || m.some() < filmSure && m.some() > filmDoubt {
		return Suggestion{Task: Wash, a: a}, false
	}
	usual.Probing, usual.Gap, usual.PrinterFailed, usual.PlateFailed = findings.ProbingValid, 0, false, false
	s = Suggestion{Task: Wash, a: a, known: known{m.chance, a.learned.filmTable}}
	if m.some() < filmSure { // nothing to wash off
		s.known.chance = []float64{1}
	}
	for k := range s.rest {
		s.rest[k] = 1
	}
	s.loss = a.costs.Failure() * (1 - a.cast.Chance(usual)) / m.usual
	s.solve()
	return s, true
}
