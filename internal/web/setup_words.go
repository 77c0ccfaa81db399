package web

import "basecourse/internal/farm"

// fieldWord is what a form says about a field.
type fieldWord struct {
	Label, Hint, Unit string
}

// fieldWords are the words of the fields of Setup's forms, by kind and field,
// or by field alone.
var fieldWords = map[string]fieldWord{
	"printer.printer":       {"Tag", "On its label, for example P-014. No two printers may differ by capitals only.", ""},
	"plate.plate":           {"Tag", "On its label, for example L-203. No two plates may differ by capitals only.", ""},
	"material.material":     {"Short name", "For example PLA or PETG-CF.", ""},
	"person.person":         {"Handle", "The short name they sign in with, for example amara.", ""},
	"job.job":               {"Job", "Its number or short name, for example O-1042.", ""},
	"shift.shift":           {"Shift", "A name of its own, for example 2026-03-09 early.", ""},
	"instrument.instrument": {"Name", "As it is marked, for example mic-1.", ""},

	"policy.name":             {"Name", "What it is called in lists, for example Glass plates.", ""},
	"policy.in_force_from":    {"In force from", "Left empty: from now.", ""},
	"policy.surface":          {"Surface", "Plates of one surface only.", ""},
	"policy.material":         {"Material", "", ""},
	"policy.printer":          {"Printer", "", ""},
	"policy.plate":            {"Plate", "", ""},
	"policy.job_plates_from":  {"Jobs of at least", "Plates the job needs.", "plates"},
	"policy.job_plates_to":    {"Jobs of at most", "", "plates"},
	"policy.clean_prints":     {"Wipe every", "1: before every print.", "prints"},
	"policy.clean_hours":      {"Wipe every, by the clock", "Hours since it was last cleaned.", "hours"},
	"policy.wash_prints":      {"Wash every", "", "prints"},
	"policy.probe_starts":     {"Probe every", "1: before every start.", "starts"},
	"policy.probe_hours":      {"Probe every, by the clock", "Hours since its last probe.", "hours"},
	"probe_after_swap":        {"after a plate swap", "", ""},
	"probe_after_service":     {"after a service", "", ""},
	"probe_after_move":        {"after a move", "", ""},
	"probe_after_temperature": {"after a change of bed temperature (5 °C or more)", "", ""},
	"policy.reason":           {"Why", "One sentence. It stays with the policy.", ""},

	"name":             {"Name", "", ""},
	"bay":              {"Bay", "Where it stands, for example Back room.", ""},
	"shift.bay":        {"Bay", "Left empty: everywhere.", ""},
	"bed_x_mm":         {"Bed width", "Left to right, for example 250.", "mm"},
	"bed_y_mm":         {"Bed depth", "Front to back, for example 210.", "mm"},
	"zone_cols":        {"Zones across", "Columns A, B, C … from the left. Left empty: 3.", ""},
	"zone_rows":        {"Zones deep", "Rows 1, 2, 3 … from the front. Left empty: 3.", ""},
	"z_step_mm":        {"Z step", "The smallest move its Z axis takes. Left empty: 0.01.", "mm"},
	"zero_from":        {"Zero from", "Where it takes height zero from.", ""},
	"probing_recorded": {"Probing recorded", "Whether its probes are recorded here.", ""},
	"in_service_from":  {"In service from", "", ""},
	"surface":          {"Surface", "", ""},
	"size_x_mm":        {"Width", "", "mm"},
	"size_y_mm":        {"Depth", "", "mm"},
	"polymer":          {"Polymer", "For example PETG.", ""},
	"bed_temp_c":       {"Bed temperature", "", "°C"},
	"note":             {"Note", "", ""},
	"role":             {"Role", "An operator records; a manager also sets up printers, plates and jobs; an admin also looks after people, tokens, money and imports.", ""},

	"quantity":            {"Quantity", "Good parts wanted.", ""},
	"plates_needed":       {"Good first layers needed", "Plates full of parts; left empty: as many as the quantity.", ""},
	"hours_per_plate":     {"Time of one plate", "", "h"},
	"first_layer_minutes": {"Time of its first layer", "", "min"},
	"material":            {"Material", "", ""},
	"underside":           {"Underside", "Whether the side on the plate shows on the part.", ""},
	"earliest_start":      {"Not before", "", ""},
	"due":                 {"Due", "", ""},
	"value":               {"Value", "What the order is worth.", ""},
	"late_fee_per_hour":   {"Late fee for an hour", "", ""},

	"person":    {"Person", "", ""},
	"starts_at": {"From", "", ""},
	"ends_at":   {"To", "", ""},

	"kind":           {"Kind", "", ""},
	"resolution_mm":  {"Resolution", "For example 0.001.", "mm"},
	"uncertainty_mm": {"Uncertainty", "Expanded, k = 2, as its certificate says.", "mm"},
	"checked_at":     {"Last checked", "", ""},
	"check_due":      {"Next check due", "", ""},
	"check_result":   {"Result of the check", "", ""},

	"mapping": {"Mapping", "", ""},
	"says":    {"How rows are read", "As the file of the mapping has it (JSON). On the page of a log it is a form.", ""},

	"retired_at": {"Retired", "", ""}, "closed_at": {"Closed", "", ""}, "cancelled_at": {"Cancelled", "", ""},
	"screw": {"Name", "For example front left.", ""}, "x_mm": {"From the left", "", "mm"}, "y_mm": {"From the front", "", "mm"}, "pitch_mm": {"Pitch", "", "mm"},
	"password": {"Password", "", ""}, "sessions": {"Sessions", "", ""}, "second_factor": {"Second factor", "", ""}, "remove_at": {"Name goes", "", ""}, "removed_at": {"Name removed", "", ""}, "disabled_at": {"Switched off", "", ""}, "revoked_at": {"Revoked", "", ""}, "pin": {"PIN", "", ""}, "enrolled_at": {"Enrolled", "", ""}, "code": {"Code of enrolment", "", ""}, "revoke_reason": {"Why it was revoked", "", ""},
	"printer": {"Printer", "", ""}, "plate": {"Plate", "", ""}, "key": {"Setting", "", ""},
	"shift": {"Shift", "", ""}, "job": {"Job", "", ""}, "instrument": {"Instrument", "", ""},
}

