package intake

import (
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
)

// Tables are the files of the bundle in the order in which they are read: things
// before what names them, events last.
var Tables = []*Table{
	printers(), screws(), plates(), materials(), people(), jobs(), shifts(), instruments(), settings(), mappings(),
	firstLayers(), cleanings(), probes(), probesSkipped(), offsetChanges(), services(), fittings(), plateStates(), holds(), disagreements(), adviceDone(), tasksSkipped(), policies(), handovers(), handoverEntries(), jobForecasts(), photos(), regrades(), practiceItems(), qualifications(), draws(),
	caseSteps(), plannedTests(), evidenceSheets(),
}

var nan = farm.Unknown()

func printers() *Table {
	type R = farm.Printer
	return table(farm.KindPrinter, "printers", R{BedXMM: nan, BedYMM: nan, ZStepMM: nan},
		key("printer", "", func(r *R) *string { return &r.Tag }).must(),
		text("name", func(r *R) *string { return &r.Name }),
		text("bay", func(r *R) *string { return &r.Bay }),
		num("bed_x_mm", 50, 2000, func(r *R) *float64 { return &r.BedXMM }).must(),
		num("bed_y_mm", 50, 2000, func(r *R) *float64 { return &r.BedYMM }).must(),
		whole("zone_cols", 1, 9, func(r *R) *int { return &r.ZoneCols }),
		whole("zone_rows", 1, 9, func(r *R) *int { return &r.ZoneRows }),
		num("z_step_mm", 0, 1, func(r *R) *float64 { return &r.ZStepMM }).above(),
		code("zero_from", farm.ZeroFroms, func(r *R) *string { return &r.ZeroFrom }),
		code("probing_recorded", farm.Recordings, func(r *R) *string { return &r.ProbingRecorded }),
		when("in_service_from", func(r *R) *time.Time { return &r.InServiceFrom }),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return inOrder("in_service_from", r.InServiceFrom, "retired_at", r.RetiredAt)
	})
}

func screws() *Table {
	type R = farm.Screw
	return table(farm.KindScrew, "screws", R{XMM: nan, YMM: nan, PitchMM: nan},
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		key("screw", "", func(r *R) *string { return &r.Screw }).must(),
		num("x_mm", -2000, 4000, func(r *R) *float64 { return &r.XMM }).must(),
		num("y_mm", -2000, 4000, func(r *R) *float64 { return &r.YMM }).must(),
		num("pitch_mm", 0, 20, func(r *R) *float64 { return &r.PitchMM }).must().above(),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	)
}

func plates() *Table {
	type R = farm.Plate
	return table(farm.KindPlate, "plates", R{SizeXMM: nan, SizeYMM: nan},
		key("plate", "", func(r *R) *string { return &r.Tag }).must(),
		code("surface", farm.Surfaces, func(r *R) *string { return &r.Surface }).must(),
		num("size_x_mm", 0, 4000, func(r *R) *float64 { return &r.SizeXMM }).above(),
		num("size_y_mm", 0, 4000, func(r *R) *float64 { return &r.SizeYMM }).above(),
		when("in_service_from", func(r *R) *time.Time { return &r.InServiceFrom }),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return inOrder("in_service_from", r.InServiceFrom, "retired_at", r.RetiredAt)
	})
}

func materials() *Table {
	type R = farm.Material
	return table(farm.KindMaterial, "materials", R{BedTempC: nan},
		key("material", "", func(r *R) *string { return &r.Name }).must(),
		text("polymer", func(r *R) *string { return &r.Polymer }),
		num("bed_temp_c", 0, 200, func(r *R) *float64 { return &r.BedTempC }),
		text("note", func(r *R) *string { return &r.Note }),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	)
}

func people() *Table {
	type R = farm.Person
	return table(farm.KindPerson, "people", R{},
		key("person", "", func(r *R) *string { return &r.Handle }).must(),
		text("name", func(r *R) *string { return &r.Name }),
		code("role", farm.Roles, func(r *R) *string { return &r.Role }),
	)
}

