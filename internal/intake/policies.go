package intake

import (
	"strconv"
	"time"

	"basecourse/internal/farm"
)

func policies() *Table {
	type R = farm.Policy
	type F = farm.PolicyForecast
	blank := R{CleanHours: nan, ProbeHours: nan, Forecast: farm.NoForecast()}
	expected := func(name string, least float64, get func(*F) *float64) Field {
		return num(name, least, 1e9, func(r *R) *float64 { return get(&r.Forecast) })
	}
	return event(table(farm.KindPolicy, "policies", blank,
		ident("policy", func(r *R) *farm.ID { return &r.ID }),
		text("name", func(r *R) *string { return &r.Name }).must(),
		when("in_force_from", func(r *R) *time.Time { return &r.InForceFrom }).must().ahead(),
		code("ended", []string{"yes"}, func(r *R) *string { return &r.Ended }),
		code("surface", farm.Surfaces, func(r *R) *string { return &r.Surface }),
		key("material", farm.KindMaterial, func(r *R) *string { return &r.Material }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }),
		whole("job_plates_from", 1, 30000, func(r *R) *int { return &r.JobPlatesFrom }),
		whole("job_plates_to", 1, 30000, func(r *R) *int { return &r.JobPlatesTo }),
		whole("clean_prints", 1, 1000, func(r *R) *int { return &r.CleanPrints }),
		num("clean_hours", 0, 8760, func(r *R) *float64 { return &r.CleanHours }).above(),
		whole("wash_prints", 1, 10000, func(r *R) *int { return &r.WashPrints }),
		whole("probe_starts", 1, 1000, func(r *R) *int { return &r.ProbeStarts }),
		num("probe_hours", 0, 8760, func(r *R) *float64 { return &r.ProbeHours }).above(),
		code("probe_after_swap", farm.YesNo, func(r *R) *string { return &r.AfterSwap }),
		code("probe_after_service", farm.YesNo, func(r *R) *string { return &r.AfterService }),
		code("probe_after_move", farm.YesNo, func(r *R) *string { return &r.AfterMove }),
		code("probe_after_temperature", farm.YesNo, func(r *R) *string { return &r.AfterTemperature }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }).must(),
		expected("forecast_starts", 0, func(f *F) *float64 { return &f.Starts }),
		expected("failures_was", 0, func(f *F) *float64 { return &f.FailuresWas }),
		expected("failures_expected", 0, func(f *F) *float64 { return &f.Failures }),
		expected("failures_saved", -100, func(f *F) *float64 { return &f.FailuresSaved }),
		expected("failures_saved_low", -100, func(f *F) *float64 { return &f.FailuresSavedLow }),
		expected("failures_saved_high", -100, func(f *F) *float64 { return &f.FailuresSavedHigh }),
		expected("wipes_was", 0, func(f *F) *float64 { return &f.WipesWas }),
		expected("wipes_expected", 0, func(f *F) *float64 { return &f.Wipes }),
		expected("washes_was", 0, func(f *F) *float64 { return &f.WashesWas }),
		expected("washes_expected", 0, func(f *F) *float64 { return &f.Washes }),
		expected("probes_was", 0, func(f *F) *float64 { return &f.ProbesWas }),
		expected("probes_expected", 0, func(f *F) *float64 { return &f.Probes }),
		expected("person_minutes_was", 0, func(f *F) *float64 { return &f.PersonMinutesWas }),
		expected("person_minutes_expected", 0, func(f *F) *float64 { return &f.PersonMinutes }),
		expected("machine_minutes_was", 0, func(f *F) *float64 { return &f.MachineMinutesWas }),
		expected("machine_minutes_expected", 0, func(f *F) *float64 { return &f.MachineMinutes }),
	), "in_force_from", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		var out []fieldProblem
		if !farm.ValidKey(r.Name, 64) {
			out = append(out, fieldProblem{"name", r.Name, "1 to 64 characters, no blank at either end"})
		}
		if r.JobPlatesTo > 0 && r.JobPlatesTo < r.JobPlatesFrom {
			out = append(out, fieldProblem{"job_plates_to", strconv.Itoa(r.JobPlatesTo), "at least job_plates_from, which is " + strconv.Itoa(r.JobPlatesFrom)})
		}
		asks := r.CleanPrints > 0 || r.WashPrints > 0 || r.ProbeStarts > 0 || farm.Known(r.CleanHours) || farm.Known(r.ProbeHours) ||
			r.AfterSwap == "yes" || r.AfterService == "yes" || r.AfterMove == "yes" || r.AfterTemperature == "yes"
		if asks == (r.Ended == "yes") {
			if asks {
				out = append(out, fieldProblem{"ended", "yes", "nothing where the policy still asks for something; what ends it asks for nothing"})
			} else {
				out = append(out, fieldProblem{"clean_prints", "", "at least one rule, such as clean_prints or probe_starts, or ended = yes"})
			}
		}
		if asks && r.Surface != "" && r.Plate != "" {
			out = append(out, fieldProblem{"surface", r.Surface, "nothing where one plate is named: it has its own surface"})
		}
		return out
	})
}
