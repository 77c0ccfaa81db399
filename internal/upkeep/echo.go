package upkeep

import (
	"math"

	"basecourse/internal/findings"
)

// Echo is what the starts since a printer's last probe tell of the next one: the
// effect of a missing probe is taken to be a zero that is lost or not. A lost one
// fails a layer with chance Hit and stays lost from start to start with chance Keep;
// it gets lost as often as the fitted hazard says. A failure makes it likelier, a
// layer that held less likely (a hidden Markov model; Rabiner 1989, Proc. IEEE
// 77:257-286). Hit 0: starts tell nothing of each other.
type Echo struct{ Hit, Keep float64 }

// lostAnyway is the chance per start that the zero of a printer gets lost on which
// nothing was found: any machine may begin to drift one day.
const lostAnyway = 0.0002

// tracker follows the chance that a printer's zero is lost.
type tracker struct {
	echo         Echo
	lost, before float64 // with and without what came of the starts
}

// prior moves on to a start before which the fitted hazard has it that a missing
// probe fails the layer with chance harm.
func (t *tracker) prior(harm float64) {
	want := min(harm/t.echo.Hit, 0.95)
	got := max(want-t.echo.Keep*t.before, 0) + lostAnyway
	t.before = min(t.echo.Keep*t.before+got, 0.97)
	t.lost = min(t.echo.Keep*t.lost+got*(1-t.lost), 0.97)
}

// saw takes in what came of a start whose chance to fail is base with a valid probe,
// and gives the chance of that.
func (t *tracker) saw(base float64, failed bool) float64 {
	ifLost := 1 - (1-base)*(1-t.echo.Hit)
	if !failed {
		base, ifLost = 1-base, 1-ifLost
	}
	all := t.lost*ifLost + (1-t.lost)*base
	t.lost *= ifLost / all
	return all
}

// lost is the chance that a printer's zero is lost at its next start, by the starts
// since its probe, and by how much it exceeds what is said of such starts on the
// whole. spares are the printer's, by starts since the probe.
func (a *Adviser) lost(since []Past, next *Next, spares *[horizon]float64) (lost, beyond float64) {
	if a.echo.Hit == 0 || len(since) == 0 {
		return 0, 0
	}
	t := tracker{echo: a.echo}
	for i := range since {
		p := &since[i]
		t.prior(harm(&p.Next, spares))
		if p.Graded {
			t.saw(a.cast.probed(p.Next), p.Failed)
		}
	}
	t.prior(harm(next, spares))
	return t.lost, t.lost - t.before
}

// probed is the chance that a start fails with a valid probe. That the last one failed
// is left out: what it tells is what is asked here.
func (f *Forecast) probed(n Next) float64 {
	n.Probing, n.PrinterFailed, n.PlateFailed = findings.ProbingValid, false, false
	return f.Chance(n)
}

// harm is the chance that a missing probe fails a start, whatever else does.
func harm(n *Next, spares *[horizon]float64) float64 {
	if n.Probing != findings.ProbingSkipped {
		return 0
	}
	return 1 - spares[min(max(int(n.SinceProbe), 1), horizon-1)]
}

// Learned is what runs of starts tell beyond the model: how the effect of a missing
// probe grows on each printer, and what starts tell of each other.
type Learned struct {
	Echo
	skips [][]float64 // by printer, chances of the forms; the first is none
	table [][horizon]float64

	films     []film // by plate
	filmTable [][horizon]float64
}

// Adviser makes an adviser ready that goes by the forecast the runs were learned with
// and by what they told.
func (l *Learned) Adviser(cast *Forecast, costs Costs) *Adviser {
	a := NewAdviser(cast, costs, l.Echo)
	a.learned = l
	return a
}

// growths are the forms the effect of a missing probe may have by starts since the
// probe: a zero jumps, settles somewhere else, creeps. 1 at about the mean count of
// a habit that skips a third.
var growths = []func(s float64) float64{
	func(float64) float64 { return 1 },
	func(s float64) float64 { return (1 - math.Exp(-s/3)) / 0.39 },
	func(s float64) float64 { return math.Log2(1+s) / 1.32 },
	func(s float64) float64 { return min(s, 12) / 1.5 },
}