func jobs() *Table {
	type R = farm.Job
	return table(farm.KindJob, "jobs", R{HoursPerPlate: nan, FirstLayerMinutes: nan, Value: nan, LateFeePerHour: nan},
		key("job", "", func(r *R) *string { return &r.Job }).must(),
		text("name", func(r *R) *string { return &r.Name }),
		whole("quantity", 1, 1e9, func(r *R) *int { return &r.Quantity }),
		whole("plates_needed", 1, 1e9, func(r *R) *int { return &r.PlatesNeeded }),
		num("hours_per_plate", 0, 10000, func(r *R) *float64 { return &r.HoursPerPlate }).above(),
		num("first_layer_minutes", 0, 10000, func(r *R) *float64 { return &r.FirstLayerMinutes }).above(),
		key("material", farm.KindMaterial, func(r *R) *string { return &r.Material }),
		code("underside", farm.Undersides, func(r *R) *string { return &r.Underside }),
		when("earliest_start", func(r *R) *time.Time { return &r.EarliestStart }).ahead(),
		when("due", func(r *R) *time.Time { return &r.Due }).ahead(),
		num("value", 0, 1e15, func(r *R) *float64 { return &r.Value }),
		num("late_fee_per_hour", 0, 1e15, func(r *R) *float64 { return &r.LateFeePerHour }),
		when("closed_at", func(r *R) *time.Time { return &r.ClosedAt }),
	)
}

func shifts() *Table {
	type R = farm.Shift
	return table(farm.KindShift, "shifts", R{},
		key("shift", "", func(r *R) *string { return &r.Shift }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }).must(),
		when("starts_at", func(r *R) *time.Time { return &r.StartsAt }).must().ahead(),
		when("ends_at", func(r *R) *time.Time { return &r.EndsAt }).must().ahead(),
		text("bay", func(r *R) *string { return &r.Bay }),
		when("cancelled_at", func(r *R) *time.Time { return &r.CancelledAt }),
	).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if p := inOrder("starts_at", r.StartsAt, "ends_at", r.EndsAt); p != nil {
			return p
		}
		if !r.StartsAt.IsZero() && r.StartsAt.Equal(r.EndsAt) {
			return []fieldProblem{{"ends_at", Stamp(r.EndsAt), "a time after starts_at"}}
		}
		return nil
	})
}

func instruments() *Table {
	type R = farm.Instrument
	return table(farm.KindInstrument, "instruments", R{ResolutionMM: nan, UncertaintyMM: nan},
		key("instrument", "", func(r *R) *string { return &r.Instrument }).must(),
		code("kind", farm.Instruments, func(r *R) *string { return &r.Kind }),
		num("resolution_mm", 0, 10, func(r *R) *float64 { return &r.ResolutionMM }),
		num("uncertainty_mm", 0, 10, func(r *R) *float64 { return &r.UncertaintyMM }),
		when("checked_at", func(r *R) *time.Time { return &r.CheckedAt }),
		when("check_due", func(r *R) *time.Time { return &r.CheckDue }).ahead(),
		code("check_result", farm.CheckResults, func(r *R) *string { return &r.CheckResult }),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	)
}

func settings() *Table {
	type R = farm.Setting
	return table(farm.KindSetting, "settings", R{},
		key("key", "", func(r *R) *string { return &r.Key }).must(),
		text("value", func(r *R) *string { return &r.Value }).must(),
	).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		rule, known := farm.SettingRuleOf(r.Key)
		switch {
		case r.Key != "" && !known:
			return []fieldProblem{{"key", r.Key, "one of " + settingKeys()}}
		case known && r.Value != "" && !rule.Valid(r.Value):
			return []fieldProblem{{"value", r.Value, rule.Expected}}
		}
		return nil
	})
}

func settingKeys() string {
	s := ""
	for i, r := range slices.Concat(farm.SettingRules, farm.TextRules) {
		if i > 0 {
			s += " "
		}
		s += r.Key
	}
	return s
}

