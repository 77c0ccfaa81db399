package firstlayer

import "math"

// common is how common the causes are before anything is seen, in log-odds
// against each other (common practice, no source). CannotTell stands for
// everything that has no name here.
var common = map[Cause]float64{NozzleLow: 0, NozzleHigh: 0.2, BedShape: 0, Tilt: -1, PlateHeight: -1, DirtyPlate: 0.2, PlateDamage: -0.5, OverBonding: -1, FeedLow: -0.7,
	FeedHigh: -0.9, NoStart: -2, Moisture: -1, Striping: -2, BedTemperature: -0.5, LocalSpot: -0.3, None: -1, CannotTell: 0.3}

// weights say for which causes a fact speaks and against which, in log-odds at
// full strength.
type weights map[Cause]float64

// rule is one line of the table: a fact, where it comes from, how strongly it is
// there (0: not at all, 1: fully), and what it speaks for. says is the fact in a
// few words; "" where it is never given as a reason.
type rule struct {
	says   string
	source string
	when   func(f *facts) float64
	weights
}

const (
	look   = "what it looks like: common practice, no source"
	own    = "design of this program; weights common practice, no source"
	model  = "bead model (rounded rectangle), derived"
	habits = "common practice, no source"
	book   = "height book: mixed model over all pairs; weights common practice, no source"
	meshes = "range, plane and rest of a mesh: common practice, no source"
)