func wordOf(kind farm.Kind, field string) fieldWord {
	if w, ok := fieldWords[string(kind)+"."+field]; ok {
		return w
	}
	if w, ok := fieldWords[field]; ok {
		return w
	}
	return fieldWord{Label: sentenceCase(field)}
}

// codeWords are what people read for the codes of a field.
var codeWords = map[string]map[string]string{
	"surface":          surfaceWords,
	"zero_from":        {"plate": "the plate that lies on it", "frame": "its frame"},
	"probing_recorded": {"all": "all probes are recorded", "some": "some are", "none": "none are"},
	"role":             {"operator": "operator", "manager": "manager", "admin": "admin"},
	"underside":        {"hidden": "hidden", "shown": "shows"},
	"kind":             {"micrometer": "micrometer", "caliper": "caliper", "scale": "scale"},
	"check_result":     {"good": "good", "bad": "bad"},
}

// settingWord is what the settings page says about a setting.
type settingWord struct {
	Label   string
	Unit    string // CURRENCY stands for the farm's
	Changes string // what it changes
	Group   string
}

// settingGroups are the headings of the settings page in their order; what
// costs money is for admins.
var settingGroups = []struct {
	ID, Title string
	Money     bool
}{
	{"place", "The farm", false}, {"money", "Money", true}, {"person", "A person's minutes", false}, {"machine", "A printer's minutes", false}, {"failure", "A failed first layer", false}, {"judging", "Judging", false},
}