func firstLayers() *Table {
	type R = farm.FirstLayer
	t := table(farm.KindFirstLayer, "first_layers",
		R{NozzleMM: nan, LayerHeightMM: nan, LineWidthMM: nan, LinePitchMM: nan, NudgeMM: nan, LookChance: nan},
		ident("first_layer", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }),
		when("started_at", func(r *R) *time.Time { return &r.StartedAt }).must(),
		code("start_is", farm.StartIs, func(r *R) *string { return &r.StartIs }),
		code("grade", farm.Grades, func(r *R) *string { return &r.Grade }),
		key("grader", farm.KindPerson, func(r *R) *string { return &r.Grader }),
		when("graded_at", func(r *R) *time.Time { return &r.GradedAt }),
		key("material", farm.KindMaterial, func(r *R) *string { return &r.Material }),
		text("lot", func(r *R) *string { return &r.Lot }),
		num("nozzle_mm", 0.05, 10, func(r *R) *float64 { return &r.NozzleMM }),
		key("job", farm.KindJob, func(r *R) *string { return &r.Job }),
		code("underside", farm.Undersides, func(r *R) *string { return &r.Underside }),
		num("layer_height_mm", 0.05, 1, func(r *R) *float64 { return &r.LayerHeightMM }),
		num("line_width_mm", 0.1, 3, func(r *R) *float64 { return &r.LineWidthMM }),
		num("line_pitch_mm", 0.01, 10, func(r *R) *float64 { return &r.LinePitchMM }),
		list("marks", Marks, func(r *R) *[]farm.Mark { return &r.Marks }),
		list("readings", Readings, func(r *R) *[]farm.Reading { return &r.Readings }),
		key("instrument", farm.KindInstrument, func(r *R) *string { return &r.Instrument }),
		list("covered", Zones, func(r *R) *[]farm.Zone { return &r.Covered }),
		code("seen_from", farm.SeenFroms, func(r *R) *string { return &r.SeenFrom }),
		code("plate_side", farm.Sides, func(r *R) *string { return &r.PlateSide }),
		code("plate_turned", farm.YesNo, func(r *R) *string { return &r.PlateTurned }),
		code("probed", farm.YesNo, func(r *R) *string { return &r.Probed }),
		num("nudge_mm", -1, 1, func(r *R) *float64 { return &r.NudgeMM }),
		code("decision", farm.Decisions, func(r *R) *string { return &r.Decision }),
		code("outcome", farm.Outcomes, func(r *R) *string { return &r.Outcome }),
		code("looked_because", farm.LookedBecause, func(r *R) *string { return &r.LookedBecause }),
		num("look_chance", 0, 1, func(r *R) *float64 { return &r.LookChance }),
		text("note", func(r *R) *string { return &r.Note }),
		code("unseen", farm.Unseens, func(r *R) *string { return &r.Unseen }),
		code("look_drawn", farm.LookDraws, func(r *R) *string { return &r.LookDrawn }),
	)
	for i := range t.Fields {
		t.Fields[i].Fill = true
	}
	return event(t, "started_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if r.Unseen != "" && r.Grade != "" {
			return []fieldProblem{{"unseen", r.Unseen, "nothing on a first layer that is graded: somebody saw it"}}
		}
		if r.LookDrawn != "" && !(r.LookChance > 0) && r.LookDrawn != "no" {
			return []fieldProblem{{"look_chance", "", "the chance above 0 with which the start was drawn, beside look_drawn"}}
		}
		return inOrder("started_at", r.StartedAt, "graded_at", r.GradedAt)
	})
}

func cleanings() *Table {
	type R = farm.Cleaning
	return event(table(farm.KindCleaning, "cleanings", R{},
		ident("cleaning", func(r *R) *farm.ID { return &r.ID }),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }).must(),
		when("cleaned_at", func(r *R) *time.Time { return &r.CleanedAt }).must(),
		code("method", farm.Methods, func(r *R) *string { return &r.Method }).must(),
		code("plate_side", farm.Sides, func(r *R) *string { return &r.PlateSide }),
		text("agent", func(r *R) *string { return &r.Agent }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("note", func(r *R) *string { return &r.Note }),
	), "cleaned_at", func(r *R) *farm.Meta { return &r.Meta })
}

