package bed

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// heightFarm is an invented farm of printers whose zero is the frame, with
// known truth.
type heightFarm struct {
	in        HeightInput
	zero      []float64 // now, the offset set included
	thickness []float64 // by plate; side a alone is used
	tried     map[[2]int]bool
}

// drawHeights lives through weeks of ordinary swaps: each printer takes a plate
// out of the rack every two days or so and is measured once on most days. Zeros
// drift, are moved by services and set by offset changes.
func drawHeights(seed uint64, printers, plates, weeks int) heightFarm {
	return drawHeightsSeen(seed, printers, plates, weeks, 0.8)
}

// drawHeightsSeen measures a printer on a day with the chance given, and on the
// last day.
func drawHeightsSeen(seed uint64, printers, plates, weeks int, seen float64) heightFarm {
	r := rand.New(rand.NewPCG(seed, 31))
	f := heightFarm{zero: make([]float64, printers), thickness: make([]float64, plates), tried: map[[2]int]bool{}}
	days := 7 * weeks
	f.in = HeightInput{Printers: printers, Plates: plates, Day: float64(days)}
	for j := range plates {
		f.thickness[j] = 0.025 * r.NormFloat64()
	}
	rack := r.Perm(plates)
	on := make([]int, printers)
	offset := make([]float64, printers)
	for i := range printers {
		f.zero[i] = 0.04 * r.NormFloat64()
		on[i], rack = rack[0], rack[1:]
	}
	for d := range days {
		for i := range printers {
			f.zero[i] += 0.0015 * r.NormFloat64()
			day := float64(d) + 0.1*r.Float64()
			if r.Float64() < 1.0/60 {
				f.zero[i] += 0.03 * r.NormFloat64()
				f.in.Events = append(f.in.Events, HeightEvent{Printer: i, Day: day, Kind: HeightService, FromMM: math.NaN(), ToMM: math.NaN()})
			}
			if r.Float64() < 1.0/40 {
				to := math.Round((offset[i]-f.zero[i]/2)*100) / 100
				f.zero[i] += to - offset[i]
				f.in.Events = append(f.in.Events, HeightEvent{Printer: i, Day: day + 0.01, Kind: HeightOffset, FromMM: offset[i], ToMM: to})
				offset[i] = to
			}
			if r.Float64() < 0.5 {
				k := r.IntN(len(rack))
				on[i], rack[k] = rack[k], on[i]
			}
			if d == days-1 || r.Float64() < seen {
				f.tried[[2]int{i, on[i]}] = true
				f.in.Layers = append(f.in.Layers, HeightLayer{Printer: i, Plate: on[i], Side: 'a', Day: day + 0.2 + 0.5*r.Float64(),
					ErrorMM: f.zero[i] - f.thickness[on[i]] + 0.01*r.NormFloat64()})
			}
		}
	}
	return f
}

// heightScore is how moves and intervals did.
type heightScore struct{ pairs, within, covered, differences, coveredDifferences, sides, coveredSides int }

func (s *heightScore) judge(f *heightFarm) {
	f.in.Parts = EstimateHeightParts(f.in)
	b := SolveHeights(f.in)
	for i := range f.zero {
		for j := range f.thickness {
			if f.tried[[2]int{i, j}] {
				continue
			}
			m, ok := b.Expect(i, j, 'a', 0)
			if !ok {
				continue
			}
			truth := f.thickness[j] - f.zero[i]
			s.pairs++
			if math.Abs(m.MM-truth) <= 0.01 {
				s.within++
			}
			if m.LowMM <= truth && truth <= m.HighMM {
				s.covered++
			}
		}
	}
	for j := 1; j < len(f.thickness); j++ {
		if d, ok := b.Differ(j, 'a', j-1, 'a'); ok {
			s.differences++
			if truth := f.thickness[j] - f.thickness[j-1]; d.LowMM <= truth && truth <= d.HighMM {
				s.coveredDifferences++
			}
		}
	}
	for g := range b.Groups {
		mean, n := 0.0, 0.0
		for _, x := range b.Sides {
			if x.Group == g {
				mean, n = mean+f.thickness[x.Plate], n+1
			}
		}
		for _, x := range b.Sides {
			if x.Group == g && !x.Alone {
				s.sides++
				if truth := f.thickness[x.Plate] - mean/n; x.LowMM <= truth && truth <= x.HighMM {
					s.coveredSides++
				}
			}
		}
	}
}

func TestMovesForPairsNeverTriedAreRight(t *testing.T) {
	var s heightScore
	f := drawHeights(9100, 25, 54, 8)
	s.judge(&f)
	t.Logf("%+v, parts %+v", s, f.in.Parts)
	if s.pairs < 500 || share(s.within, s.pairs) < 0.9 {
		t.Errorf("%d of %d moves within 0.01 mm", s.within, s.pairs)
	}
	for _, c := range [][2]int{{s.covered, s.pairs}, {s.coveredDifferences, s.differences}, {s.coveredSides, s.sides}} {
		if share(c[0], c[1]) < 0.88 {
			t.Errorf("intervals hold %d of %d", c[0], c[1])
		}
	}
}

func TestAnswersDoNotDependOnTheOrderOfLayers(t *testing.T) {
	f := drawHeights(9101, 6, 12, 3)
	f.in.Parts = UsualHeightParts()
	one := SolveHeights(f.in)
	r := rand.New(rand.NewPCG(1, 2))
	f.in.Layers = slices.Clone(f.in.Layers)
	r.Shuffle(len(f.in.Layers), func(i, j int) { f.in.Layers[i], f.in.Layers[j] = f.in.Layers[j], f.in.Layers[i] })
	two := SolveHeights(f.in)
	for i := range one.Sides {
		if one.Sides[i].MM != two.Sides[i].MM || one.Sides[i].LowMM != two.Sides[i].LowMM {
			t.Fatalf("%+v and %+v", one.Sides[i], two.Sides[i])
		}
	}
}
