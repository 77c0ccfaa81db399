package findings

import (
	"fmt"
	"math"
	"testing"
	"time"

	"basecourse/internal/simfarm"
	"basecourse/internal/stats"
)

func TestGoodNeeded(t *testing.T) {
	for _, c := range []struct {
		rate stats.Beta
		luck float64
		want int
	}{
		// Uniform prior, E (1-p)^n = 1/(n+1): rule of succession (Laplace); 9 give 1/10.
		{stats.Beta{Alpha: 1, Beta: 1}, 0.10, 9},
		{stats.Beta{Alpha: 1, Beta: 1}, 0.05, 19},
		// All but certain rate p: the least n with (1-p)^n <= luck, log 0.1 / log 0.8 = 10.3.
		{stats.Beta{Alpha: 2e6, Beta: 8e6}, 0.10, 11},
		{stats.Beta{Alpha: 5e5, Beta: 9.5e6}, 0.10, 45}, // log 0.1 / log 0.95 = 44.9
		{stats.Beta{Alpha: 1, Beta: 1e6}, 0.10, 0},      // too rare to count
	} {
		if got := GoodNeeded(c.rate, c.luck, MostNeeded); got != c.want {
			t.Errorf("%+v at %.2f: %d good layers, want %d", c.rate, c.luck, got, c.want)
		}
	}
}

// The worst of many is shrunken: it takes more good layers than its raw rate says.
func TestExpectedIsShrunken(t *testing.T) {
	var x, n []int
	for i := range 100 {
		x, n = append(x, []int{1, 2, 1, 4, 0}[i%5]), append(n, 40)
	}
	b := Expected(x, n, 8, 40)
	if raw := 8.0 / 40; b.Mean() >= raw || b.Mean() <= 0.04 {
		t.Errorf("expected %.3f, want between the farm's 0.04 and the raw %.2f", b.Mean(), raw)
	}
	if got := Expected(nil, nil, 1, 10); got != (stats.Beta{Alpha: 2, Beta: 28}) {
		t.Errorf("without a farm: %+v", got)
	}
}

func TestProve(t *testing.T) {
	good, ungraded, nudged, watched := After{Graded: true}, After{}, After{Graded: true, Nudged: true}, After{Graded: true, Watched: true}
	failed := After{Graded: true, Failed: true}
	failedNudged := After{Graded: true, Failed: true, Nudged: true}
	for _, c := range []struct {
		name   string
		needed int
		layers []After
		state  ProofState
		good   int
		counts string
	}{
		{"nothing yet", 3, nil, Proving, 0, ""},
		{"on the way", 3, []After{good, ungraded, good}, Proving, 2, "010"},
		{"held", 2, []After{good, watched, good, failed}, HeldUp, 2, "0104"},
		{"a nudge begins anew", 2, []After{good, nudged, good}, Proving, 1, "020"},
		{"anew and held", 2, []After{good, nudged, good, good}, HeldUp, 2, "0200"},
		{"came back", 3, []After{good, failed, good, good, good}, CameBack, 1, "03444"},
		{"a failure that was nudged is a failure", 3, []After{good, failedNudged}, CameBack, 1, "03"},
		{"only watched", 0, []After{good, good, good}, Proving, 3, "000"},
	} {
		p := Prove(c.needed, c.layers)
		counts := ""
		for _, k := range p.Layers {
			counts += fmt.Sprint(int(k))
		}
		if p.State != c.state || p.Good != c.good || counts != c.counts {
			t.Errorf("%s: %v with %d good, %s; want %v with %d, %s", c.name, p.State, p.Good, counts, c.state, c.good, c.counts)
		}
	}
}

// luckOf tells how often fixes that change nothing held up.
type luckOf struct {
	opened, held, back, open, cannot int
	needed                           int // summed over those that can
}

