package trial_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"basecourse/internal/simfarm"
	"basecourse/internal/stats"
	"basecourse/internal/trial"
)

// fixesOf tells what became of proofs.
type fixesOf struct {
	opened, upheld, not, open, little, cannot int
	needed                                    int // summed over those that can be shown
}

func (l *fixesOf) add(o fixesOf) {
	l.opened += o.opened
	l.upheld += o.upheld
	l.not += o.not
	l.open += o.open
	l.little += o.little
	l.cannot += o.cannot
	l.needed += o.needed
}

func (l *fixesOf) row(name string) string {
	w := stats.Wilson(l.upheld, l.opened, 0.95)
	return fmt.Sprintf("| %s | %d | %d | %d | %d | %d | %d | %.0f | %d/%d = %.3f (%.3f to %.3f) |", name, l.opened, l.upheld, l.not, l.open, l.little, l.cannot,
		float64(l.needed)/float64(max(1, l.opened-l.cannot)), l.upheld, l.opened, float64(l.upheld)/float64(max(1, l.opened)), w.Low, w.High)
}

// Subjects of proofs on a simulated farm.
const (
	byPrinter = iota
	byPlate
)

// fixes runs proofs on a simulated farm. From 28 days on, each failed first layer
// whose subject has no proof open opens one, as "Done" on an advice does, with counts
// of the 84 days before, the failed layer among them. A fix leaves the given
// share of the failures; 1 is a fix that changes nothing. At most starts failures of
// the farm are followed, taken evenly, where most is not 0.
func fixes(f *simfarm.Farm, subject int, leaves float64) fixesOf {
	c := f.Columns()
	thing := func(i int) int {
		if subject == byPlate {
			return int(c.History.Starts[i].Plate)
		}
		return int(c.History.Starts[i].Printer)
	}
	const day = int64(24 * time.Hour / time.Microsecond)
	units, days := 0, 0
	dayOf := func(at int64) int { return int((at - c.From) / day) }
	for i := range c.History.Starts {
		units, days = max(units, thing(i)+1), max(days, dayOf(c.History.Starts[i].At)+1)
	}
	daily := trial.NewDaily(units, days)
	for i := range c.History.Starts {
		if u, s := thing(i), &c.History.Starts[i]; u >= 0 && c.Labels[i].Graded {
			daily.Count(u, dayOf(s.At), one(s.Failed), 1)
		}
	}
	daily.Sum()
	luck := rand.New(rand.NewPCG(uint64(subject), 77))
	type proof struct {
		open   bool
		since  int64
		w      *trial.Weigher
		alike  trial.Alike
		beside trial.Beside
		day    int
		x, n   int
	}
	proofs := make([]proof, units)
	x, n := make([]int, units), make([]int, units) // within the 84 days
	first, fitted := 0, int64(0)
	var prior stats.Beta
	var out fixesOf
	for i := range c.History.Starts {
		s, l := &c.History.Starts[i], &c.Labels[i]
		u := thing(i)
		if u < 0 {
			continue
		}
		watched := l.Grade == 2 && !s.Failed
		if p := &proofs[u]; p.open && s.At-p.since > trial.ProofDays*day {
			out.little++
			*p = proof{}
		} else if p.open && l.Graded && !watched {
			if d := dayOf(s.At); d != p.day {
				p.day, p.beside = d, p.alike.To(d)
			}
			p.n++
			if s.Failed && luck.Float64() < leaves {
				p.x++
			}
			switch odds := p.w.Odds(p.x, p.n, p.beside); {
			case odds >= trial.UpheldAt:
				out.upheld++
				*p = proof{}
			case odds <= trial.NotUpheldAt:
				out.not++
				*p = proof{}
			}
		}
		if l.Graded {
			n[u]++
			x[u] += one(s.Failed)
		}
		for ; c.History.Starts[first].At < s.At-84*day; first++ {
			if v := thing(first); v >= 0 && c.Labels[first].Graded {
				n[v]--
				x[v] -= one(c.History.Starts[first].Failed)
			}
		}
		if !l.Graded || !s.Failed || s.At < c.From+28*day || proofs[u].open {
			continue
		}
		if s.At-fitted > 7*day { // the farm's spread moves slowly
			prior, fitted = trial.FarmRate(x, n), s.At
		}
		out.opened++
		rate := prior.After(x[u], n[u])
		p := &proofs[u]
		*p = proof{open: true, since: s.At, w: trial.NewWeigher(rate), day: -1}
		if needed := p.w.More(trial.Proof{}); needed == 0 {
			out.cannot++
		} else {
			out.needed += needed
		}
		p.alike = daily.LookAlikes(u, rate, prior, dayOf(s.At), 84, func(int) bool { return false })
	}
	for u := range proofs {
		if proofs[u].open {
			out.open++
		}
	}
	return out
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestIdleFixesSeldomPass is the small form of ProofValidation.
func TestIdleFixesSeldomPass(t *testing.T) {
	idle, real := fixesOf{}, fixesOf{}
	for i, name := range []string{"quiet", "cold_spell"} {
		sc, ok := simfarm.Named(name)
		if !ok {
			t.Fatal(name)
		}
		f := simfarm.Run(sc, 31000+uint64(i))
		idle.add(fixes(f, byPrinter, 1))
		real.add(fixes(f, byPrinter, 0.1))
	}
	t.Log(idle.row("idle"))
	t.Log(real.row("real"))
	if idle.opened < 300 || float64(idle.upheld) > 0.05*float64(idle.opened) {
		t.Errorf("%d of %d fixes that change nothing were upheld, want at most one in twenty of at least 300", idle.upheld, idle.opened)
	}
	if float64(real.upheld) < 0.5*float64(real.opened-real.open) {
		t.Errorf("%d of %d real fixes were upheld, want half", real.upheld, real.opened-real.open)
	}
}
