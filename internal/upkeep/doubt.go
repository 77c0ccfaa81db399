package upkeep

import (
	"maps"
	"math"
	"slices"

	"basecourse/internal/findings"
)

// Doubt is how far the chances of starts may all be off together, given what the farm's
// records tell of levels and hazards: the standard deviation of one shift of all their
// log-odds that makes their expected number as uncertain as it is. What starts share (a
// printer, a plate, a material, the farm) is uncertain once for all of them. By the
// delta method (first order, common practice).
func (f *Forecast) Doubt(list []Next) float64 {
	m := f.m
	sum, failedP, failedL := 0.0, 0.0, 0.0
	printers, plates, materials := map[int64]float64{}, map[int64]float64{}, map[int64]float64{}
	doses, sizes := map[int64]float64{}, map[int64]float64{} // by effect and printer or plate
	for i := range list {
		n := &list[i]
		p := f.Chance(*n)
		w := p * (1 - p)
		sum += w
		printers[int64(n.Printer)] += w
		plates[int64(n.Plate)] += w
		materials[int64(n.Material)] += w
		switch {
		case n.PrinterFailed:
			failedP += w
		case n.PlateFailed:
			failedL += w
		}
		for k, e := range f.effects(n) {
			if e.dose <= 0 {
				continue
			}
			h := int64(k)<<40 + int64(n.Printer)
			if k == 2 {
				h = int64(k)<<40 + int64(n.Plate)
			}
			doses[h] += (1 - p) * e.dose
			sizes[h] = variance(&e.size)
		}
	}
	if sum <= 0 {
		return 0
	}
	v := m.Mean.Var*sum*sum + m.PrinterFailed.Var*failedP*failedP + m.PlateFailed.Var*failedL*failedL
	v += squares(printers, func(i int64) float64 { return at(m.Printers, int32(i), m.NewPrinter).Var })
	v += squares(plates, func(i int64) float64 { return at(m.Plates, int32(i), m.NewPlate).Var })
	v += squares(materials, func(i int64) float64 { return at(m.Materials, int32(i), m.NewMaterial).Var })
	v += squares(doses, func(i int64) float64 { return sizes[i] })
	return math.Sqrt(v) / sum
}

// squares adds up squared weights times variances, in one order for ever.
func squares(weights map[int64]float64, variance func(int64) float64) (sum float64) {
	for _, i := range slices.Sorted(maps.Keys(weights)) {
		sum += weights[i] * weights[i] * variance(i)
	}
	return sum
}

// variance of a hazard's size.
func variance(h *findings.Hazard) float64 {
	mean, square := 0.0, 0.0
	for k, c := range h.Chances() {
		s := findings.Sizes()[k]
		mean += c * s
		square += c * s * s
	}
	return max(square-mean*mean, 0)
}
