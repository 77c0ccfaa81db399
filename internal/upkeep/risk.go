package upkeep

import (
	"math"
	"slices"

	"basecourse/internal/findings"
	"basecourse/internal/stats"
)

// Next is what is known of a start to come. Indexes are those of the model's
// layers; -1, or one the model has not seen, is unknown.
type Next struct {
	Printer, Plate, Material int32
	// Counts at the start, -1 unknown.
	SinceProbe, Gap int32
	// Probing is the state of the probe if nothing more is done.
	Probing findings.Probing
	// What had just failed. A printer's own failure speaks for both.
	PrinterFailed, PlateFailed bool
}

// Chance is a chance of failure, 0 to 1, with its 95 % interval.
type Chance struct{ P, Low, High float64 }

// Risk is the chance that the next first layer fails: as things are, on a plate
// just cleaned, just probed for, and both.
type Risk struct{ Now, Cleaned, Probed, Both Chance }

// Log-odds between which the chance is tabulated; beyond them it is as good as
// certain.
const (
	tableLow, tableHigh = -14.0, 10.0
	tableStep           = 0.02
	points              = 256 // quasi-random draws behind an interval
	middles             = 15  // of them, equally likely, for a mean
)

// Forecast gives risks from one model. It may be used by many at a time.
type Forecast struct {
	m     *findings.Model
	table []float64          // chance by log-odds, over hours, graders and days
	z     []float64          // standard normal quantiles, for means
	draws [points][4]float64 // a normal draw, then three uniform ones
}

// NewForecast makes a forecast ready.
func NewForecast(m *findings.Model) *Forecast {
	f := &Forecast{m: m, table: make([]float64, int((tableHigh-tableLow)/tableStep)+2)}
	for i := range f.table {
		eta := tableLow + float64(i)*tableStep
		for _, x := range m.Mix {
			f.table[i] += x.Share / (1 + math.Exp(-eta-x.At))
		}
	}
	for k := range middles {
		f.z = append(f.z, stats.NormalQuantile((float64(k)+0.5)/middles))
	}
	for k := range f.draws {
		d := &f.draws[k]
		d[0] = stats.NormalQuantile(halton(k+1, 2))
		d[1], d[2], d[3] = halton(k+1, 3), halton(k+1, 5), halton(k+1, 7)
	}
	return f
}

// halton is the n-th number of the sequence to a base (Halton 1960, Numerische
// Mathematik 2:84-90): spread evenly over 0 to 1, the same for ever.
func halton(n, base int) float64 {
	x, f := 0.0, 1.0
	for ; n > 0; n /= base {
		f /= float64(base)
		x += f * float64(n%base)
	}
	return x
}

// base is the chance of failure from everything but the exposures.
func (f *Forecast) base(eta float64) float64 {
	x := (min(max(eta, tableLow), tableHigh) - tableLow) / tableStep
	i := int(x)
	return f.table[i] + (x-float64(i))*(f.table[i+1]-f.table[i])
}

// level adds up the log-odds of a start and their variance.
func (f *Forecast) level(n *Next) (eta, sd float64) {
	m := f.m
	parts := [5]findings.Level{m.Mean,
		at(m.Printers, n.Printer, m.NewPrinter), at(m.Plates, n.Plate, m.NewPlate), at(m.Materials, n.Material, m.NewMaterial)}
	switch {
	case n.PrinterFailed:
		parts[4] = m.PrinterFailed
	case n.PlateFailed:
		parts[4] = m.PlateFailed
	}
	v := 0.0
	for _, p := range parts {
		eta += p.At
		v += p.Var
	}
	return eta, math.Sqrt(v)
}

func at[T any](list []T, i int32, unseen T) T {
	if i < 0 || int(i) >= len(list) {
		return unseen
	}
	return list[i]
}

// effect is a hazard of a start: its dose, and what is known of its size.
type effect struct {
	dose float64
	size findings.Hazard
}

// effects of a missing probe, and of the cleaning gap by printer and plate.
func (f *Forecast) effects(n *Next) (e [3]effect) {
	m := f.m
	if n.Probing == findings.ProbingSkipped {
		e[0] = effect{m.SkipDose(n.SinceProbe), at(m.Skip, n.Printer, m.NewSkip)}
	}
	if dose := m.GapDose(n.Gap); dose > 0 {
		e[1] = effect{dose, at(m.PrinterGap, n.Printer, m.NewGap)}
		e[2] = effect{dose, at(m.PlateGap, n.Plate, m.NewPlateGap)}
	}
	return e
}

// Chance is the posterior mean of the chance that a start fails.
func (f *Forecast) Chance(n Next) float64 {
	eta, sd := f.level(&n)
	e := f.effects(&n)
	holds := f.holds(eta, sd)
	for k := range e {
		holds *= e[k].spares()
	}
	return 1 - holds
}

// holds is the mean chance of holding without the exposures.
func (f *Forecast) holds(eta, sd float64) float64 {
	s := 0.0
	for _, z := range f.z {
		s += f.base(eta + sd*z)
	}
	return 1 - s/middles
}

// spares is the mean chance that an effect spares the layer.
func (e *effect) spares() float64 {
	if e.dose == 0 {
		return 1
	}
	return e.size.Spares(e.dose)
}

// Risk gives the chances of a start with their intervals: of the chance as it
// may be, given what the farm's records tell of levels and hazards.
func (f *Forecast) Risk(n Next) Risk {
	eta, sd := f.level(&n)
	e := f.effects(&n)
	var r Risk
	holds := f.holds(eta, sd)
	spares := [3]float64{e[0].spares(), e[1].spares(), e[2].spares()}
	var drawn [4][points]float64
	for k := range f.draws {
		d := &f.draws[k]
		q := 1 - f.base(eta+sd*d[0])
		var s [3]float64
		for c := range e {
			s[c] = 1
			if e[c].dose > 0 {
				s[c] = math.Exp(-e[c].dose * e[c].size.Quantile(d[1+c]))
			}
		}
		drawn[0][k], drawn[1][k], drawn[2][k], drawn[3][k] = 1-q*s[0]*s[1]*s[2], 1-q*s[0], 1-q*s[1]*s[2], 1-q
	}
	for k, x := range [4]struct {
		to *Chance
		p  float64
	}{{&r.Now, 1 - holds*spares[0]*spares[1]*spares[2]}, {&r.Cleaned, 1 - holds*spares[0]}, {&r.Probed, 1 - holds*spares[1]*spares[2]}, {&r.Both, 1 - holds}} {
		list := drawn[k][:]
		slices.Sort(list)
		*x.to = Chance{x.p, min(x.p, quantile(list, 0.025)), max(x.p, quantile(list, 0.975))}
	}
	return r
}

// quantile of a sorted list, between its members by a straight line.
func quantile(list []float64, p float64) float64 {
	x := p*float64(len(list)) - 0.5
	i := min(max(int(math.Floor(x)), 0), len(list)-2)
	return list[i] + min(max(x-float64(i), 0), 1)*(list[i+1]-list[i])
}
