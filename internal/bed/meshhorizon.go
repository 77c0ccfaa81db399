package bed

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// LeavesBand is the share of starts in which the gap may leave the band before a
// mesh counts as too old.
const LeavesBand = 0.05

// Place is where on the bed something is worst: -1, 0 or 1 from left to right
// and from front to back.
type Place struct{ Across, Along int }

// Horizon is after how many starts a printer should be probed again: from then
// on, at the worst place of the bed, the gap leaves the tolerance band in more
// than LeavesBand of the starts, if the nozzle stood right on the day of the
// probe. Swaps and services are not in it: they void a probe at once.
type Horizon struct {
	Starts    float64 // estimate; +Inf where no growth was seen
	Low, High float64 // 90 % interval; High +Inf where the data set no end
	Place     Place
	// ProbeFault: the probe's own error fills the band already. Then there is
	// no horizon: the probe is the fault.
	ProbeFault bool
	ProbeMM    float64 // sd of one probe at that place
	PerStartMM float64 // sd the bed moves in one start there, at the printer's pace
	// Swap and Service are the sd one of them adds there, mm; NaN not seen.
	SwapMM, ServiceMM float64
	AllowedMM         float64 // sd that fills the band to LeavesBand
	Fleet             int     // printers it leans on; 0: it stands alone
}

// Horizon gives the freshness horizon for a band of gaps, mm, with the nozzle
// aimed at aimMM within it.
func (d *Drift) Horizon(lowMM, highMM, aimMM float64) Horizon {
	most := allowed(lowMM-aimMM, highMM-aimMM)
	h := Horizon{Starts: math.Inf(1), Low: math.Inf(1), High: math.Inf(1), AllowedMM: math.Sqrt(most)}
	pace := [driftTerms]float64{ByStart: 1, ByHour: d.HoursPerStart}
	worst := math.Inf(1)
	for across := -1; across <= 1; across++ {
		for along := -1; along <= 1; along++ {
			w := d.weights(float64(across), float64(along))
			probe, _ := d.sum(w, [driftTerms]float64{ByProbe: 1})
			grows, _ := d.sum(w, pace)
			// The place that is first to leave; where none grows, where the probe is worst.
			left := most - probe
			at := left / grows
			if grows == 0 {
				at = 1e12 * left
			}
			if left <= 0 {
				at = left / most
			}
			if at < worst {
				worst, h.Place = at, Place{across, along}
			}
		}
	}
	w := d.weights(float64(h.Place.Across), float64(h.Place.Along))
	probe, probeVar := d.sum(w, [driftTerms]float64{ByProbe: 1})
	grows, growsVar := d.sum(w, pace)
	h.ProbeMM, h.PerStartMM = math.Sqrt(probe), math.Sqrt(grows)
	h.SwapMM, h.ServiceMM = d.shocks(h.Place)
	if probe >= most {
		h.ProbeFault, h.Starts, h.Low, h.High = true, 0, 0, 0
		return h
	}
	z := distuv.UnitNormal.Quantile(0.95)
	left, leftSD := most-probe, math.Sqrt(probeVar)
	if grows == 0 {
		if growsVar > 0 {
			h.Low = max(0, left-z*leftSD) / (z * math.Sqrt(growsVar))
		}
		return h
	}
	h.Starts = left / grows
	// The growth is a sum of variances: a chi-square with as many degrees of
	// freedom as its information tells (Satterthwaite).
	chi := distuv.ChiSquared{K: max(1, 2*grows*grows/growsVar)}
	down, up := math.Log(chi.Quantile(0.95)/chi.K), -math.Log(chi.Quantile(0.05)/chi.K)
	h.High = h.Starts * math.Exp(math.Hypot(up, math.Log1p(z*leftSD/left)))
	if less := z * leftSD / left; less < 1 {
		h.Low = h.Starts * math.Exp(-math.Hypot(down, -math.Log1p(-less)))
	} else {
		h.Low = 0
	}
	return h
}

