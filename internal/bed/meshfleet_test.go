package bed

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// fleetKind says how a simulated farm's beds differ.
type fleetKind struct {
	name string
	// apart is the sd, between a farm's beds, of the logarithm of what moves a bed;
	// modes the same of each mode beside the others of its bed. 0: beds of any kind.
	apart, modes float64
	odd          float64 // share of the beds that move three times as far
}

var fleetKinds = []fleetKind{{"alike", 0.25, 0.15, 0}, {"one in ten odd", 0.25, 0.15, 0.1}, {"any kind", 0, 0, 0}}

// drawFleet makes the beds of a farm. What is typical of it is drawn as a bed of
// any kind; beds that are alike differ from that by little.
func (k fleetKind) drawFleet(r *rand.Rand, printers int) []movingBed {
	typical := drawMovingBed(r)
	beds := make([]movingBed, printers)
	for i := range beds {
		if k.apart == 0 {
			beds[i] = drawMovingBed(r)
			continue
		}
		b := typical
		level, probe := math.Exp(k.apart*r.NormFloat64()), math.Exp(k.apart*r.NormFloat64())
		if r.Float64() < k.odd {
			level *= 3
		}
		for j := range b.perStart {
			mode := level * math.Exp(k.modes*r.NormFloat64())
			b.perStart[j] *= mode
			b.perHour[j] *= mode
			b.perSwap[j] *= mode
			b.perService[j] *= mode
			b.probe[j] *= probe * math.Exp(k.modes*r.NormFloat64())
		}
		b.rough *= probe
		b.starts *= math.Exp(0.2 * r.NormFloat64())
		beds[i] = b
	}
	return beds
}

// checkFleets is checkHorizons for farms of so many printers; alone: without the
// help of the others.
func (k fleetKind) checkFleets(seed uint64, fleets, printers, meshes int, alone bool) (c horizonCheck) {
	for i := range fleets {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		beds := k.drawFleet(r, printers)
		drifts := make([]Drift, printers)
		for j := range beds {
			drifts[j], _ = MeshDrift(beds[j].probes(r, meshes, 5))
		}
		var fleet *Fleet
		if !alone {
			fleet = LearnFleet(drifts)
		}
		for j := range beds {
			d := &drifts[j]
			if d.Between < LeastInFleet || alone && d.Between < LeastBetween {
				c.none++
				continue
			}
			c.add(beds[j].truth(d, 0.160, 0.227, 0.1935), fleet.Horizon(d, true, 0.160, 0.227, 0.1935))
		}
	}
	slices.Sort(c.factors)
	slices.Sort(c.ratio)
	return c
}

var fleetHead = "| farm | printers " + strings.Replace(horizonHead, "\n|", "\n| --- | --- |", 1)

func (k fleetKind) row(c *horizonCheck, printers, meshes int, alone bool) string {
	name := k.name
	if alone {
		name += ", each alone"
	}
	return fmt.Sprintf("| %s | %d %s", name, printers, c.row(meshes, 5))
}

// On farms of 20 alike printers 15 meshes a bed are enough for a factor of less than
// 4 in the middle, with the truth in 85 to 97 %; the whole table is made by
// MeshHorizonValidation (-tags long).
func TestMeshHorizonInAFleet(t *testing.T) {
	k := fleetKinds[0]
	alone, c := k.checkFleets(11, 8, 20, 15, true), k.checkFleets(11, 8, 20, 15, false)
	t.Logf("\n%s\n%s\n%s", fleetHead, k.row(&alone, 20, 15, true), k.row(&c, 20, 15, false))
	if share := float64(c.held) / float64(c.beds); c.beds < 140 || share < 0.85 || share > 0.97 {
		t.Errorf("truth within the interval on %d of %d beds", c.held, c.beds)
	}
	if f, was := c.factors[len(c.factors)/2], alone.factors[len(alone.factors)/2]; !(f < 4 && f < was) {
		t.Errorf("median width is a factor of %.2f, alone %.2f", f, was)
	}
}

// Three printers are no fleet: each gets what it gets alone; and a printer that
// joins later gets nearly what it gets as one of them.
func TestFleetOfFewAndNewcomers(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	beds := fleetKinds[0].drawFleet(r, 13)
	drifts := make([]Drift, len(beds))
	for j := range beds {
		drifts[j], _ = MeshDrift(beds[j].probes(r, 20, 5))
	}
	if LearnFleet(drifts[:3]) != nil {
		t.Error("three are a fleet")
	}
	var none *Fleet
	if got, want := none.Horizon(&drifts[0], true, 0.160, 0.227, 0.1935), drifts[0].Horizon(0.160, 0.227, 0.1935); got.Starts != want.Starts || got.Low != want.Low || got.High != want.High || got.Fleet != 0 {
		t.Errorf("alone %+v, want %+v", got, want)
	}
	in, out := LearnFleet(drifts), LearnFleet(drifts[:12])
	a, b := in.Horizon(&drifts[12], true, 0.160, 0.227, 0.1935), out.Horizon(&drifts[12], false, 0.160, 0.227, 0.1935)
	if a.Fleet != 13 || b.Fleet != 12 || math.Abs(math.Log(a.Starts/b.Starts)) > 0.2 || math.Abs(math.Log(a.High/b.High)) > 0.3 {
		t.Errorf("among them %+v, newly come %+v", a, b)
	}
	if again := in.Horizon(&drifts[12], true, 0.160, 0.227, 0.1935); again.Starts != a.Starts || again.Low != a.Low || again.High != a.High {
		t.Errorf("asked again %+v, first %+v", again, a)
	}
}

// One pass is the horizons of 1,000 printers, meshes read into drifts, fleet learned
// and all; with 200 meshes each printer stands alone in the end, with 40 it leans on
// the fleet.
func BenchmarkHorizonOf1000Printers(b *testing.B) {
	for _, meshes := range []int{200, 40} {
		b.Run(strconv.Itoa(meshes)+" meshes", func(b *testing.B) {
			r := rand.New(rand.NewPCG(5, 6))
			var records [][]MeshRecord
			for _, x := range fleetKinds[0].drawFleet(r, 1000) {
				records = append(records, x.probes(r, meshes, 5))
			}
			for b.Loop() {
				drifts := make([]Drift, len(records))
				for j := range records {
					drifts[j], _ = MeshDrift(records[j])
				}
				f := LearnFleet(drifts)
				for j := range drifts {
					f.Horizon(&drifts[j], j < MostLearned, 0.160, 0.227, 0.1935)
				}
			}
		})
	}
}