func (l *luckOf) add(o luckOf) {
	l.opened += o.opened
	l.held += o.held
	l.back += o.back
	l.open += o.open
	l.cannot += o.cannot
	l.needed += o.needed
}

func (l *luckOf) row(name string) string {
	mean := math.NaN()
	if k := l.opened - l.cannot; k > 0 {
		mean = float64(l.needed) / float64(k)
	}
	return fmt.Sprintf("| %s | %d | %d | %d | %d | %d | %.1f | %s |", name, l.opened, l.held, l.back, l.open, l.cannot, mean, share(l.held, l.opened-l.cannot))
}

// Subjects of proofs on a simulated farm.
const (
	byPrinter = iota
	byPlate
)

// idleFixes runs proofs on a farm on which nothing is fixed. From 28 days on, each
// failed first layer whose subject has no proof open opens one, as "Done" on an
// advice does, with counts of the 84 days before, the failed layer among them.
func idleFixes(f *simfarm.Farm, subject int) luckOf {
	c := f.Columns()
	thing := func(i int) int {
		if subject == byPlate {
			return int(c.History.Starts[i].Plate)
		}
		return int(c.History.Starts[i].Printer)
	}
	units := 0
	for i := range c.History.Starts {
		units = max(units, thing(i)+1)
	}
	const day = int64(24 * time.Hour / time.Microsecond)
	type proof struct {
		open   bool
		needed int
		layers []After
	}
	proofs := make([]proof, units)
	x, n := make([]int, units), make([]int, units) // within the 84 days
	first, fitted := 0, int64(0)
	var prior stats.Beta
	var out luckOf
	for i := range c.History.Starts {
		s, l := &c.History.Starts[i], &c.Labels[i]
		u := thing(i)
		if u < 0 {
			continue
		}
		if p := &proofs[u]; p.open {
			p.layers = append(p.layers, After{At: time.UnixMicro(s.At), Graded: l.Graded, Failed: s.Failed, Watched: l.Grade == 2 && !s.Failed})
			switch Prove(p.needed, p.layers).State {
			case HeldUp:
				out.held++
				*p = proof{}
			case CameBack:
				out.back++
				*p = proof{}
			}
		}
		if l.Graded {
			n[u]++
			if s.Failed {
				x[u]++
			}
		}
		for ; c.History.Starts[first].At < s.At-84*day; first++ {
			if v := thing(first); v >= 0 && c.Labels[first].Graded {
				n[v]--
				if c.History.Starts[first].Failed {
					x[v]--
				}
			}
		}
		if !l.Graded || !s.Failed || s.At < c.From+28*day || proofs[u].open {
			continue
		}
		if s.At-fitted > 7*day { // the farm's spread moves slowly
			prior, fitted = Expected(x, n, 0, 0), s.At
		}
		out.opened++
		p := &proofs[u]
		p.needed = GoodNeeded(prior.After(x[u], n[u]), LuckAimed, MostNeeded)
		if p.needed == 0 {
			out.cannot++
			continue
		}
		p.open = true
		out.needed += p.needed
	}
	for u := range proofs {
		if proofs[u].open {
			out.open++
		}
	}
	return out
}

// TestIdleFixesSeldomHoldUp is the small form of ProofValidation.
func TestIdleFixesSeldomHoldUp(t *testing.T) {
	all := luckOf{}
	for i, name := range []string{"default", "quiet", "everything"} {
		sc, ok := simfarm.Named(name)
		if !ok {
			continue
		}
		f := simfarm.Run(sc, 31000+uint64(i))
		for subject, word := range []string{"printers", "plates"} {
			l := idleFixes(f, subject)
			t.Log(l.row(name + ", " + word))
			all.add(l)
		}
	}
	t.Log(all.row("all"))
	if counted := all.opened - all.cannot; counted < 300 || float64(all.held) > Luck*float64(counted) {
		t.Errorf("%d of %d idle fixes held up, want at most a tenth of at least 300", all.held, counted)
	}
}
