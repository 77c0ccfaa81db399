package simfarm

import "math"

// Marks as indices into farm.Marks.
const (
	nozzleLow = iota
	nozzleHigh
	blobs
	dragged
	contamination
	lifting
	noStart
	underFed
	overFed
	striping
	moisture
	plateMark
	debris
	other
	markKinds
)

const (
	zoneCols = 3
	zones    = zoneCols * zoneCols // by row from the front left
)

// marked is what a grader painted: severity 0 to 3 by mark and zone.
type marked [markKinds][zones]uint8

// pattern is where a mark lies.
type pattern uint8

const (
	everywhere pattern = iota
	patch              // a zone and some of its neighbours
	spot               // one zone
	corners
	badSpot // where this plate is worn
)

// likely is one mark a cause may leave.
type likely struct {
	mark   uint8
	chance float64
	where  pattern
}

// signs says which marks each cause leaves. Height is told by the zones.
var signs = [causes][]likely{
	causeTip:      {{blobs, 0.6, spot}, {debris, 0.3, spot}, {nozzleHigh, 0.2, spot}, {noStart, 0.1, spot}},
	causeOil:      {{contamination, 0.7, patch}, {blobs, 0.4, patch}, {lifting, 0.3, corners}, {dragged, 0.25, patch}},
	causeOverBond: {{other, 0.5, patch}, {nozzleLow, 0.3, everywhere}, {plateMark, 0.2, spot}, {overFed, 0.1, everywhere}},
	causeNothing: {{nozzleHigh, 0.18, patch}, {nozzleLow, 0.10, patch}, {blobs, 0.17, patch}, {dragged, 0.12, spot}, {lifting, 0.12, corners},
		{noStart, 0.12, spot}, {contamination, 0.10, patch}, {striping, 0.08, everywhere}, {underFed, 0.08, everywhere}, {other, 0.1, spot}},
	causeRough:      {{striping, 0.25, everywhere}, {underFed, 0.25, everywhere}, {noStart, 0.2, spot}, {nozzleHigh, 0.2, patch}, {blobs, 0.15, patch}},
	causeWorn:       {{lifting, 0.35, badSpot}, {contamination, 0.35, badSpot}, {plateMark, 0.25, badSpot}, {blobs, 0.25, badSpot}},
	causeMaterial:   {{lifting, 0.4, corners}, {dragged, 0.25, patch}, {moisture, 0.2, everywhere}, {blobs, 0.2, patch}, {nozzleHigh, 0.1, patch}},
	causeDebris:     {{debris, 0.6, spot}, {blobs, 0.2, spot}, {plateMark, 0.1, spot}},
	causeCold:       {{lifting, 0.7, corners}, {dragged, 0.2, patch}, {blobs, 0.1, patch}},
	causeBurst:      {{underFed, 0.3, everywhere}, {noStart, 0.3, spot}, {moisture, 0.3, everywhere}, {blobs, 0.2, patch}},
	causePlateBurst: {{blobs, 0.4, patch}, {contamination, 0.35, patch}, {lifting, 0.3, corners}, {dragged, 0.2, patch}},
	causeNear:       {{nozzleHigh, 0.2, patch}, {nozzleLow, 0.15, patch}, {blobs, 0.15, spot}, {lifting, 0.15, corners}, {contamination, 0.15, patch}, {other, 0.1, spot}},
}

// dice is a plain sequence of numbers for what decides nothing else.
type dice uint64

func (d *dice) u() float64 {
	*d += 0x9e3779b97f4a7c15
	return (float64(mix(uint64(*d))>>11) + 0.5) / (1 << 53)
}

