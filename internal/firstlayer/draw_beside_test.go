package firstlayer_test

import (
	"math"
	"math/rand/v2"
	"time"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
)

// measuredBeside is what stands beside the layers of an invented farm where it
// measures: the meshes of its probes, and a height book that rests on line readings
// of every fourth graded layer of the printers whose zero is the frame, each off by
// an sd of 0.01 mm.
type measuredBeside struct {
	b        *farm.Bundle
	start    time.Time
	printers map[string]int
	framed   []bool
	plates   map[string]int
	layers   []bed.HeightLayer
	events   []bed.HeightEvent
}

func measureBeside(f *simfarm.Farm, b *farm.Bundle, start time.Time, seed uint64) *measuredBeside {
	x := &measuredBeside{b: b, start: start, printers: map[string]int{}, plates: map[string]int{}}
	for i, p := range b.Printers {
		x.printers[p.Tag], x.framed = i, append(x.framed, p.ZeroFrom == "frame")
	}
	for j, p := range b.Plates {
		x.plates[p.Tag] = j
	}
	rng := rand.New(rand.NewPCG(seed, 31))
	for n := range b.FirstLayers {
		l := &b.FirstLayers[n]
		if p, ok := x.printers[l.Printer]; ok && x.framed[p] && l.Grade != "" && rng.Float64() < 0.25 {
			h := f.Hidden(n)
			x.layers = append(x.layers, bed.HeightLayer{Printer: p, Plate: x.plates[l.Plate], Side: sideOf(l), Day: x.day(l.StartedAt),
				ErrorMM: h.AimMM + h.HeightMM - l.LayerHeightMM + 0.01*rng.NormFloat64(), SDMM: 0.01})
		}
	}
	for _, p := range b.Probes {
		x.event(p.Printer, p.ProbedAt, bed.HeightProbe)
	}
	for _, s := range b.Services {
		x.event(s.Printer, s.DoneAt, bed.HeightService)
	}
	return x
}

func sideOf(l *farm.FirstLayer) byte {
	if l.PlateSide == "" {
		return 0
	}
	return l.PlateSide[0]
}

func (x *measuredBeside) day(t time.Time) float64 { return t.Sub(x.start).Hours() / 24 }

func (x *measuredBeside) event(printer string, at time.Time, kind int) {
	if p, ok := x.printers[printer]; ok && x.framed[p] {
		x.events = append(x.events, bed.HeightEvent{Printer: p, Day: x.day(at), Kind: kind, FromMM: math.NaN(), ToMM: math.NaN()})
	}
}

// mesh is how the latest mesh before a layer leans, mm/m to the right and to the
// back.
func (x *measuredBeside) mesh(l *farm.FirstLayer) (tiltX, tiltY float64, ok bool) {
	var last *farm.Probe
	for i := range x.b.Probes {
		p := &x.b.Probes[i]
		if p.Printer == l.Printer && p.Columns > 0 && !p.ProbedAt.After(l.StartedAt) && (last == nil || p.ProbedAt.After(last.ProbedAt)) {
			last = p
		}
	}
	if last == nil {
		return 0, 0, false
	}
	even := func(from, to float64, n int) (out []float64) {
		for i := range n {
			out = append(out, from+(to-from)*float64(i)/float64(n-1))
		}
		return out
	}
	s := bed.Mesh{Columns: last.Columns, Rows: last.Rows, XMM: even(last.XMinMM, last.XMaxMM, last.Columns), YMM: even(last.YMinMM, last.YMaxMM, last.Rows), HeightsMM: last.HeightsMM}.Shape()
	return s.TiltXMMPerM, s.TiltYMMPerM, true
}

// add puts mesh and height book, as they were when the layer began, beside it, and
// gives the cause they let one name. Where the mesh leans by 0.10 mm or more across
// the zones' centres, within 45° of the way the hidden gap leans (the other sign),
// a lean is a tilt and no longer only the bed's shape. A plate that made the height
// is told where three layers on it were measured before, and the printer too; with one
// or two it may be told or not, and the case is left out.
func (x *measuredBeside) add(ctx map[string]any, l *farm.FirstLayer, before string, h *simfarm.Hidden, want string) string {
	p := x.printers[l.Printer]
	size := &x.b.Printers[p]
	if tx, ty, ok := x.mesh(l); ok {
		ctx["mesh_tilt_x_mm_per_m"], ctx["mesh_tilt_y_mm_per_m"] = tx, ty
		mx, my := tx*size.BedXMM*(1-1/float64(size.ZoneCols))/1000, ty*size.BedYMM*(1-1/float64(size.ZoneRows))/1000
		with := (mx*h.TiltXMM + my*h.TiltYMM) / (math.Hypot(mx, my) * math.Hypot(h.TiltXMM, h.TiltYMM))
		if want == "bed_shape" && math.Abs(mx)+math.Abs(my) >= 0.10 && with < -math.Sqrt2/2 {
			want = "tilt"
		}
	}
	if !x.framed[p] {
		return want
	}
	day, plate := x.day(l.StartedAt), x.plates[l.Plate]
	in := bed.HeightInput{Printers: len(x.framed), Plates: len(x.plates), Day: day, Parts: bed.UsualHeightParts()}
	onPlate, onPrinter := 0, 0
	for _, k := range x.layers {
		if k.Day < day {
			in.Layers = append(in.Layers, k)
			if k.Plate == plate {
				onPlate++
			}
			if k.Printer == p {
				onPrinter++
			}
		}
	}
	for _, e := range x.events {
		if e.Day < day {
			in.Events = append(in.Events, e)
		}
	}
	if want == "cannot_tell" && h.Cause == "height" && onPrinter > 0 && onPlate > 0 {
		if want = ""; onPlate >= 3 && math.Abs(h.ByPlateMM) >= 0.03 {
			want = "plate_height"
		}
	}
	book := bed.SolveHeights(in)
	profile, err := bed.NewProfile(l.LayerHeightMM, l.LineWidthMM, math.NaN(), math.NaN())
	if err != nil {
		panic(err)
	}
	move, ok := book.Expect(p, plate, sideOf(l), bed.AimErrorMM(profile))
	if !ok {
		return want
	}
	ctx["pair_move_mm"], ctx["pair_move_low"], ctx["pair_move_high"] = move.MM, move.LowMM, move.HighMM
	if d, ok := book.Differ(plate, sideOf(l), x.plates[before], 0); before != "" && before != l.Plate && ok {
		ctx["plate_thicker_mm"], ctx["plate_thicker_low"], ctx["plate_thicker_high"], ctx["plate_thicker_than"] = d.MM, d.LowMM, d.HighMM, before
	} else if s, ok := book.Side(plate, sideOf(l)); ok && !s.Alone {
		ctx["plate_thicker_mm"], ctx["plate_thicker_low"], ctx["plate_thicker_high"] = s.MM, s.LowMM, s.HighMM
	}
	return want
}
