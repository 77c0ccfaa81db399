package upkeep

import (
	"math"
	"slices"
	"strings"
	"time"

	"basecourse/internal/stats"
)

// Said is the chance that was said of a start before it was made, and what came.
type Said struct {
	P                 float64
	Printer, Material string // material "" not noted
	Failed            bool
}

// Sum is graded starts taken together: failures expected by what was said, the variance
// of their number were each chance right, and failures that came.
type Sum struct {
	Name               string
	Graded, Failed     int
	Expected, Variance float64
}

func (s *Sum) add(o *Sum) {
	s.Graded, s.Failed, s.Expected, s.Variance = s.Graded+o.Graded, s.Failed+o.Failed, s.Expected+o.Expected, s.Variance+o.Variance
}

// Away is how many standard deviations more came than was said; NaN of nothing.
func (s *Sum) Away() float64 { return (float64(s.Failed) - s.Expected) / math.Sqrt(s.Variance) }

// SaidDay is the starts of one day of the farm's zone.
type SaidDay struct {
	Day                 time.Time // its date, in UTC
	Starts              int       // made, graded or not
	Bins                []Bin
	Printers, Materials []Sum // by name
}

// Bin is starts whose log-odds said lie in one step of binStep.
type Bin struct {
	Step     int // log-odds from Step·binStep
	Graded   int
	Expected float64
	Failed   int
}

const binStep = 0.1

// SumDay adds up a day's graded starts.
func SumDay(day time.Time, starts int, list []Said) SaidDay {
	d := SaidDay{Day: day, Starts: starts}
	bins := map[int]*Bin{}
	printers, materials := map[string]*Sum{}, map[string]*Sum{}
	put := func(to map[string]*Sum, name string, x *Said) {
		if to[name] == nil {
			to[name] = &Sum{Name: name}
		}
		to[name].add(&Sum{Graded: 1, Failed: one(x.Failed), Expected: x.P, Variance: x.P * (1 - x.P)})
	}
	for i := range list {
		x := &list[i]
		p := min(max(x.P, 1e-6), 1-1e-6)
		step := int(math.Floor(math.Log(p/(1-p)) / binStep))
		if bins[step] == nil {
			bins[step] = &Bin{Step: step}
		}
		b := bins[step]
		b.Graded, b.Failed, b.Expected = b.Graded+1, b.Failed+one(x.Failed), b.Expected+x.P
		put(printers, x.Printer, x)
		put(materials, x.Material, x)
	}
	for _, b := range bins {
		d.Bins = append(d.Bins, *b)
	}
	slices.SortFunc(d.Bins, func(a, b Bin) int { return a.Step - b.Step })
	d.Printers, d.Materials = byName(printers), byName(materials)
	return d
}

func one(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

func byName(of map[string]*Sum) []Sum {
	out := make([]Sum, 0, len(of))
	for _, s := range of {
		out = append(out, *s)
	}
	slices.SortFunc(out, func(a, b Sum) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// SaidOff is a way in which what was said is off.
type SaidOff int

// The ways.
const (
	SaidTooFew    SaidOff = iota // failures
	SaidTooMany                  // failures
	SaidTooApart                 // chances
	SaidTooLittle                // apart
)

// Limits of what counts as right: slope, and intercept in log-odds; and how many failures
// it takes to judge.
const (
	SlopeLeast, SlopeMost = 0.9, 1.1
	InterceptMost         = 0.1
	JudgedFrom            = 50
)

// Reckoned is what was said of many days beside what came.
type Reckoned struct {
	From, To time.Time // first and last day; zero: none
	Starts   int
	Sum
	stats.Calibration
	Bands, Weeks, Printers, Materials []Sum // bands by chance said, weeks by their Monday
	Off                               []SaidOff
}

// Judged tells whether there is enough to judge by.
func (r *Reckoned) Judged() bool { return r.Failed >= JudgedFrom }

// edges of the bands of chances said.
var edges = []float64{0, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.4, 1}

// bandNames by their lower edge.
var bandNames = []string{"below 1 %", "1 to 2 %", "2 to 3 %", "3 to 5 %", "5 to 10 %", "10 to 20 %", "20 to 40 %", "40 % and more"}

// Reckon adds up days. What is off is named where slope or intercept leave their limits
// and chance does not explain it: the slope's 95 % interval leaves out 1, or the number of
// failures lies more than 1.96 standard deviations from that expected.
func Reckon(days []SaidDay) Reckoned {
	var r Reckoned
	bins := map[int]*Bin{}
	weeks, printers, materials := map[string]*Sum{}, map[string]*Sum{}, map[string]*Sum{}
	put := func(to map[string]*Sum, name string, s *Sum) {
		if to[name] == nil {
			to[name] = &Sum{Name: name}
		}
		to[name].add(s)
	}
	for i := range days {
		d := &days[i]
		if r.From.IsZero() || d.Day.Before(r.From) {
			r.From = d.Day
		}
		if d.Day.After(r.To) {
			r.To = d.Day
		}
		r.Starts += d.Starts
		monday := d.Day.AddDate(0, 0, -(int(d.Day.Weekday())+6)%7).Format(time.DateOnly)
		for k := range d.Printers {
			put(printers, d.Printers[k].Name, &d.Printers[k])
			put(weeks, monday, &d.Printers[k])
			r.add(&d.Printers[k])
		}
		for k := range d.Materials {
			put(materials, d.Materials[k].Name, &d.Materials[k])
		}
		for k := range d.Bins {
			b := &d.Bins[k]
			if bins[b.Step] == nil {
				bins[b.Step] = &Bin{Step: b.Step}
			}
			x := bins[b.Step]
			x.Graded, x.Failed, x.Expected = x.Graded+b.Graded, x.Failed+b.Failed, x.Expected+b.Expected
		}
	}
	steps := make([]int, 0, len(bins))
	for s := range bins {
		steps = append(steps, s)
	}
	slices.Sort(steps)
	bands := make([]Sum, len(bandNames))
	var said []float64
	var graded, failed []int
	for _, s := range steps {
		b := bins[s]
		p := b.Expected / float64(b.Graded)
		said, graded, failed = append(said, p), append(graded, b.Graded), append(failed, b.Failed)
		for k := range bands {
			if p >= edges[k] && (p < edges[k+1] || k == len(bands)-1) {
				bands[k].add(&Sum{Graded: b.Graded, Failed: b.Failed, Expected: b.Expected, Variance: float64(b.Graded) * p * (1 - p)})
			}
		}
	}
	for k := range bands {
		if bands[k].Name = bandNames[k]; bands[k].Graded > 0 {
			r.Bands = append(r.Bands, bands[k])
		}
	}
	r.Weeks, r.Printers, r.Materials = byName(weeks), byName(printers), byName(materials)
	r.Calibration = stats.CalibrateCounts(said, graded, failed)
	if !r.Judged() {
		return r
	}
	if math.Abs(r.Intercept) > InterceptMost && math.Abs(r.Away()) > 1.96 {
		r.Off = append(r.Off, map[bool]SaidOff{true: SaidTooFew, false: SaidTooMany}[r.Intercept > 0])
	}
	if r.Slope < SlopeLeast && r.SlopeHigh < 1 {
		r.Off = append(r.Off, SaidTooApart)
	}
	if r.Slope > SlopeMost && r.SlopeLow > 1 {
		r.Off = append(r.Off, SaidTooLittle)
	}
	return r
}