// Learn learns from starts in order of time, of any printers: how the effect of a missing
// probe grows, by runs since a probe, and what wipes leave on plates (learnFilms). The chance that a printer's effect is none is the model's; its
// form and size otherwise follow from its own starts, and how common the forms are
// from all printers (empirical Bayes by EM).
func Learn(cast *Forecast, starts []Past) *Learned {
	runs := Runs(starts)
	sizes := findings.Sizes()
	l := &Learned{table: make([][horizon]float64, 1, 1+len(growths)*(len(sizes)-1))}
	for k := range horizon {
		l.table[0][k] = 1
	}
	var prior []float64 // of the sizes
	unseen := cast.m.NewSkip
	for s := range sizes[1:] {
		prior = append(prior, unseen.Chances()[1+s]+0.002)
	}
	for _, g := range growths {
		for _, size := range sizes[1:] {
			var row [horizon]float64
			row[0] = 1
			for k := 1; k < horizon; k++ {
				row[k] = math.Exp(-size * g(float64(k)))
			}
			l.table = append(l.table, row)
		}
	}
	forms := len(l.table)
	likes := make([][]float64, len(cast.m.Skip))
	for i := range likes {
		likes[i] = make([]float64, forms)
	}
	bases := make([][]float64, len(runs))
	for r, run := range runs {
		bases[r] = make([]float64, len(run))
		for i := range run {
			p := &run[i]
			bases[r][i] = cast.probed(p.Next)
			if p.Probing != findings.ProbingSkipped || !p.Graded || p.Printer < 0 || int(p.Printer) >= len(likes) {
				continue
			}
			k := min(max(int(p.SinceProbe), 1), horizon-1)
			holds := 1 - bases[r][i]
			for f := 1; f < forms; f++ {
				q := holds * l.table[f][k]
				if p.Failed {
					q = 1 - q
				}
				likes[p.Printer][f] += math.Log(q)
			}
		}
	}
	l.skips = make([][]float64, len(likes))
	share := [4]float64{0.25, 0.25, 0.25, 0.25}
	for range 20 {
		next, n := [4]float64{1, 1, 1, 1}, 4.0
		for i := range likes {
			h := cast.m.Skip[i]
			some := 1 - h.Chances()[0]
			top := math.Inf(-1)
			for _, v := range likes[i][1:] {
				top = max(top, v)
			}
			w := make([]float64, forms)
			sum := 0.0
			for f := 1; f < forms; f++ {
				w[f] = share[(f-1)/len(prior)] * prior[(f-1)%len(prior)] * math.Exp(likes[i][f]-top)
				sum += w[f]
			}
			w[0] = 1 - some
			for f := 1; f < forms; f++ {
				w[f] *= some / sum
				next[(f-1)/len(prior)] += w[f]
			}
			n += some
			l.skips[i] = w
		}
		for g := range share {
			share[g] = next[g] / n
		}
	}
	spares := make([][horizon]float64, len(l.skips))
	for i := range spares {
		e := known{l.skips[i], l.table}
		e.mean(&spares[i])
	}
	l.Echo = l.learnEcho(runs, bases, spares)
	l.learnFilms(cast, starts, spares)
	return l
}

// learnEcho finds the echo that makes what came of runs likeliest, among a few, none
// of them included.
func (l *Learned) learnEcho(runs [][]Past, bases [][]float64, spares [][horizon]float64) Echo {
	none := [horizon]float64{}
	for k := range none {
		none[k] = 1
	}
	of := func(n *Next) *[horizon]float64 {
		if n.Printer >= 0 && int(n.Printer) < len(spares) {
			return &spares[n.Printer]
		}
		return &none
	}
	alone := 0.0
	for r, run := range runs {
		for i := range run {
			if p := &run[i]; p.Graded {
				q := (1 - bases[r][i]) * (1 - harm(&p.Next, of(&p.Next)))
				if p.Failed {
					q = 1 - q
				}
				alone += math.Log(q)
			}
		}
	}
	best, most := Echo{}, alone+2 // worth a little more than a chance gain
	for _, hit := range []float64{0.3, 0.5, 0.7, 0.85} {
		for _, keep := range []float64{0.6, 0.8, 0.9, 0.95} {
			sum := 0.0
			for r, run := range runs {
				t := tracker{echo: Echo{hit, keep}}
				for i := range run {
					p := &run[i]
					t.prior(harm(&p.Next, of(&p.Next)))
					if p.Graded {
						sum += math.Log(t.saw(bases[r][i], p.Failed))
					}
				}
			}
			if sum > most {
				best, most = Echo{hit, keep}, sum
			}
		}
	}
	return best
}