func probes() *Table {
	type R = farm.Probe
	heights := list("heights_mm", Heights, func(r *R) *[]float64 { return &r.HeightsMM })
	heights.Min, heights.Max = -5, 5
	return event(table(farm.KindProbe, "probes",
		R{BedTempC: nan, SoakMinutes: nan, XMinMM: nan, XMaxMM: nan, YMinMM: nan, YMaxMM: nan},
		ident("probe", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		when("probed_at", func(r *R) *time.Time { return &r.ProbedAt }).must(),
		code("extent", farm.Extents, func(r *R) *string { return &r.Extent }),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }),
		code("plate_side", farm.Sides, func(r *R) *string { return &r.PlateSide }),
		code("plate_turned", farm.YesNo, func(r *R) *string { return &r.PlateTurned }),
		num("bed_temp_c", 0, 200, func(r *R) *float64 { return &r.BedTempC }),
		num("soak_minutes", 0, 10000, func(r *R) *float64 { return &r.SoakMinutes }),
		code("in_use", farm.YesNo, func(r *R) *string { return &r.InUse }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		num("x_min_mm", -2000, 4000, func(r *R) *float64 { return &r.XMinMM }),
		num("x_max_mm", -2000, 4000, func(r *R) *float64 { return &r.XMaxMM }),
		num("y_min_mm", -2000, 4000, func(r *R) *float64 { return &r.YMinMM }),
		num("y_max_mm", -2000, 4000, func(r *R) *float64 { return &r.YMaxMM }),
		whole("columns", 1, 200, func(r *R) *int { return &r.Columns }),
		whole("rows", 1, 200, func(r *R) *int { return &r.Rows }),
		heights,
	), "probed_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem { return checkProbe(rec.(*R)) })
}

func probesSkipped() *Table {
	type R = farm.ProbeSkipped
	return event(table(farm.KindProbeSkipped, "probes_skipped", R{},
		ident("probe_skipped", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("reason", farm.SkipReasons, func(r *R) *string { return &r.Reason }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("note", func(r *R) *string { return &r.Note }),
	), "at", func(r *R) *farm.Meta { return &r.Meta })
}

func tasksSkipped() *Table {
	type R = farm.TaskSkipped
	return event(table(farm.KindTaskSkipped, "tasks_skipped", R{},
		ident("task_skipped", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }),
		code("task", farm.SkippedTasks, func(r *R) *string { return &r.Task }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("reason", farm.SkipReasons, func(r *R) *string { return &r.Reason }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("note", func(r *R) *string { return &r.Note }),
	), "at", func(r *R) *farm.Meta { return &r.Meta })
}

// photos are pictures of first layers; the files stand beside the table, as
// photos/SHA256.jpg.
func photos() *Table {
	type R = farm.Photo
	return event(table(farm.KindPhoto, "photos", R{},
		ident("photo", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		text("first_layer", func(r *R) *string { return &r.FirstLayer }).must(),
		when("taken_at", func(r *R) *time.Time { return &r.TakenAt }).must(),
		text("sha256", func(r *R) *string { return &r.SHA256 }).must(),
		whole("width_px", 1, 10000, func(r *R) *int { return &r.WidthPX }),
		whole("height_px", 1, 10000, func(r *R) *int { return &r.HeightPX }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
	), "taken_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if _, err := farm.NewID(farm.KindFirstLayer, r.FirstLayer); err != nil {
			return []fieldProblem{{"first_layer", r.FirstLayer, "the id of a first layer: 1 to 64 characters"}}
		}
		if raw, err := hex.DecodeString(r.SHA256); err != nil || len(raw) != 32 || strings.ToLower(r.SHA256) != r.SHA256 {
			return []fieldProblem{{"sha256", r.SHA256, "64 hexadecimal digits in lower case"}}
		}
		return nil
	})
}

func offsetChanges() *Table {
	type R = farm.OffsetChange
	return event(table(farm.KindOffsetChange, "offset_changes", R{FromMM: nan, ToMM: nan},
		ident("offset_change", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		when("changed_at", func(r *R) *time.Time { return &r.ChangedAt }).must(),
		num("from_mm", -100, 100, func(r *R) *float64 { return &r.FromMM }),
		num("to_mm", -100, 100, func(r *R) *float64 { return &r.ToMM }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }),
	), "changed_at", func(r *R) *farm.Meta { return &r.Meta })
}

func services() *Table {
	type R = farm.Service
	return event(table(farm.KindService, "services", R{},
		ident("service", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		when("done_at", func(r *R) *time.Time { return &r.DoneAt }).must(),
		code("work", farm.Works, func(r *R) *string { return &r.Work }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("note", func(r *R) *string { return &r.Note }),
	), "done_at", func(r *R) *farm.Meta { return &r.Meta })
}

func fittings() *Table {
	type R = farm.Fitting
	return event(table(farm.KindFitting, "fittings", R{},
		ident("fitting", func(r *R) *farm.ID { return &r.ID }),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }).must(),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		when("fitted_at", func(r *R) *time.Time { return &r.FittedAt }).must(),
		when("removed_at", func(r *R) *time.Time { return &r.RemovedAt }).fill(),
		code("plate_side", farm.Sides, func(r *R) *string { return &r.PlateSide }),
		code("plate_turned", farm.YesNo, func(r *R) *string { return &r.PlateTurned }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
	), "fitted_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return inOrder("fitted_at", r.FittedAt, "removed_at", r.RemovedAt)
	})
}

func plateStates() *Table {
	type R = farm.PlateState
	return event(table(farm.KindPlateState, "plate_states", R{},
		ident("plate_state", func(r *R) *farm.ID { return &r.ID }),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("state", farm.PlateStates, func(r *R) *string { return &r.State }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }),
	), "at", func(r *R) *farm.Meta { return &r.Meta })
}

func holds() *Table {
	type R = farm.Hold
	return event(table(farm.KindHold, "holds", R{},
		ident("hold", func(r *R) *farm.ID { return &r.ID }),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		when("placed_at", func(r *R) *time.Time { return &r.PlacedAt }).must(),
		when("released_at", func(r *R) *time.Time { return &r.ReleasedAt }).fill(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }),
		key("released_by", farm.KindPerson, func(r *R) *string { return &r.ReleasedBy }).fill(),
		text("release_reason", func(r *R) *string { return &r.ReleaseReason }).fill(),
		code("release_is", farm.Releases, func(r *R) *string { return &r.ReleaseIs }).fill(),
	), "placed_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return inOrder("placed_at", r.PlacedAt, "released_at", r.ReleasedAt)
	})
}

func disagreements() *Table {
	type R = farm.Disagreement
	return event(table(farm.KindDisagreement, "disagreements", R{},
		ident("disagreement", func(r *R) *farm.ID { return &r.ID }),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		code("cause", farm.Causes, func(r *R) *string { return &r.Cause }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("state", farm.Evidences, func(r *R) *string { return &r.State }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }).must(),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return causeOf(r.SubjectKind, r.Cause)
	})
}

func adviceDone() *Table {
	type R = farm.AdviceDone
	return event(table(farm.KindAdviceDone, "advice_done", R{ExpectedRate: nan, ExpectedLayers: nan},
		ident("advice_done", func(r *R) *farm.ID { return &r.ID }),
		text("first_layer", func(r *R) *string { return &r.FirstLayer }).must(),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("answer", farm.AdviceAnswers, func(r *R) *string { return &r.Answer }).must(),
		code("action", farm.AdviceActions, func(r *R) *string { return &r.Action }).must(),
		code("cause", farm.LayerCauses, func(r *R) *string { return &r.Cause }),
		text("record", func(r *R) *string { return &r.Record }),
		whole("good_needed", 1, 1000, func(r *R) *int { return &r.GoodNeeded }),
		num("expected_rate", 0, 1, func(r *R) *float64 { return &r.ExpectedRate }),
		num("expected_layers", 0, 1e9, func(r *R) *float64 { return &r.ExpectedLayers }).above(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		for _, x := range []struct{ name, text string }{{"first_layer", r.FirstLayer}, {"record", r.Record}} {
			if _, err := farm.NewID(farm.KindFirstLayer, x.text); err != nil {
				return []fieldProblem{{x.name, x.text, "the id of a record: 1 to 64 characters"}}
			}
		}
		switch {
		case r.Answer != "done" && r.Reason == "":
			return []fieldProblem{{"reason", "", "why, where the advice was not followed"}}
		case r.Answer != "done" && r.GoodNeeded != 0:
			return []fieldProblem{{"good_needed", strconv.Itoa(r.GoodNeeded), "nothing: only what was done as advised is proved"}}
		}
		return nil
	})
}

// Subject is the Ref of a record's subject: a printer or a plate, as its
// subject_kind says. Such records know which (Subjected).
const Subject farm.Kind = "subject"

// Subjected is a record whose subject may be a printer or a plate.
type Subjected interface{ KindOfSubject() farm.Kind }