// marks are what the grader of a start saw. They follow from the start alone.
// Marks mislead on purpose: height marks are common on failures of any cause,
// contamination is commoner the longer the plate was not cleaned whether or not
// it matters, and some failures carry none.
func (f *Farm) marks(s *start) (seen marked) {
	sc := &f.Scenario
	d := dice(newDraw(f.Seed, 0, uint64(s.printer), uint64(s.k)).bits(forMarks))
	g := &f.graders[s.grader]
	severe := s.grade >= gradeMarginal
	if severe && d.u() < 0.06 {
		return seen // nobody painted any
	}
	grime := 0.05 + 0.35*(1-math.Exp(-float64(s.gap)/8))
	if severe {
		grime *= 1.2 * sc.CrossTalk
	}
	if d.u() < grime*g.markEye {
		seen.put(&d, contamination, patch, f.grimeSeverity(&d, severe), 0)
	}
	if g := f.plates[s.plate].grimy; g > 0 && d.u() < g*sc.OilForm.at(float64(s.gap)) {
		seen.put(&d, contamination, patch, 1, 0)
		seen.put(&d, blobs, patch, 1, 0)
	}
	f.heightMarks(&d, s, &seen)
	if s.cause != noCause {
		any := false
		for pass := 0; pass < 2 && !any; pass++ {
			for _, l := range signs[s.cause] {
				if d.u() < l.chance {
					seen.put(&d, l.mark, l.where, severity(&d, s.grade), f.plates[s.plate].badZone)
					any = true
				}
			}
		}
	} else if d.u() < 0.03*g.markEye {
		seen.put(&d, uint8(d.u()*markKinds), spot, 1, 0)
	}
	if severe && s.cause != causeHeight {
		if u := d.u(); u < 0.18*sc.CrossTalk {
			seen.put(&d, nozzleHigh, patch, 1+uint8(2*d.u()), 0)
		} else if u < 0.27*sc.CrossTalk {
			seen.put(&d, nozzleLow, patch, 1+uint8(2*d.u()), 0)
		}
	}
	return seen
}

// heightMarks paints what the gap shows in each zone.
func (f *Farm) heightMarks(d *dice, s *start, seen *marked) {
	spoils := s.cause == causeHeight
	edge := 0.75
	if !spoils && d.u() < 0.5 {
		return
	}
	worst, at, mark := 0.0, 0, uint8(nozzleHigh)
	for z := range zones {
		e := float64(s.height) + float64(s.tiltX)*float64(z%zoneCols-1) + float64(s.tiltY)*float64(z/zoneCols-1)
		m, share := uint8(nozzleHigh), e/f.band.high
		if e < 0 {
			m, share = nozzleLow, e/f.band.low
		}
		if share > worst {
			worst, at, mark = share, z, m
		}
		if share <= edge {
			continue
		}
		seen[m][z] = 1
		if share > 1.2 {
			seen[m][z] = 2
		}
		if share > 1.8 {
			seen[m][z] = 3
		}
	}
	if !spoils {
		return
	}
	if s.grade >= gradeMarginal && seen[mark][at] < 2 {
		seen[mark][at] = 2
	}
	if mark == nozzleHigh && d.u() < 0.35 {
		seen.put(d, blobs, patch, severity(d, s.grade), 0)
	}
	if mark == nozzleHigh && d.u() < 0.2 {
		seen.put(d, dragged, patch, severity(d, s.grade), 0)
	}
	if d.u() < 0.12 {
		seen.put(d, lifting, corners, 1+uint8(2*d.u()), 0)
	}
}

func (f *Farm) grimeSeverity(d *dice, severe bool) uint8 {
	u := d.u()
	switch {
	case severe && u < 0.07:
		return 3
	case severe && u < 0.35, u < 0.1:
		return 2
	}
	return 1
}

func severity(d *dice, grade uint8) uint8 {
	switch grade {
	case gradeFailed:
		return 2 + uint8(2*d.u())
	case gradeMarginal:
		return 1 + uint8(2*d.u())
	}
	return 1
}

// put paints a mark.
func (seen *marked) put(d *dice, mark uint8, where pattern, severity, bad uint8) {
	paint := func(z int) { seen[mark][z] = max(seen[mark][z], severity) }
	middle := int(d.u() * zones)
	switch where {
	case everywhere:
		for z := range zones {
			if d.u() < 0.85 {
				paint(z)
			}
		}
		paint(middle)
	case corners:
		paint([4]int{0, zoneCols - 1, zones - zoneCols, zones - 1}[int(d.u()*4)])
		if d.u() < 0.4 {
			paint([4]int{0, zoneCols - 1, zones - zoneCols, zones - 1}[int(d.u()*4)])
		}
	case badSpot:
		paint(int(bad))
		if d.u() < 0.3 {
			paint(middle)
		}
	case spot:
		paint(middle)
	case patch:
		paint(middle)
		for z := range zones {
			dc, dr := z%zoneCols-middle%zoneCols, z/zoneCols-middle/zoneCols
			if dc*dc+dr*dr <= 2 && d.u() < 0.45 {
				paint(z)
			}
		}
	}
}
