package firstlayer

import "basecourse/internal/farm"

// placed are the zones of marks that belong to a place.
var placed = map[string]bool{"contamination": true, "lifting": true, "plate_mark": true, "debris": true, "nozzle_low": true, "nozzle_high": true}

// remember compares with earlier layers, in the printer's frame and the plate's.
func (f *facts) remember() {
	here := places(&f.c.Layer)
	for i := range f.c.Context.Earlier {
		e := &f.c.Context.Earlier[i]
		if e.Layer.Grade == "" && len(e.Layer.Marks) == 0 {
			continue
		}
		covered := len(e.Layer.Covered)
		if covered == 0 {
			covered = f.cols * f.rows
		}
		height, _ := heightOf(&e.Layer, covered)
		there := places(&e.Layer)
		turned := f.c.Layer.PlateTurned != "" && e.Layer.PlateTurned != "" && f.c.Layer.PlateTurned != e.Layer.PlateTurned
		if e.SamePlate == "yes" && !turned && f.cleanedSince(i) && sameSpot(&f.c.Layer, &e.Layer) {
			f.spotCleaned++
		}
		switch {
		case e.SamePrinter == "yes" && e.SamePlate == "no":
			if height != plain && height == f.height {
				f.printerAlike++
			}
			if good(&e.Layer) {
				f.printerGood++
			}
			if corners(&e.Layer, f.cols, f.rows) {
				f.liftsAgain++
			}
			if small(here, f) && overlap(here, there) {
				f.spotOnBed++
			}
		case e.SamePlate == "yes" && e.SamePrinter == "no":
			if (height == allLow || height == allHigh) && height == f.height {
				f.plateAlike++
			}
			if turned {
				there = f.turn(there)
			}
			if small(here, f) && overlap(here, there) {
				f.spotOnPlate++
			}
		case e.SamePlate == "yes" && e.SamePrinter == "yes" && good(&e.Layer):
			f.pairGood++
		case e.SamePlate == "yes" && turned && len(here) > 0 && len(there) > 0:
			along, stays := likeness(here, f.turn(there)), likeness(here, there)
			f.turnsAlong = f.turnsAlong || along > 0.6 && along > stays+0.3
			f.staysTurned = f.staysTurned || stays > 0.6 && stays > along+0.3
		}
		if e.SamePrinter == "yes" && e.Skipped == "no" && f.c.Context.fresh() && (f.height == lowAndHigh || f.height == someLow || f.height == someHigh) && height == f.height && likeness(here, there) > 0.6 {
			f.leanAgain = true
		}
	}
}

// cleanedSince tells whether the plate was surely cleaned since earlier layer i:
// more of its layers are known since than prints since it was cleaned.
func (f *facts) cleanedSince(i int) bool {
	n := 0
	for j := i + 1; j < len(f.c.Context.Earlier); j++ {
		if f.c.Context.Earlier[j].SamePlate == "yes" {
			n++
		}
	}
	return f.c.Context.PrintsSinceClean <= float64(n)
}

// sameSpot tells whether two layers did not grip, or were dull, in the same one or
// two zones.
func sameSpot(a, b *farm.FirstLayer) bool {
	spots := func(l *farm.FirstLayer) map[farm.Zone]bool {
		out := map[farm.Zone]bool{}
		for _, m := range l.Marks {
			switch m.Mark {
			case "blobs", "dragged", "lifting", "contamination", "plate_mark":
				out[m.Zone] = true
			}
		}
		return out
	}
	here, there := spots(a), spots(b)
	if len(here) > 2 || len(there) > 2 {
		return false
	}
	for z := range here {
		if there[z] {
			return true
		}
	}
	return false
}

// good tells whether a layer came out well.
func good(l *farm.FirstLayer) bool {
	return len(l.Marks) == 0 && (l.Grade == "clean" || l.Grade == "cosmetic")
}

// oneZone tells whether all marks of grip and dirt lie in the same zone.
func oneZone(l *farm.FirstLayer) bool {
	var at farm.Zone
	n := 0
	for _, m := range l.Marks {
		switch m.Mark {
		case "blobs", "dragged", "lifting", "contamination":
			if n++; n > 1 && m.Zone != at {
				return false
			}
			at = m.Zone
		}
	}
	return n > 0
}

// markedThere tells whether the plate is marked in a zone where it did not grip.
func markedThere(l *farm.FirstLayer) bool {
	for _, m := range l.Marks {
		if m.Mark != "plate_mark" {
			continue
		}
		for _, g := range l.Marks {
			if g.Zone == m.Zone && (g.Mark == "blobs" || g.Mark == "dragged" || g.Mark == "lifting" || g.Mark == "contamination") {
				return true
			}
		}
	}
	return false
}

type place struct {
	zone farm.Zone
	mark string
}

func places(l *farm.FirstLayer) map[place]bool {
	out := map[place]bool{}
	for _, m := range l.Marks {
		if placed[m.Mark] {
			out[place{m.Zone, m.Mark}] = true
		}
	}
	return out
}

// small tells whether the marks that belong to a place lie in a few zones.
func small(p map[place]bool, f *facts) bool {
	zones := map[farm.Zone]bool{}
	for x := range p {
		zones[x.zone] = true
	}
	return len(zones) > 0 && len(zones) <= max(1, f.cols*f.rows/4)
}

func overlap(a, b map[place]bool) bool {
	for x := range a {
		if b[x] {
			return true
		}
	}
	return false
}

// likeness is the share of places two layers have in common.
func likeness(a, b map[place]bool) float64 {
	common, all := 0, len(b)
	for x := range a {
		if b[x] {
			common++
		} else {
			all++
		}
	}
	if all == 0 {
		return 0
	}
	return float64(common) / float64(all)
}

func (f *facts) turn(p map[place]bool) map[place]bool {
	out := make(map[place]bool, len(p))
	for x := range p {
		x.zone = farm.Zone{Col: uint8(f.cols-1) - x.zone.Col, Row: uint8(f.rows-1) - x.zone.Row}
		out[x] = true
	}
	return out
}

// corners tells whether a layer lifts, and only at corners.
func corners(l *farm.FirstLayer, cols, rows int) bool {
	n := 0
	for _, m := range l.Marks {
		if m.Mark != "lifting" {
			continue
		}
		if c, r := int(m.Zone.Col), int(m.Zone.Row); c != 0 && c != cols-1 || r != 0 && r != rows-1 {
			return false
		}
		n++
	}
	return n > 0
}
