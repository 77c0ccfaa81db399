package assess

import (
	"cmp"
	"math"
	"slices"

	"basecourse/internal/upkeep"
)

// Advised is the interval suggested for a printer's probing or a plate's cleaning, or
// for all plates of a surface, beside what is done.
type Advised struct {
	Kind, Subject string // printer, plate, surface; wash: a plate's washing
	State         string // suggest, nothing (gained), little (data)
	upkeep.Suggestion
	Starts int     // in the last four weeks
	Graded int     // in the window
	Plates int     // of a surface
	Habit  float64 // starts between two, as was done in the last four weeks; +Inf never
	Does   upkeep.Point
	Best   upkeep.Point // of the suggested interval
	Gains  float64      // what the suggestion saves in four weeks against the habit, money

	GainsLow, GainsHigh float64 // 95 %
}

// worth is the share of the cost of habit that a suggestion has to save at least.
const worth = 0.02

// leastStarts is how many starts in four weeks make a habit.
const leastStarts = 8

// Suggestions are the intervals of every printer, plate and surface that was used in
// the last four weeks: care that pays first, by what it gains. They are worked out once.
func (c *Care) Suggestions() []Advised {
	c.once.Do(func() { c.advised = c.suggest() })
	return c.advised
}

// Suggestion finds one of them; nil when there is none.
func (c *Care) Suggestion(kind, subject string) *Advised {
	list := c.Suggestions()
	if i := slices.IndexFunc(list, func(a Advised) bool { return a.Kind == kind && a.Subject == subject }); i >= 0 {
		return &list[i]
	}
	return nil
}

// used is what a printer or plate did in the last four weeks.
type used struct {
	starts, graded, acts int
	known                int // starts of which it is known whether it was done
	grounds              map[int32]int
}

func (u *used) add(g int32, known, did bool) {
	u.starts++
	if known {
		u.known++
		if did {
			u.acts++
		}
	}
	if u.grounds == nil {
		u.grounds = map[int32]int{}
	}
	u.grounds[g]++
}

// usual is the place where most starts were made.
func (u *used) usual() int32 {
	best, n := int32(-1), 0
	for g, k := range u.grounds {
		if k > n || k == n && g < best {
			best, n = g, k
		}
	}
	return best
}

func (c *Care) suggest() []Advised {
	s := &c.season
	printers, plates, washes := make([]used, len(c.view.printers)), make([]used, len(c.view.plates)), make([]used, len(c.view.plates))
	recent := c.view.to.Add(-Month).UnixMicro()
	for i := range s.Starts {
		r := &s.Starts[i]
		g := &s.Grounds[r.Ground].Next
		if r.Graded {
			printers[g.Printer].graded++
			if g.Plate >= 0 {
				plates[g.Plate].graded++
				washes[g.Plate].graded++
			}
		}
		if r.At < recent {
			continue
		}
		printers[g.Printer].add(r.Ground, r.SinceProbe >= 0, r.SinceProbe == 0)
		if g.Plate >= 0 {
			plates[g.Plate].add(r.Ground, r.Gap >= 0, r.Gap == 0)
			washes[g.Plate].add(r.Ground, r.SinceWash >= 0, r.SinceWash == 0)
		}
	}
	little := map[[2]string]bool{}
	f := c.view.findings(c.view.q)
	for i := range f.Items {
		x := &f.Items[i]
		if x.State == "too_little_data" && (x.Kind == "plate" || x.Cause == "skipped_probing") {
			little[[2]string{x.Kind, x.Subject}] = true
		}
	}
	var out []Advised
	surfaces := map[string]*pool{}
	one := func(kind, tag string, u *used, n upkeep.Suggestion) Advised {
		a := Advised{Kind: kind, Subject: tag, Suggestion: n, Starts: u.starts, Graded: u.graded}
		a.judge(u, little[[2]string{kind, tag}])
		return a
	}
	for i := range printers {
		if u := &printers[i]; u.starts > 0 && c.view.inService(i, c.view.q.At) {
			n := s.Grounds[u.usual()].Next
			n.Gap = -1
			out = append(out, one("printer", c.view.printers[i].Tag, u, c.adviser.SuggestProbing(n)))
		}
	}
	for j := range plates {
		u := &plates[j]
		if u.starts == 0 || c.view.retired(&c.view.plates[j], c.view.q.At) {
			continue
		}
		g := &s.Grounds[u.usual()]
		a := one("plate", c.view.plates[j].Tag, u, c.adviser.SuggestCleaning(g.Next))
		out = append(out, a)
		w := &washes[j]
		n, told := c.adviser.SuggestWashing(g.Next)
		wash := Advised{Kind: "wash", Subject: a.Subject, Suggestion: n, Starts: w.starts, Graded: w.graded}
		if wash.judge(w, !told); told && wash.State == "suggest" && wash.Every == 0 {
			wash.State = "nothing" // a wash left out would be a wipe made: the wiping's interval has that
		}
		out = append(out, wash)
		if g.Surface == "" {
			continue
		}
		p := surfaces[g.Surface]
		if p == nil {
			p = &pool{}
			surfaces[g.Surface] = p
		}
		p.list, p.weights = append(p.list, a.Suggestion), append(p.weights, float64(u.starts))
		p.used.starts, p.used.graded, p.used.acts, p.used.known = p.used.starts+u.starts, p.used.graded+u.graded, p.used.acts+u.acts, p.used.known+u.known
	}
	for surface, p := range surfaces {
		a := Advised{Kind: "surface", Subject: surface, Suggestion: upkeep.Pool(p.list, p.weights), Starts: p.used.starts, Graded: p.used.graded, Plates: len(p.list)}
		a.judge(&p.used, p.used.graded < leastSurface)
		out = append(out, a)
	}
	rank := func(a *Advised) int {
		n := map[string]int{"suggest": 0, "nothing": 2, "little": 3}[a.State]
		if n == 0 && a.Every == 0 {
			n = 1 // care left out: after care that pays
		}
		return n
	}
	slices.SortFunc(out, func(a, b Advised) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(b.Gains, a.Gains), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	return out
}

// leastSurface is how many graded layers a surface needs before its plates together
// are said anything of.
const leastSurface = 200

type pool struct {
	list    []upkeep.Suggestion
	weights []float64
	used    used
}

// judge compares the suggestion with the habit.
func (a *Advised) judge(u *used, little bool) {
	a.Habit = math.Inf(1)
	if u.acts > 0 {
		a.Habit = float64(u.known) / float64(u.acts)
	}
	a.Best = a.At(a.Every)
	for _, p := range a.Curve {
		if p.Every == a.Every {
			a.Best = p
		}
	}
	a.Does = a.At(0)
	if h := math.Round(a.Habit); h < longestHabit {
		a.Does = a.At(int(max(h, 1)))
	}
	hundreds := float64(a.Starts) / 100
	a.Gains = (a.Does.Cost - a.Best.Cost) * hundreds
	low, high := a.Gained(a.Does.Every, a.Best.Every)
	a.GainsLow, a.GainsHigh = min(a.Gains, low*hundreds), max(a.Gains, high*hundreds)
	switch {
	case little || u.known < leastStarts:
		a.State = "little"
	case a.Gains <= worth*a.Does.Cost*float64(a.Starts)/100 || a.Gains < 0.01:
		a.State = "nothing"
	default:
		a.State = "suggest"
	}
}

// longestHabit is the longest interval that costs are told of; beyond it is never.
const longestHabit = 160
