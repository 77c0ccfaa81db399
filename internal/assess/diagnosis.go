package assess

import (
	"context"
	"math"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/firstlayer"
	"basecourse/internal/store"
)

// earlierLayers is how many earlier layers of the printer, and of the plate, a
// diagnosis looks at.
const earlierLayers = 10

// runsFor is how long after its start a layer without an outcome is taken to be
// printing.
const runsFor = 6 * time.Hour

// LayerAsked is a first layer about which is asked: History is its history as
// store.LayerHistory gives it, Exposures those of its starts, Plates the tags
// behind its plate indexes.
type LayerAsked struct {
	Layer     *farm.FirstLayer
	Printer   *farm.Printer
	History   *exposure.History
	Exposures []exposure.Exposure
	Plates    []string
	Settings  farm.SettingValues
	Seen      store.DataVersion // as the page goes by; zero: read here
	Patch     Patch             // of the layer, put on a scale
}

// Patch is a weighed piece of a layer; NaN where it was not.
type Patch struct{ MassG, AreaMM2, DensityGCM3 float64 }

// Diagnosis says what a first layer tells by what the farm has set, by what became
// of its layers, its height book and its meshes. now is when it is asked: a print
// goes on only then.
func (a *Assessor) Diagnosis(ctx context.Context, q *LayerAsked, now time.Time) (firstlayer.Answer, error) {
	s, f, printer, h, all, plates := a.store, q.Layer, q.Printer, q.History, q.Exposures, q.Plates
	ours, err := a.Farm(ctx, now, q.Settings, q.Seen)
	if err != nil {
		return firstlayer.Answer{}, err
	}
	last := len(all) - 1
	plate := f.Plate
	if plate == "" && all[last].Plate >= 0 {
		plate = plates[all[last].Plate]
	}
	around, err := s.LayersAround(ctx, f, plate, earlierLayers)
	if err != nil {
		return firstlayer.Answer{}, err
	}
	under := make(map[[16]byte]int, len(all))
	for i := range h.Starts {
		under[h.Starts[i].ID] = i
	}
	layers := append(slices.Clone(around.Printer), around.Plate...)
	slices.SortStableFunc(layers, func(x, y *farm.FirstLayer) int { return x.StartedAt.Compare(y.StartedAt) })
	var earlier []firstlayer.Earlier
	for _, l := range layers {
		c := caseOf(l, printer, h, all, under, &around)
		c.Farm = ours
		e := firstlayer.Earlier{Layer: *l, SamePrinter: yesNo(l.Printer == f.Printer), PrintsSinceClean: c.Context.PrintsSinceClean, Skipped: c.Context.Skipped}
		if l.Plate != "" && plate != "" {
			e.SamePlate = yesNo(l.Plate == plate)
		}
		if l.Plate != plate {
			c.Context.Surface = ""
		}
		if l.Material != f.Material {
			c.Context.Polymer = ""
		}
		// What was advised then is what follows from the records of then; nothing
		// is advised twice for layers of other printers.
		if l.Printer == f.Printer && onGrid(l, printer) {
			c.Context.Earlier = earlier
			if x, err := firstlayer.Diagnose(&c); err == nil {
				for _, step := range x.Advice {
					e.Advised = append(e.Advised, step.Action)
				}
			}
		}
		earlier = append(earlier, e)
	}
	c := caseOf(f, printer, h, all, under, &around)
	c.Layer.Plate, c.Farm = plate, ours
	c.Context.PatchMassG, c.Context.PatchAreaMM2, c.Context.DensityGCM3 = q.Patch.MassG, q.Patch.AreaMM2, q.Patch.DensityGCM3
	c.Context.Earlier = earlier
	c.Running = f.VoidedAt.IsZero() && f.Outcome == "" && f.Decision != "stopped" && (f.SeenFrom == "" || f.SeenFrom == "above_printing") &&
		!around.LastStart.After(f.StartedAt) && now.Sub(f.StartedAt) < runsFor && !now.Before(f.StartedAt)
	if err := a.beside(ctx, &c, &around, q.Seen, now); err != nil {
		return firstlayer.Answer{}, err
	}
	return firstlayer.Diagnose(&c)
}

// caseOf is a layer with the exposure it was started under.
func caseOf(f *farm.FirstLayer, printer *farm.Printer, h *exposure.History, all []exposure.Exposure, under map[[16]byte]int, around *store.LayerAround) firstlayer.Case {
	c := firstlayer.NewCase()
	c.Layer, c.BedXMM, c.BedYMM, c.ZoneCols, c.ZoneRows, c.ZStepMM = *f, printer.BedXMM, printer.BedYMM, printer.ZoneCols, printer.ZoneRows, printer.ZStepMM
	x := &c.Context
	x.Underside, x.Surface, x.Polymer = f.Underside, around.Surface, around.Polymer
	i, ok := under[f.ID.UUID]
	if f.ID.IsZero() {
		i, ok = len(all)-1, true
	}
	if !ok {
		return c
	}
	e := &all[i]
	x.Skipped, x.Swapped, x.Serviced = triCode(e.Skipped), triCode(e.PlateSwapped), serviced(h, h.Starts[i].Printer, e.At)
	x.PrintsSinceProbe, x.PrintsSinceClean = atLeastZero(float64(e.PrintsSinceProbe)), atLeastZero(float64(e.PrintsSinceClean))
	if e.SinceProbe >= 0 {
		x.HoursSince = float64(e.SinceProbe) / 3.6e9
	}
	if e.SinceClean >= 0 {
		x.DaysSinceClean = float64(e.SinceClean) / 86.4e9
	}
	return c
}

// serviced tells whether a printer was serviced since its last probe at a time.
func serviced(h *exposure.History, printer int32, at int64) string {
	probe, service := int64(math.MinInt64), int64(math.MinInt64)
	for i := range h.Probes {
		if p := &h.Probes[i]; p.Printer == printer && p.Ends && p.At <= at {
			probe = max(probe, p.At)
		}
	}
	for i := range h.Services {
		if s := &h.Services[i]; s.Printer == printer && s.At <= at {
			service = max(service, s.At)
		}
	}
	switch {
	case probe == math.MinInt64 && service == math.MinInt64:
		return ""
	case service > probe:
		return "yes"
	}
	return "no"
}

func onGrid(l *farm.FirstLayer, p *farm.Printer) bool {
	for _, m := range l.Marks {
		if !m.Zone.In(p.ZoneCols, p.ZoneRows) {
			return false
		}
	}
	return true
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func triCode(t exposure.Tri) string {
	if t == exposure.Unknown {
		return ""
	}
	return t.String()
}

func atLeastZero(n float64) float64 {
	if n < 0 {
		return math.NaN()
	}
	return n
}
