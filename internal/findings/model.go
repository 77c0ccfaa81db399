package findings

import (
	"math"
	"slices"
)

// Model is what one fit of a farm tells of starts to come, by the indexes of its
// layers. It is not changed once it is made. Log-odds are of a failure that no
// exposure brought about; hazards come on top (see cause.go).
type Model struct {
	Mean      Level   // of the farm
	Printers  []Level // beside the farm's, at the end of the window
	Plates    []Level
	Materials []Level
	// What is known of one that the fit did not see.
	NewPrinter, NewPlate, NewMaterial Level
	// What it adds that the last start of the printer (of the plate, elsewhere) failed.
	PrinterFailed, PlateFailed Level
	// What hours, graders and days add, and how often: a start to come is any of them.
	Mix []Weighted
	// Graders are how much more than the farm's mean each calls failed, shrunken.
	Graders []Grader
	// Hazards at the mean dose by printer (skipped probing, cleaning gap) and plate.
	Skip, PrinterGap, PlateGap   []Hazard
	NewSkip, NewGap, NewPlateGap Hazard

	shape     [2]int
	scale     [2]float64
	mostSkips int32 // largest counts in the fit, which no dose goes beyond
	mostGap   int32
}

// Level is a part of the log-odds with its posterior variance, the rest given.
type Level struct{ At, Var float64 }

// Grader is one who grades: log-odds beside the others', all else in the fit given, with
// the variance of that, and what they graded.
type Grader struct {
	Level
	Graded, Failed int
}

// Weighted is a part of the log-odds and the share of layers that have it.
type Weighted struct{ At, Share float64 }

// SkipDose is the dose of a start that is not probed for, so many starts of the
// printer after its last probe (-1 unknown).
func (m *Model) SkipDose(sinceProbe int32) float64 {
	s := float64(min(max(sinceProbe, 0), m.mostSkips))
	return m.scale[SkippedProbing] * skipShapes[m.shape[SkippedProbing]](s)
}

// GapDose is the dose of a start so many prints after the plate was cleaned;
// 0 where that is not known (-1).
func (m *Model) GapDose(gap int32) float64 {
	if gap < 0 {
		return 0
	}
	return m.scale[CleaningGap] * gapShapes[m.shape[CleaningGap]](float64(min(gap, m.mostGap)))
}

// mixFrom is where in the window, -0.5 to 0.5, the layers begin whose hours,
// graders and days stand for those to come: a spell that is over is over.
const mixFrom = 1.0 / 6

// mixBin is the width of the bins in which Mix is kept, log-odds.
const mixBin = 0.1

// nearBins are the bins on each side of 0 that are kept in an array.
const nearBins = 64

// model takes what is learned out of a study that has run.
func (e *study) model() *Model {
	m := &Model{shape: e.shape}
	for c := range m.scale {
		m.scale[c] = float64(e.scale[c])
	}
	e.hazards(m)
	f := e.f
	f.whole()
	beside(
		func() { m.Printers, m.NewPrinter = f.printer.ahead() },
		func() { m.Plates, m.NewPlate = f.plate.ahead() },
	)
	m.NewMaterial = Level{0, 0.2}
	var varied []*block
	for _, b := range f.other {
		switch b.name {
		case "material":
			m.Materials, m.NewMaterial = b.ahead()
		case "recent":
			m.PrinterFailed, m.PlateFailed = f.failedBefore(b)
		case "grader":
			m.Graders = f.graders(b)
			varied = append(varied, b)
		default:
			varied = append(varied, b)
		}
	}
	l := f.l
	type part struct {
		w, n            float64
		gap, sinceProbe int32
		bins            map[int]Weighted
	}
	var parts [chunks]part
	chunked(len(l.At), func(c, lo, hi int) {
		p := part{bins: map[int]Weighted{}}
		var near [2 * nearBins]Weighted // bins around 0, where nearly all are
		for i := lo; i < hi; i++ {
			q := expit(f.eta[i])
			p.w += q * (1 - q)
			p.gap = max(p.gap, l.Gap[i])
			p.sinceProbe = max(p.sinceProbe, l.SinceP[i])
			if f.span[i] < mixFrom {
				continue
			}
			at := 0.0
			for _, b := range varied {
				at += b.part(i)
			}
			p.n++
			k := int(math.Floor(at / mixBin))
			if uint(k+nearBins) < uint(len(near)) {
				b := &near[k+nearBins]
				b.At += at
				b.Share++
				continue
			}
			b := p.bins[k]
			p.bins[k] = Weighted{b.At + at, b.Share + 1}
		}
		for k, b := range near {
			if b.Share > 0 {
				p.bins[k-nearBins] = b
			}
		}
		parts[c] = p
	})
	w, n := 0.0, 0.0
	bins := map[int]Weighted{}
	for _, p := range parts {
		w += p.w
		n += p.n
		m.mostGap, m.mostSkips = max(m.mostGap, p.gap), max(m.mostSkips, p.sinceProbe)
		for k, b := range p.bins {
			bins[k] = Weighted{bins[k].At + b.At, bins[k].Share + b.Share}
		}
	}
	m.Mean = Level{f.mean, 1 / (w + 0.25)}
	keys := make([]int, 0, len(bins))
	for k := range bins {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		b := bins[k]
		m.Mix = append(m.Mix, Weighted{b.At / b.Share, b.Share / n})
	}
	if len(m.Mix) == 0 {
		m.Mix = []Weighted{{0, 1}}
	}
	return m
}

// hazards fills in what is known of the sizes of effects.
func (e *study) hazards(m *Model) {
	for g, to := range [3]*Hazard{&m.NewSkip, &m.NewGap, &m.NewPlateGap} {
		*to = e.prior[g].hazard()
	}
	hazard := func(i int) Hazard {
		if c := e.curves[i]; c != nil {
			return c.hazard()
		}
		return e.prior[e.group(i)].hazard()
	}
	m.Skip, m.PrinterGap, m.PlateGap = make([]Hazard, e.printers), make([]Hazard, e.printers), make([]Hazard, e.plates)
	for i := range e.printers {
		m.Skip[i], m.PrinterGap[i] = hazard(2*i), hazard(2*i+1)
	}
	for j := range e.plates {
		m.PlateGap[j] = hazard(2*e.printers + j)
	}
}