// shocks are the sd a swap and a service add at a place, mm; NaN not seen.
func (d *Drift) shocks(at Place) (swap, service float64) {
	w := d.weights(float64(at.Across), float64(at.Along))
	swap, service = math.NaN(), math.NaN()
	if s, _ := d.sum(w, [driftTerms]float64{BySwap: 1}); d.Seen[BySwap] {
		swap = math.Sqrt(s)
	}
	if s, _ := d.sum(w, [driftTerms]float64{ByService: 1}); d.Seen[ByService] {
		service = math.Sqrt(s)
	}
	return swap, service
}

// weights is how much each mode's variance counts at a place, u and v from -1
// to 1.
func (d *Drift) weights(u, v float64) (w [driftModes]float64) {
	for j, t := range [surfaceTerms]float64{1, u, v, u*u - d.u2, u * v, v*v - d.v2} {
		w[j] = t * t
	}
	w[surfaceTerms] = 1
	return w
}

// sum is the variance that causes in these amounts make at a place, and the
// square of its standard error.
func (d *Drift) sum(w [driftModes]float64, of [driftTerms]float64) (total, variance float64) {
	for j := range w {
		for k := range of {
			total += w[j] * of[k] * d.Var[j][k]
		}
	}
	for _, g := range d.groups {
		part, level := 0.0, 0.0
		for k := range of {
			part += of[k] * g.share[k]
		}
		for i, j := range g.modes {
			level += w[j] * g.scale[i]
			one := w[j] * g.scale[i] * part
			variance += one * one * g.rel
		}
		for k := range of {
			for l := range of {
				variance += level * level * of[k] * of[l] * g.cov[k][l]
			}
		}
	}
	return total, variance
}

// allowed is the variance with which a normal value of mean 0 leaves low to
// high, low < 0 < high, in LeavesBand of the cases; 0 where it is outside.
func allowed(low, high float64) float64 {
	if !(low < 0 && high > 0) {
		return 0
	}
	a, b := 0.0, high-low
	for range 60 {
		sd := (a + b) / 2
		if distuv.UnitNormal.CDF(low/sd)+distuv.UnitNormal.Survival(high/sd) > LeavesBand {
			b = sd
		} else {
			a = sd
		}
	}
	return a * a
}

// Repeats is how well a printer's probe repeats itself, from meshes taken
// shortly after each other with nothing between.
type Repeats struct {
	Groups, Meshes int
	SDMM           float64 // of one height, pooled; NaN without repeats
	ShiftSDMM      float64 // of the whole mesh's mean
	ShapeSDMM      float64 // of a height beside its mesh's mean
}

// RepeatHours is how soon after each other meshes count as repeats.
const RepeatHours = 1.0

// MeshRepeats pools the repeats among a printer's meshes, oldest first.
func MeshRepeats(records []MeshRecord) Repeats {
	out := Repeats{SDMM: math.NaN(), ShiftSDMM: math.NaN(), ShapeSDMM: math.NaN()}
	var ss, df, shift, shiftDF float64
	for i := 0; i < len(records); {
		j := i + 1
		for j < len(records) && records[j].Starts == records[i].Starts && records[j].Swaps == records[i].Swaps && records[j].Services == records[i].Services &&
			records[j].Hours-records[j-1].Hours <= RepeatHours && records[j].SameGrid(records[i].Mesh) && !records[j].CopyOf(records[j-1].Mesh) {
			j++
		}
		if k := j - i; k > 1 {
			out.Groups++
			out.Meshes += k
			means := make([]float64, k)
			known := 0.0
			for p := range records[i].HeightsMM {
				mean := 0.0
				for _, r := range records[i:j] {
					mean += r.HeightsMM[p] / float64(k)
				}
				if math.IsNaN(mean) {
					continue
				}
				known++
				for g, r := range records[i:j] {
					ss += (r.HeightsMM[p] - mean) * (r.HeightsMM[p] - mean)
					means[g] += r.HeightsMM[p] - mean
				}
				df += float64(k - 1)
			}
			for _, m := range means {
				if known > 0 {
					shift += (m / known) * (m / known)
				}
			}
			shiftDF += float64(k - 1)
		}
		i = j
	}
	if df > 0 {
		out.SDMM, out.ShiftSDMM = math.Sqrt(ss/df), math.Sqrt(shift/shiftDF)
		out.ShapeSDMM = math.Sqrt(max(0, ss/df-shift/shiftDF))
	}
	return out
}
