package findings

import "math"

// ahead gives the levels of a block at the end of the window, and what is known
// of one that no layer belongs to. Intercepts are shrunken anew: a fleet's normal
// prior takes the few that are far worse than the rest for less bad than they
// are, which does the questions no harm (a level of their own comes with each)
// and forecasts much.
func (b *block) ahead() (levels []Level, unseen Level) {
	levels = make([]Level, len(b.coef))
	for lv := range b.coef {
		levels[lv] = Level{b.coef[lv][0], b.vari[0]}
		if b.post != nil && b.post[lv][0] > 0 {
			levels[lv].Var = b.post[lv][0]
		}
	}
	unseen = shrinkAnew(levels, b.vari[0])
	if b.k == 3 {
		for lv := range levels {
			levels[lv].At += ahead * b.coef[lv][2]
			if b.post != nil {
				levels[lv].Var += ahead * ahead * b.post[lv][2]
				levels[lv].At -= ahead * ahead * b.post[lv][2] / 2
			}
		}
		unseen.Var += ahead * ahead * b.vari[2]
	}
	return levels, unseen
}

// ahead is where in the window, -0.5 to 0.5, a level's time slope is read: short of
// its end, since what went one way for a while mostly does not go on (held-out weeks
// of simulated farms).
const ahead = 0.2

// told is how much of a level's precision with all else given is left when all
// else is not: printers meet few plates (held-out weeks of simulated farms).
const told = 0.7

// widths are the standard deviations of the normals that the prior is mixed
// from, as multiples of the fleet's.
var widths = [...]float64{0.25, 0.5, 1, 2, 4, 8}

// shrinkAnew takes levels that were shrunken by a normal prior of variance v,
// frees them of it and shrinks them by a mixture of normals around 0 whose shares
// their own spread tells (Stephens 2017, Biostatistics 18:275-294). It gives what
// is known of a level without data.
func shrinkAnew(levels []Level, v float64) (unseen Level) {
	const smooth = 0.5 // pseudo-count of the prior there was
	share := [len(widths)]float64{2: 1}
	if len(levels) >= 10 {
		for k := range share {
			share[k] = 1 / float64(len(widths))
		}
	}
	// What the data alone say of each: a mean with a precision.
	seen, prec := make([]float64, len(levels)), make([]float64, len(levels))
	for i, l := range levels {
		if prec[i] = told * (1/l.Var - 1/v); prec[i] > 1e-6 {
			seen[i] = told * l.At / l.Var / prec[i]
		} else {
			prec[i] = 0
		}
	}
	// How likely it is at each width, over the likeliest; the shares come on top.
	like := make([][len(widths)]float64, len(levels))
	for i := range levels {
		if prec[i] == 0 {
			continue
		}
		w, top := &like[i], math.Inf(-1)
		for k, s := range widths {
			if share[k] == 0 {
				w[k] = math.Inf(-1)
				continue
			}
			sum := 1/prec[i] + s*s*v
			w[k] = -0.5*math.Log(sum) - 0.5*seen[i]*seen[i]/sum
			top = max(top, w[k])
		}
		for k := range w {
			w[k] = math.Exp(w[k] - top)
		}
	}
	weigh := func(i int) (w [len(widths)]float64) {
		total := 0.0
		for k, l := range like[i] {
			w[k] = share[k] * l
			total += w[k]
		}
		for k := range w {
			w[k] /= total
		}
		return w
	}
	for range 200 {
		if len(levels) < 10 {
			break
		}
		next, n := [len(widths)]float64{2: smooth}, smooth
		for i := range levels {
			if prec[i] == 0 {
				continue
			}
			for k, w := range weigh(i) {
				next[k] += w
				n += w
			}
		}
		move := 0.0
		for k := range next {
			next[k] = max(next[k]/n, 1e-9)
			move = max(move, math.Abs(next[k]-share[k]))
		}
		share = next
		if move < 1e-4 {
			break
		}
	}
	for k, s := range widths {
		unseen.Var += share[k] * s * s * v
	}
	for i := range levels {
		if prec[i] == 0 {
			levels[i] = unseen
			continue
		}
		mean, square := 0.0, 0.0
		for k, w := range weigh(i) {
			post := 1 / (prec[i] + 1/(widths[k]*widths[k]*v))
			m := post * prec[i] * seen[i]
			mean += w * m
			square += w * (post + m*m)
		}
		v := square - mean*mean
		levels[i] = Level{mean - v/2, v}
	}
	return unseen
}

// failedBefore gives what it adds that the printer's last start failed, however
// long ago (restarts and others by how often they are), and that the plate's did.
func (f *fleet) failedBefore(b *block) (printer, plate Level) {
	var n [recentLevels]float64
	for _, r := range f.l.Recent {
		n[r]++
	}
	at := func(r Recent) Level {
		lv := int(r) - 1
		if lv >= len(b.coef) {
			return Level{0, b.vari[0]}
		}
		v := b.vari[0]
		if b.post != nil && b.post[lv][0] > 0 {
			v = b.post[lv][0]
		}
		return Level{b.coef[lv][0], v}
	}
	plate = at(RecentPlateFailed)
	if other, again := n[RecentPrinterFailed], n[RecentRestart]; other+again > 0 {
		o, a := at(RecentPrinterFailed), at(RecentRestart)
		share := again / (other + again)
		printer = Level{o.At + share*(a.At-o.At), (1-share)*(1-share)*o.Var + share*share*a.Var}
	}
	return printer, plate
}

// graders gives the levels of those who grade, freed of their mean (by layers). The
// variance is that of the level with all else given, widened by what cannot be told from
// it: who grades at which hour (one crew at night) is left to the prior's variance of
// hours.
func (f *fleet) graders(b *block) []Grader {
	out := make([]Grader, len(b.coef))
	hour := f.blockNamed("hour")
	hours := make([][]int, len(out)) // by grader and hour
	for i, g := range b.level {
		if g < 0 {
			continue
		}
		x := &out[g]
		x.Graded++
		if f.l.Failed[i] {
			x.Failed++
		}
		if hours[g] == nil {
			hours[g] = make([]int, len(hour.coef))
		}
		hours[g][hour.level[i]]++
	}
	mean, n := 0.0, 0.0
	for g := range out {
		mean += b.coef[g][0] * float64(out[g].Graded)
		n += float64(out[g].Graded)
	}
	for g := range out {
		x := &out[g]
		x.Level = Level{b.coef[g][0] - mean/max(n, 1), b.vari[0]}
		if b.post != nil && b.post[g][0] > 0 {
			x.Var = b.post[g][0] / told
		}
		together := 0.0 // what hours' levels may be off by, over the hours this one grades at
		for _, k := range hours[g] {
			share := float64(k) / float64(x.Graded)
			together += share * share * hour.vari[0]
		}
		x.Var = min(x.Var+together, 4)
	}
	return out
}

func (f *fleet) blockNamed(name string) *block {
	for _, b := range f.other {
		if b.name == name {
			return b
		}
	}
	return nil
}
