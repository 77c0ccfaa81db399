package simfarm

import "basecourse/internal/farm"

// policies writes down what the farm asks for of upkeep: washing for all, made
// stricter once; probing after work on a machine; a plate's own rule that ended.
func (d *demo) policies() {
	r := d.gen(13)
	version := func(name string, ago int64, who, why string, set func(*farm.Policy)) {
		at := d.now - ago
		p := farm.Policy{ID: d.f.newID(at, draw(r.Uint64()), idOther+5), Name: name, InForceFrom: instant(at), Person: who, Reason: why,
			Meta: farm.Meta{NotedAt: instant(at), NotedBy: who, ArrivedAt: instant(at)}}
		p.CleanHours, p.ProbeHours, p.Forecast = farm.Unknown(), farm.Unknown(), farm.NoForecast()
		set(&p)
		d.b.Policies = append(d.b.Policies, p)
	}
	version("Washing", 63*dayMicros, "henrike", "where we begin", func(p *farm.Policy) { p.WashPrints = 120 })
	version("Washing", 34*dayMicros, "henrike", "plates came back greasy", func(p *farm.Policy) {
		p.WashPrints = 80
		p.Forecast = farm.PolicyForecast{Starts: 14000, FailuresWas: 6.2, Failures: 5.9, FailuresSaved: 0.3, FailuresSavedLow: -0.2, FailuresSavedHigh: 0.9, WipesWas: 9.8, Wipes: 9.8,
			WashesWas: 0.7, Washes: 1.2, ProbesWas: 54, Probes: 54, PersonMinutesWas: 67.3, PersonMinutes: 69.8, MachineMinutesWas: 338, MachineMinutes: 341}
	})
	version("After work on a machine", 40*dayMicros, "anders", "two machines were moved and nobody probed", func(p *farm.Policy) { p.AfterService, p.AfterMove = "yes", "yes" })
	plate := d.names.plates[17-1]
	version(plate, 20*dayMicros, "henrike", "see whether it is dirt or wear", func(p *farm.Policy) { p.Plate, p.CleanPrints = plate, 3 })
	version(plate, 6*dayMicros, "henrike", "it is wear", func(p *farm.Policy) { p.Plate, p.Ended = plate, "yes" })
}