var settingWords = map[string]settingWord{
	"person_level":           {"How strict people are", "", "“shown”: managers see single people in Trends and in How alike we grade. “groups”: groups of five or more only. “off”: neither. Everybody may look at their own layers.", "judging"},
	"time_zone":              {"Time zone", "", "Days, weeks, shifts and every time on pages.", "place"},
	"currency":               {"Currency", "", "The word beside amounts. Nothing is converted.", "money"},
	"labour_per_hour":        {"An hour of a person", "CURRENCY", "What work costs in Upkeep and Jobs.", "money"},
	"machine_per_hour":       {"An hour of a printer", "CURRENCY", "What standing still costs in Upkeep and Jobs.", "money"},
	"wipe_minutes":           {"To wipe a plate", "min", "When wiping pays, and the plan of prep work.", "person"},
	"wash_minutes":           {"To wash a plate", "min", "When washing pays, and the plan of prep work.", "person"},
	"wash_setup_minutes":     {"Of that, setting up, once for a batch", "min", "The plan of prep work: plates washed one after the other.", "person"},
	"wash_batch":             {"Plates washed in one batch", "", "The plan of prep work: so many at most.", "person"},
	"deep_minutes":           {"To wash a plate deep", "min", "When a deep wash pays, and the plan of prep work.", "person"},
	"probe_minutes":          {"To probe a printer", "min", "When probing pays, and the plan of prep work.", "person"},
	"soak_minutes":           {"To let a printer soak warm", "min", "When soaking pays, and the plan of prep work.", "person"},
	"check_minutes":          {"To check a first layer", "min", "How many layers are worth looking at.", "person"},
	"swap_minutes":           {"To swap a plate", "min", "When swapping pays, and the plan of prep work.", "person"},
	"wipe_machine_minutes":   {"While a plate is wiped", "min", "When wiping pays, and the plan of prep work.", "machine"},
	"wash_machine_minutes":   {"While a plate is washed", "min", "When washing pays, and the plan of prep work.", "machine"},
	"deep_machine_minutes":   {"While a plate is washed deep", "min", "When a deep wash pays, and the plan of prep work.", "machine"},
	"probe_machine_minutes":  {"To probe", "min", "When probing pays, and the plan of prep work.", "machine"},
	"soak_machine_minutes":   {"To soak warm", "min", "When soaking pays, and the plan of prep work.", "machine"},
	"check_machine_minutes":  {"While a first layer is checked", "min", "How many layers are worth looking at.", "machine"},
	"swap_machine_minutes":   {"While a plate is swapped", "min", "When swapping pays, and the plan of prep work.", "machine"},
	"failure_minutes":        {"Printer time it loses", "min", "What a failure costs, and with it what is due.", "failure"},
	"failure_labour_minutes": {"A person's time it takes", "min", "What a failure costs, and with it what is due.", "failure"},
	"failure_material":       {"Material it loses", "CURRENCY", "What a failure costs, and with it what is due.", "money"},
	"least_avoidable":        {"Least avoidable failures", "of 100 layers", "A finding below it is not raised.", "judging"},
	"start_window_minutes":   {"Start window", "min", "A probe this long after a job was sent belongs to its start.", "judging"},
	"look_share":             {"Starts to look at", "of 100", "Below 100 a look list draws the running first layers to look at, some by lot, some by risk, and rates weigh them by their chance. At 100 all are looked at.", "judging"},
	"over_bonding":           {Label: "Over-bonding"},
	"safety_solvent":         {Label: "Solvents"},
	"safety_hot":             {Label: "Heat"},
	"safety_motion":          {Label: "Moving parts"},
	"standing_lot":           {"Standing lot", "", "Whether a lot decides to probe, to wipe or to leave it where that hardly matters: such starts show what probing and wiping change.", "judging"},
	"lot_limit":              {"Lot limit", "", "The lot decides where doing and leaving differ by less than this share of a failed layer’s cost, from 0 to 1.", "judging"},
	"lot_job_value":          {"No lot above a job’s value of", "CURRENCY", "Starts of open jobs worth more are left to no lot.", "judging"},
}
