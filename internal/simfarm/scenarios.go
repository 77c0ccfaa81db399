package simfarm

// Scenarios lists the farms the findings are validated on, quiet first. About
// one subject in ten is affected where something is wrong.
func Scenarios() []Scenario {
	var all []Scenario
	add := func(name, about string, change ...func(*Scenario)) {
		s := Default()
		s.Name, s.About = name, about
		for _, c := range change {
			c(&s)
		}
		all = append(all, s)
	}
	add("quiet", "nothing wrong: no zero leaves the band, oil does no harm")
	add("wander", "some printers' zero wanders or jumps between probes", wanders)
	add("oily_plates", "oil builds up on some plates", oilyPlates)
	add("oily_printers", "some printers' cold beds forgive no oil", oilyPrinters)
	add("both", "wandering zeros and oily plates", wanders, oilyPlates)
	add("strict_night", "a strict night crew that also skips probing; nothing else wrong", strictNight)
	add("strict_night_all", "a strict night crew that also skips, with wandering zeros and oily plates", strictNight, wanders, oilyPlates)
	add("reactive", "plates cleaned because a layer failed, failures in bursts, some plates oily beyond a threshold", reactive, oilyPlates, threshold)
	add("worn_rough_hard", "worn plates, rough printers, hard materials skipped more; zeros wander", wornRoughHard, wanders)
	add("cold_spell", "a cold spell in which the crew skips more and cleans less; zeros wander, plates oily", coldSpell, wanders, oilyPlates)
	add("over_bonding", "fresh plates and blobs from probing do harm: the reverse", overBonding)
	add("unlogged", "probes and cleanings never logged; zeros wander, plates oily", unlogged, wanders, oilyPlates)
	add("drift", "printers' own risk, skipping and cleaning drift together; some zeros wander, some plates oily", drift, wanders, oilyPlates)
	add("quiet_nasty", "nothing wrong with probing or cleaning, everything else is", strictNight, wornRoughHard, reactive)
	add("everything", "all of it at once", strictNight, wanders, oilyPlates, oilyPrinters, reactive, wornRoughHard, coldSpell, unlogged, drift, thickPlates)
	add("grimy", "on some plates oil shows and does no harm; nothing else wrong", grimy)
	add("grimy_oily", "on some plates oil shows and does no harm, others fail by it; zeros wander", grimy, wanders, oilyPlates)
	return all
}

// Filmed is a farm on which something builds up on some plates that no wipe takes off,
// washed once in ten cleanings; elsewhere zeros wander and oil builds up.
func Filmed() Scenario {
	s := Default()
	s.Name, s.About = "filmed", "on some plates a film builds up that only a wash takes off; zeros wander, plates oily"
	wanders(&s)
	oilyPlates(&s)
	s.FilmPlates, s.WashShare = Spread{0.12, 0.05, 0.4}, 0.10
	return s
}

// Moody is a farm with a hidden confounder: bad days of a printer and printers that are
// given up on are skipped more and fail more for reasons that no record tells; zeros
// wander, plates are oily.
func Moody() Scenario {
	s := Default()
	s.Name, s.About = "moody", "what makes people skip makes layers fail, by days and by machines; zeros wander, plates oily"
	wanders(&s)
	oilyPlates(&s)
	s.RoughMean, s.RoughSD = 0.02, 0.5
	s.MoodSD, s.MoodRisk, s.SkipSD, s.SkipRisk = 1.2, 0.8, 0.9, 0.6
	return s
}

// Named gives the scenario of a name.
func Named(name string) (Scenario, bool) {
	for _, s := range Scenarios() {
		if s.Name == name {
			return s, true
		}
	}
	return Scenario{}, false
}

func wanders(s *Scenario) {
	s.Wander = Spread{0.09, 0.012, 0.027}
	s.JumpMM, s.JumpChance = Spread{0.04, 0.04, 0.10}, 0.04
}

func grimy(s *Scenario) { s.GrimyPlates, s.OilForm = Spread{0.15, 0.04, 0.3}, OilSaturating }

func oilyPlates(s *Scenario) {
	s.OilPlates = Spread{0.10, 0.02, 0.26}
	s.OilForm = OilSaturating
}

func threshold(s *Scenario) { s.OilForm = OilThreshold }

func oilyPrinters(s *Scenario) {
	s.OilPrinters = Spread{0.10, 0.015, 0.12}
	s.Cookers = Spread{0.10, 1.5, 3}
}

func thickPlates(s *Scenario) { s.ThickPlates = Spread{0.06, 0.02, 0.04} }

func strictNight(s *Scenario) { s.NightStrict, s.NightSkip, s.NightClean = 0.55, 1.1, 0.7 }

func reactive(s *Scenario) {
	s.Reactive = 0.85
	s.PrinterBurst, s.PlateBurst = 0.004, 0.005
}

func wornRoughHard(s *Scenario) {
	s.WornPlates = Spread{0.12, 0.02, 0.09}
	s.RoughPrinters = Spread{0.12, 0.02, 0.09}
	s.MaterialRisk, s.HardSkip = 0.016, 1.3
}

func coldSpell(s *Scenario) {
	s.ColdFrom, s.ColdDays, s.ColdRisk, s.ColdBays, s.ColdSkip, s.ColdClean = 24, 9, 0.06, 0.6, 0.7, 0.6
}

func overBonding(s *Scenario) {
	s.OverBond = Spread{0.25, 0.03, 0.25}
	s.TipBlobs = Spread{0.10, 0.02, 0.12}
}

func unlogged(s *Scenario) { s.UnloggedProbes, s.UnloggedCleanings = 0.12, 0.15 }

func drift(s *Scenario) {
	s.DriftSD, s.DriftSkip, s.DriftClean = 0.6, 0.9, 0.5
	s.RoughMean = 0.014
}

// Large is a farm for benchmarks with about so many first layers, two plates a
// printer and a little of what goes wrong: wandering zeros and oily plates.
func Large(printers, firstLayers int) Scenario {
	s := Default()
	s.Name, s.About = "large", "for benchmarks"
	s.Printers, s.Plates, s.Bays = printers, 2*printers, max(1, printers/12)
	wanders(&s)
	oilyPlates(&s)
	s.Days = max(1, int(float64(firstLayers)/float64(printers)/((s.StartsLow+s.StartsMax)/2)+0.5))
	return s
}