// yes turns a truth into a strength.
func yes(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// against halves a fact beside another that takes from it.
func against(b bool) float64 {
	if b {
		return 0.5
	}
	return 1
}

// is: the height marks lie like that; where lines were measured these tell of
// spots and places, not the marks.
func is(p pattern) func(f *facts) float64 {
	return func(f *facts) float64 {
		if f.height == p && (!f.measured || p == allLow || p == allHigh || p == lowAndHigh) {
			return f.severity
		}
		return 0
	}
}

// wide: a mark in half of the zones or more; few: in fewer.
func wide(mark string) func(f *facts) float64 {
	return func(f *facts) float64 { return yes(f.share(mark) >= 0.5) }
}

func few(mark string) func(f *facts) float64 {
	return func(f *facts) float64 { return yes(f.has(mark) && f.share(mark) < 0.5) }
}

// here: a mark anywhere, by how strong it is.
func here(mark string) func(f *facts) float64 {
	return func(f *facts) float64 { return [...]float64{0, 0.75, 0.9, 1}[min(3, f.marks[mark].worst)] }
}

// gripped is here for marks that come together where nothing grips: each says
// less beside the others.
func gripped(mark string) func(f *facts) float64 {
	return func(f *facts) float64 {
		n := 0.0
		for _, m := range []string{"blobs", "dragged", "lifting"} {
			n += yes(f.has(m))
		}
		return here(mark)(f) / max(1, n*n/(2*n-1))
	}
}

// rules is everything the diagnosis goes by.
var rules = []rule{
	// Height as it shows.
	{"over-squished nearly everywhere", look, is(allLow), weights{NozzleLow: 4.2, PlateHeight: 2.7, FeedHigh: 1.8, OverBonding: 1, BedShape: 0.3}},
	{"slits nearly everywhere", look, is(allHigh), weights{NozzleHigh: 4.2, PlateHeight: 2.7, FeedLow: 1.8, BedShape: 0.3}},
	{"over-squished in some places only", meshes, is(someLow), weights{BedShape: 2.8, NozzleLow: 1.5, Tilt: 1, PlateHeight: 1}},
	{"slits in some places only", meshes, is(someHigh), weights{BedShape: 2.8, NozzleHigh: 1.5, Tilt: 1, PlateHeight: 1}},
	{"over-squished in one zone only", "a local spot is debris or plate damage: common practice, derived", is(spotLow), weights{LocalSpot: 3, PlateDamage: 1, BedShape: 0.8, NozzleLow: -0.5}},
	{"slits in one zone only", "a local spot is debris or plate damage: common practice, derived", is(spotHigh), weights{LocalSpot: 1.3, PlateDamage: 1, BedShape: 1, NozzleHigh: -0.3}},
	{"some zones low and some high", "tilt makes edges opposite, bow makes centre and rim differ: common practice, derived", is(lowAndHigh), weights{BedShape: 4.5, Tilt: 2.2, PlateHeight: 1, NozzleLow: -2, NozzleHigh: -2}},
	{"strong on one side, nothing on the other", meshes, func(f *facts) float64 { return yes(f.uneven) }, weights{BedShape: 1.6, Tilt: 1, NozzleLow: -0.6, NozzleHigh: -0.6}},
	{"low and high in the same zone", own, is(confused), weights{CannotTell: 1.5}},
	{"no zone shows low or high", look, func(f *facts) float64 { return yes(f.judged && f.height == plain) },
		weights{NozzleLow: -3, BedShape: -2, Tilt: -2, PlateHeight: -2.5}},
	{"no slits beside what did not grip", look, func(f *facts) float64 {
		return yes(f.judged && f.height == plain && !f.has("blobs") && !f.has("dragged"))
	}, weights{NozzleHigh: -2}},
	{"no slits anywhere", look, func(f *facts) float64 {
		return yes(f.judged && f.height == plain && !f.measured)
	}, weights{NozzleHigh: -0.8}},

	// Height as it was measured.
	{"single lines measure too thin", model, func(f *facts) float64 { return measured(f, f.low) }, weights{NozzleLow: 6, PlateHeight: 4.5, DirtyPlate: -1, BedShape: -0.5, FeedHigh: -1, OverBonding: -1}},
	{"single lines measure too thick", model, func(f *facts) float64 { return measured(f, f.high) }, weights{NozzleHigh: 6, PlateHeight: 4.5, DirtyPlate: -1.5, BedShape: -0.5, FeedLow: -2, BedTemperature: -1}},
	{"", "marks and lines that say the same are one fact, and neither says whose it is: own", func(f *facts) float64 {
		return yes(f.height == allLow)*measured(f, f.low) + yes(f.height == allHigh)*measured(f, f.high)
	}, weights{PlateHeight: 1.1}},
	{"the nozzle's height measures right", model, func(f *facts) float64 { return measured(f, f.mid) }, weights{NozzleLow: -4, NozzleHigh: -4, PlateHeight: -3, BedShape: -2, Tilt: -2, DirtyPlate: 0.6, BedTemperature: 0.5, FeedLow: 0.3}},
	{"line readings lean", meshes, func(f *facts) float64 { return yes(f.leans) }, weights{Tilt: 8, BedShape: 2.5, PlateHeight: 1.5}},
	{"a patch weighs too little", "mass does not depend on the gap: derived; film makers weigh too (ISO 4591)", func(f *facts) float64 { return light(f.feed) }, weights{FeedLow: 6.5, NozzleHigh: -2, NozzleLow: -1, PlateHeight: -2, DirtyPlate: -1}},
	{"a patch weighs too much", "mass does not depend on the gap: derived; film makers weigh too (ISO 4591)", func(f *facts) float64 { return light(2 - f.feed) }, weights{FeedHigh: 6.5, NozzleLow: -2, PlateHeight: -2}},
	{"a patch weighs what it should", "mass does not depend on the gap: derived; film makers weigh too (ISO 4591)", func(f *facts) float64 { return yes(math.Abs(f.feed-1) <= 0.03) }, weights{FeedLow: -4, FeedHigh: -4, NozzleLow: 0.6, NozzleHigh: 0.6}},

	// The feed.
	{"sparse lines in all zones alike", look, wide("under_fed"), weights{FeedLow: 5, NozzleHigh: 0.5}},
	{"sparse lines in places", look, few("under_fed"), weights{FeedLow: 2.2, NoStart: 0.5}},
	{"ridged in all zones alike", look, wide("over_fed"), weights{FeedHigh: 4.6, NozzleLow: 0.8}},
	{"ridged in places", look, few("over_fed"), weights{FeedHigh: 2, NozzleLow: 0.8}},
	{"lines are missing from the beginning", own, here("no_start"), weights{NoStart: 6.5, FeedLow: 0.5}},
	{"pits or popping in all zones", "wet filament: common practice; pits in every zone and layer", wide("moisture"), weights{Moisture: 5.5}},
	{"pits in places", "wet filament: common practice", few("moisture"), weights{Moisture: 2, CannotTell: 0.5}},
	{"bands at regular spacing", look, here("striping"), weights{Striping: 6}},

	// Grip.
	{"dull or bare patches", "oil, soap or adhesive residue: common practice, no source", here("contamination"), weights{DirtyPlate: 2.9, PlateDamage: 1.4, OverBonding: -1.5}},
	{"patches and nothing else", own, func(f *facts) float64 { return yes(f.only("contamination")) }, weights{DirtyPlate: 0.7}},
	{"lines did not grip in patches", look, func(f *facts) float64 { return yes(f.has("contamination") && f.grip()) }, weights{DirtyPlate: 0.9}},
	{"lumps carried about", "grip or height before moisture: common practice", gripped("blobs"), weights{DirtyPlate: 1.1, NozzleHigh: 0.8, Moisture: 0.3, LocalSpot: 0.3, OverBonding: -1, PlateHeight: -0.5}},
	{"lines dragged off at turns", "no grip: dirt, nozzle high, too fast, too cold: common practice", gripped("dragged"), weights{DirtyPlate: 1, NozzleHigh: 1, BedTemperature: 0.6, OverBonding: -1}},
	{"edges lift", "bed too cold, draught, dirty, too little squish: common practice", gripped("lifting"), weights{BedTemperature: 1.6, DirtyPlate: 1, NozzleHigh: 0.2, PlateDamage: 0.3, OverBonding: -1.5, NozzleLow: -0.5}},
	{"several corners lift and nothing else", "bed too cold or draught: common practice", func(f *facts) float64 {
		return yes(f.only("lifting") && f.marks["lifting"].zones > 1 && corners(&f.c.Layer, f.cols, f.rows))
	}, weights{BedTemperature: 1}},
	{"it lifts away from the corners", "corner lift comes from cold or draught: common practice", func(f *facts) float64 { return yes(f.has("lifting") && !f.atCorners) }, weights{BedTemperature: -1.2, PlateDamage: 0.5}},
	{"this material warps easily", "bed temperatures of materials: data sheets and common practice", func(f *facts) float64 { return yes(f.has("lifting") && warps(f)) }, weights{BedTemperature: 1}},
	{"long not cleaned", habits, func(f *facts) float64 { return yes(gripMatters(f) && f.c.Context.PrintsSinceClean >= 12) }, weights{DirtyPlate: 1.1, BedTemperature: -0.3}},
	{"some prints since it was cleaned", habits, func(f *facts) float64 {
		n := f.c.Context.PrintsSinceClean
		return yes(gripMatters(f) && n >= 5 && n < 12)
	}, weights{DirtyPlate: 0.4}},
	{"just cleaned", habits, func(f *facts) float64 { return yes(f.c.Context.PrintsSinceClean <= 3) }, weights{DirtyPlate: -1.5}},
	{"corners lift on a plate just cleaned", "corner lift comes from cold or draught: common practice", func(f *facts) float64 { return yes(f.atCorners && f.c.Context.PrintsSinceClean <= 3) }, weights{BedTemperature: 1.7}},
	{"no grip in one zone only", "worn glaze stays in its place, oil comes in streaks and finger marks: common practice", func(f *facts) float64 {
		return yes(f.oneZone && f.has("contamination") && (f.c.Layer.Grade == "marginal" || f.c.Layer.Grade == "failed"))
	}, weights{PlateDamage: 1.5, DirtyPlate: -0.8}},
	{"lumps in one place only", "a blob from a dirty nozzle: one place, then it stops: common practice", func(f *facts) float64 { return yes(f.oneZone && f.only("blobs")) }, weights{LocalSpot: 1.2, DirtyPlate: -0.5}},

	// The plate and what lies on it.
	{"a dent, scratch or tear shows", "plate life: common practice", here("plate_mark"), weights{PlateDamage: 4.4, LocalSpot: 0.5, DirtyPlate: -1.2, BedTemperature: -0.8}},
	{"no grip where the plate is marked", "worn glaze, tears: common practice", func(f *facts) float64 { return yes(f.markedThere) }, weights{PlateDamage: 1}},
	{"something lay on the plate", own, here("debris"), weights{LocalSpot: 5.2}},
	{"this material over-bonds on this surface", "PETG, TPU, PC on smooth PEI or glass: common practice, editable", func(f *facts) float64 { return yes(f.overBonds) }, weights{OverBonding: 0.5}},
	{"", "PETG, TPU, PC on smooth PEI or glass: common practice, editable", func(f *facts) float64 { return yes(!f.overBonds) }, weights{OverBonding: -6}},
	{"a degreased plate", "over-bonds on a bare plate: common practice, editable", func(f *facts) float64 { return yes(f.overBonds) * bare(f.c.Context.PrintsSinceClean) }, weights{OverBonding: 2.3}},
	{"the plate is marked where it over-bonds", "PETG may tear smooth PEI and chip glass: common practice", func(f *facts) float64 {
		return yes(f.overBonds && f.has("plate_mark") && !(f.c.Context.PrintsSinceClean > 3))
	}, weights{OverBonding: 3.2}},
	{"squished on where it over-bonds", habits, func(f *facts) float64 { return yes(f.overBonds && (f.has("over_fed") || f.height == allLow)) }, weights{OverBonding: 1.3}},
	{"something that has no name here", own, here("other"), weights{CannotTell: 1.5}},
	{"something odd where it over-bonds", habits, func(f *facts) float64 { return yes(f.overBonds && f.has("other")) }, weights{OverBonding: 2.7}},

	// Before it.
	{"no valid probe", "a mesh is true only for one bed, plate and place: common practice", func(f *facts) float64 { return yes(f.c.Context.stale()) }, weights{BedShape: 1, NozzleLow: 0.3, NozzleHigh: 0.3}},
	{"freshly probed", "a mesh is true only for one bed, plate and place: common practice", func(f *facts) float64 { return yes(f.c.Context.fresh()) }, weights{BedShape: -0.8}},
	{"service since the probe", "recheck Z after a nozzle change: common practice", func(f *facts) float64 { return yes(f.c.Context.Serviced == "yes") }, weights{NozzleLow: 0.6, NozzleHigh: 0.6, BedShape: 0.3}},
	{"still low though nudged up", own, func(f *facts) float64 {
		return yes(f.c.Layer.NudgeMM > 0 && (f.height == allLow || f.height == someLow))
	}, weights{NozzleLow: 0.6}},
	{"still high though nudged down", own, func(f *facts) float64 {
		return yes(f.c.Layer.NudgeMM < 0 && (f.height == allHigh || f.height == someHigh))
	}, weights{NozzleHigh: 0.6}},

	// Both frames.
	{"the same height on this printer’s other plates", "stays when the plate is swapped: the printer's", func(f *facts) float64 { return yes(f.printerAlike > 0) * against(f.plateAlike > 0) }, weights{NozzleLow: 1.2, NozzleHigh: 1.2, PlateHeight: -2.5}},
	{"the same height with this plate on other printers", "travels with the plate: the plate’s", func(f *facts) float64 { return min(1, 0.5*float64(f.plateAlike)) }, weights{PlateHeight: 5, NozzleLow: -1.5, NozzleHigh: -1.5, BedShape: -1}},
	{"this plate came out well on this printer before", "a plate’s thickness does not change, a printer’s zero does: derived", func(f *facts) float64 {
		return yes(f.height != plain) * min(1, 0.7*float64(f.pairGood)) * against(f.c.Context.Swapped == "yes")
	}, weights{PlateHeight: -1.8}},
	{"probed on another plate", "zero from the plate in place: its thickness shows on the next one", func(f *facts) float64 { return yes(f.height != plain && f.c.Context.Swapped == "yes") }, weights{PlateHeight: 0.3}},
	{"still the plate it was probed on", "zero from the plate in place: its thickness does not show", func(f *facts) float64 {
		return yes(f.height != plain && f.c.Context.Swapped == "no" && f.c.Context.Skipped == "yes")
	}, weights{PlateHeight: -0.6}},
	{"this printer’s other plates come out well", "stays or travels: own", func(f *facts) float64 {
		return yes(f.height != plain && f.printerAlike == 0 && f.pairGood == 0) * min(1, 0.5*float64(f.printerGood))
	}, weights{PlateHeight: 1.4, NozzleLow: -0.5, NozzleHigh: -0.5, BedShape: -0.3}},
	{"the pattern turned with the plate", "travels with the plate: the plate’s", func(f *facts) float64 { return yes(f.turnsAlong) }, weights{PlateHeight: 4.5, PlateDamage: 1.5, BedShape: -2, Tilt: -2}},
	{"the pattern stayed when the plate was turned", "stays when the plate is turned: the printer's", func(f *facts) float64 { return yes(f.staysTurned) }, weights{BedShape: 1.5, Tilt: 1, PlateHeight: -3, PlateDamage: -2}},
	{"the same lean on two fresh probes", "same pattern in two layers on fresh probes", func(f *facts) float64 { return yes(f.leanAgain) }, weights{Tilt: 5}},
	{"the latest mesh leans the same way", meshes, func(f *facts) float64 { return yes(f.meshLeans) }, weights{Tilt: 5}},
	{"the height book has this plate thicker", book, func(f *facts) float64 { return yes((f.height == allLow || f.low > 0.5) && f.thicker() > 0) }, weights{PlateHeight: 3, NozzleLow: -0.5}},
	{"the height book has this plate thinner", book, func(f *facts) float64 { return yes((f.height == allHigh || f.high > 0.5) && f.thicker() < 0) }, weights{PlateHeight: 3, NozzleHigh: -0.5}},
	{"the height book has this plate as thick as the others", book, func(f *facts) float64 { return yes(f.height != plain && f.asThick()) }, weights{PlateHeight: -2}},
	{"corners lift on this printer’s other plates too", "stays when the plate is swapped: the printer's", func(f *facts) float64 { return yes(f.has("lifting") && f.liftsAgain > 0) }, weights{BedTemperature: 1.5, DirtyPlate: -1, PlateDamage: -1}},
	{"the same place of the plate on another printer", "travels with the plate: the plate’s", func(f *facts) float64 { return yes(f.spotOnPlate > 0) }, weights{PlateDamage: 1.2, DirtyPlate: 0.8, LocalSpot: -1, BedTemperature: -1.5}},
	{"the same place again after cleaning", "worn glaze: common practice", func(f *facts) float64 { return yes(f.spotOnPlate > 0 && f.c.Context.PrintsSinceClean <= 3) }, weights{PlateDamage: 2.8, DirtyPlate: -1}},
	{"the same place of this plate before it was cleaned", "worn glaze: common practice", func(f *facts) float64 { return yes(f.spotCleaned > 0 && f.spotOnPlate == 0) }, weights{PlateDamage: 1.5, DirtyPlate: -0.8}},
	{"the same place of the bed under another plate", "stays when the plate is swapped: the printer's", func(f *facts) float64 { return yes(f.spotOnBed > 0) }, weights{LocalSpot: 1, BedShape: 0.7, PlateDamage: -2, DirtyPlate: -0.7}},

	// Nothing to see.
	{"graded a clean layer, no mark", own, func(f *facts) float64 { return yes(f.c.Layer.Grade == "clean" && len(f.marks) == 0) }, weights{None: 7}},
	{"no mark, and it ships", own, func(f *facts) float64 { return yes(f.c.Layer.Grade == "cosmetic" && len(f.marks) == 0) }, weights{None: 1.5}},
	{"it did not pass", own, func(f *facts) float64 { return yes(f.c.Layer.Grade == "failed" || f.c.Layer.Grade == "marginal") }, weights{None: -6}},
	{"there are marks", own, func(f *facts) float64 { return yes(len(f.marks) > 0) }, weights{None: -4}},
	{"no mark, and the height measures right", own, func(f *facts) float64 { return yes(len(f.marks) == 0) * measured(f, f.mid) }, weights{None: 2.5}},
}

// measured is how far a chance says more than even, where lines were measured.
func measured(f *facts, chance float64) float64 {
	if !f.measured || f.leans {
		return 0
	}
	return max(0, 2*chance-1)
}

// light grows from 0 at 5 % too little to 1 at 10 %.
func light(share float64) float64 {
	if math.IsNaN(share) {
		return 0
	}
	return min(1, max(0, (0.95-share)/0.05))
}

// bare is how bare a plate is after so many prints since it was cleaned.
func bare(prints float64) float64 {
	switch {
	case prints <= 1:
		return 1
	case prints <= 3:
		return 0.6
	case prints <= 6:
		return 0.3
	}
	return 0
}

func gripMatters(f *facts) bool { return f.grip() || f.has("contamination") }

// hot are polymers whose corners come up when the bed is cool (bed 90 °C and
// above by data sheets).
var hot = map[string]bool{"ABS": true, "ASA": true, "PA": true, "PC": true, "PP": true}

func warps(f *facts) bool { return hot[polymerOf(f.c)] }

// polymerOf is the leading letters of the polymer or the material's name.
func polymerOf(c *Case) string {
	name := c.Context.Polymer
	if name == "" {
		name = c.Layer.Material
	}
	out := []byte{}
	for i := range len(name) {
		b := name[i] &^ 0x20
		if b < 'A' || b > 'Z' {
			break
		}
		out = append(out, b)
	}
	return string(out)
}
