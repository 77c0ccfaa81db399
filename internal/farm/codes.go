// Package farm holds the records of a print farm: printers, plates, people,
// jobs, and everything that happens to them.
//
// The model. A printer and a build plate are two things, because a fault
// belongs to one or the other. What happens is recorded as events (first
// layers, cleanings, probes, ...) that are never changed: a wrong one is voided
// with a reason and replaced. Every event carries three times: when it
// happened, when it was noted, when it arrived.
//
// Unknown is a value: the empty string for codes, texts and names, the zero
// time for times, NaN for numbers (use Known), a nil slice for lists. "Empty",
// "null" and "absent" all mean unknown.
package farm

import "math"

// Kind names a sort of record. For events it is also the name of the file's
// first column and the "kind" of an API record.
type Kind string

// Kinds of events, in the order of the bundle's files.
const (
	KindFirstLayer    Kind = "first_layer"
	KindCleaning      Kind = "cleaning"
	KindProbe         Kind = "probe"
	KindProbeSkipped  Kind = "probe_skipped"
	KindOffsetChange  Kind = "offset_change"
	KindService       Kind = "service"
	KindFitting       Kind = "fitting"
	KindPlateState    Kind = "plate_state"
	KindHold          Kind = "hold"
	KindDisagreement  Kind = "disagreement"
	KindAdviceDone    Kind = "advice_done"
	KindTaskSkipped   Kind = "task_skipped"
	KindPolicy        Kind = "policy"
	KindHandover      Kind = "handover"
	KindHandoverEntry Kind = "handover_entry"
	KindJobForecast   Kind = "job_forecast"
	KindPhoto         Kind = "photo"
	KindRegrade       Kind = "regrade"
	KindPracticeItem  Kind = "practice_item"
	KindQualification Kind = "qualification"
	KindDraw          Kind = "draw"
	KindCaseStep      Kind = "case_step"
	KindPlannedTest   Kind = "planned_test"
	KindEvidenceSheet Kind = "evidence_sheet"
)

// Kinds of things that are not events: they are their own keys.
const (
	KindPrinter    Kind = "printer"
	KindScrew      Kind = "screw"
	KindPlate      Kind = "plate"
	KindMaterial   Kind = "material"
	KindPerson     Kind = "person"
	KindJob        Kind = "job"
	KindShift      Kind = "shift"
	KindInstrument Kind = "instrument"
	KindSetting    Kind = "setting"
	KindMapping    Kind = "mapping"
)

// EventKinds lists the kinds of events in the bundle's order.
var EventKinds = []Kind{KindFirstLayer, KindCleaning, KindProbe, KindProbeSkipped, KindOffsetChange,
	KindService, KindFitting, KindPlateState, KindHold, KindDisagreement, KindAdviceDone, KindTaskSkipped, KindPolicy, KindHandover, KindHandoverEntry, KindJobForecast, KindPhoto,
	KindRegrade, KindPracticeItem, KindQualification, KindDraw,
	KindCaseStep, KindPlannedTest, KindEvidenceSheet}

// ThingKinds lists the kinds of things in the bundle's order.
var ThingKinds = []Kind{KindPrinter, KindScrew, KindPlate, KindMaterial, KindPerson, KindJob, KindShift,
	KindInstrument, KindSetting, KindMapping}

// The stored codes of each closed list, in the order people read them.
var (
	Surfaces        = []string{"pei_textured", "pei_smooth", "glass", "garolite", "polypropylene", "other"}
	Grades          = []string{"clean", "cosmetic", "marginal", "failed"}
	Marks           = []string{"nozzle_low", "nozzle_high", "blobs", "dragged", "contamination", "lifting", "no_start", "under_fed", "over_fed", "striping", "moisture", "plate_mark", "debris", "other"}
	Methods         = []string{"wipe", "wash", "deep", "coat"}
	Roles           = []string{"operator", "manager", "admin"}
	YesNo           = []string{"yes", "no"}
	Sides           = []string{"a", "b"}
	ZeroFroms       = []string{"plate", "frame"}
	Recordings      = []string{"all", "some", "none"}
	StartIs         = []string{"first_line", "sent"}
	Undersides      = []string{"hidden", "shown"}
	SeenFroms       = []string{"above_printing", "above_done", "underside"}
	Decisions       = []string{"let_run", "nudged", "stopped"}
	Outcomes        = []string{"finished", "restarted", "detached", "stopped", "scrapped"}
	Unseens         = []string{"yes"}
	Releases        = []string{"proved", "override"}
	LookedBecause   = []string{"round", "lot", "risk", "looked_bad", "asked"}
	LookDraws       = []string{"lot", "risk", "no"}
	Extents         = []string{"full", "part", "zero"}
	SkipReasons     = []string{"hurry", "trusted", "short_job", "broken", "told_to", "drawn_by_lot", "other"}
	SkippedTasks    = []string{"swap_plate", "wipe", "wash", "deep", "coat", "soak", "check"}
	DrawnTasks      = []string{"probe", "wipe", "swap_plate", "turn_plate"}
	DrawArms        = []string{"do", "leave"}
	Works           = []string{"nozzle", "moved", "bed", "other"}
	PlateStates     = []string{"in_use", "in_wash", "set_aside", "retired"}
	HandoverEntries = []string{"note", "receipt"}
	RegradeSeen     = []string{"photo", "peeled"}
	SubjectKinds    = []string{"printer", "plate"}
	Causes          = []string{"skipped_probing", "cleaning_gap"}
	Evidences       = []string{"raised", "watching", "quiet", "too_little_data"}
	SheetReasons    = []string{"raised", "asked"}
	AdviceAnswers   = []string{"done", "something_else", "disagreed"}
	AdviceActions   = []string{"let_run", "nudge", "stop", "leave", "swap_plate", "wipe", "wash", "coat", "soak", "probe", "tram", "move_nozzle", "check_feed", "dry_filament", "turn_plate", "set_plate_aside", "investigate", "print_coupon"}
	LayerCauses     = []string{"nozzle_low", "nozzle_high", "bed_shape", "tilt", "plate_height", "dirty_plate", "plate_damage", "over_bonding", "feed_low", "feed_high", "no_start", "moisture", "striping", "bed_temperature", "local_spot", "none", "cannot_tell"}
	Instruments     = []string{"micrometer", "caliper", "scale"}
	CheckResults    = []string{"good", "bad"}
)

// Unknown is the number that says nothing is known.
func Unknown() float64 { return math.NaN() }

// Known tells whether a number is known.
func Known(x float64) bool { return !math.IsNaN(x) }
