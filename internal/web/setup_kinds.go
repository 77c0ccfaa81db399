package web

import (
	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/views"
)

// setupKind is one kind of thing that Setup lists, adds and changes. The fields
// and what may stand in them are those of the bundle (internal/intake).
type setupKind struct {
	kind      farm.Kind
	path      string // /setup/PATH
	add       string // /setup/ADD; "" they come otherwise
	one, many string
	lead      string
	help      []views.HelpLink
	columns   []string // fields the list shows beside the name
	ends      string   // field that says since when it is no longer used; "" none
	endWord   string   // the verb: Retire
	endNote   string
	back      string // the verb that takes it back
	ended     views.State
	naming    string // why the name cannot change and what to do
}

func (k *setupKind) table() *intake.Table { return intake.TableOf(k.kind) }

// key is the field a thing is known by.
func (k *setupKind) key() string { return k.table().Fields[0].Name }

func (k *setupKind) nameOf(rec any) string { return *k.table().Fields[0].At(rec).(*string) }

var retiredState = views.State{Code: "retired", Word: "Retired", Sign: "dashed"}

const namedInRecords = "It stands on the label and in every record, so it is not renamed. "

var (
	setupPrinters = &setupKind{kind: farm.KindPrinter, path: "printers", add: "add-printer", one: "printer", many: "printers",
		lead: "Every machine of the farm.", help: []views.HelpLink{{ID: "printer", Word: "a printer"}, {ID: "zero", Word: "zero from"}, {ID: "probing-recorded", Word: "probing recorded"}},
		columns: []string{"name", "bay", "bed_x_mm", "bed_y_mm"}, ends: "retired_at", endWord: "Retire", endNote: "Its history stays; it is offered nowhere.", back: "Bring back into service", ended: retiredState,
		naming: namedInRecords + "For another tag add a new printer and retire this one."}
	setupPlates = &setupKind{kind: farm.KindPlate, path: "plates", add: "add-plate", one: "plate", many: "plates",
		lead: "Every build plate of the farm.", help: []views.HelpLink{{ID: "plate", Word: "a plate"}},
		columns: []string{"surface", "size_x_mm", "size_y_mm"}, ends: "retired_at", endWord: "Retire", endNote: "Its history stays; it is offered nowhere.", back: "Bring back into service", ended: retiredState,
		naming: namedInRecords + "For another tag add a new plate and retire this one."}
	setupMaterials = &setupKind{kind: farm.KindMaterial, path: "materials", add: "add-material", one: "material", many: "materials",
		lead: "What is printed.", help: []views.HelpLink{{ID: "material", Word: "a material"}},
		columns: []string{"polymer", "bed_temp_c", "note"}, ends: "retired_at", endWord: "Retire", endNote: "It is offered no longer; records keep it.", back: "Use it again", ended: retiredState,
		naming: "Records carry this name, so it is not renamed. For another name add a material and retire this one."}
	setupPeople = &setupKind{kind: farm.KindPerson, path: "people", add: "add-person", one: "person", many: "people",
		lead: "The crew: who records, and who may sign in.", help: []views.HelpLink{{ID: "role", Word: "a role"}},
		columns: []string{"name", "role"},
		naming:  "They sign in with it and records carry it, so it is not renamed. For another handle add a person and switch this one off."}
	setupJobs = &setupKind{kind: farm.KindJob, path: "jobs", add: "add-job", one: "job", many: "jobs",
		lead: "Orders, open ones first.", help: []views.HelpLink{{ID: "job", Word: "a job"}, {ID: "underside", Word: "underside"}},
		columns: []string{"name", "material", "quantity", "due"}, ends: "closed_at", endWord: "Close", endNote: "It leaves the open jobs; records keep it.", back: "Open again", ended: views.State{Code: "closed", Word: "Closed", Sign: "dashed"},
		naming: "Records carry this name, so it is not renamed. For another name add a job and close this one."}
	setupShifts = &setupKind{kind: farm.KindShift, path: "shifts", add: "add-shift", one: "shift", many: "shifts",
		lead: "Who works when, latest first.", help: []views.HelpLink{{ID: "shift", Word: "a shift"}},
		columns: []string{"person", "starts_at", "ends_at", "bay"}, ends: "cancelled_at", endWord: "Cancel", endNote: "It counts for no plan.", back: "Set it up again", ended: views.State{Code: "cancelled", Word: "Cancelled", Sign: "dashed"},
		naming: "A shift is known by this name. For another name add a shift and cancel this one."}
	setupInstruments = &setupKind{kind: farm.KindInstrument, path: "instruments", add: "add-instrument", one: "instrument", many: "instruments",
		lead: "Gauges and scales, and when they were checked.", help: []views.HelpLink{{ID: "instrument", Word: "an instrument"}},
		columns: []string{"kind", "resolution_mm", "check_due", "check_result"}, ends: "retired_at", endWord: "Retire", endNote: "It is offered no longer; readings keep it.", back: "Use it again", ended: retiredState,
		naming: "Readings carry this name, so it is not renamed. For another name add an instrument and retire this one."}
	setupMappings = &setupKind{kind: farm.KindMapping, path: "mappings", one: "mapping", many: "mappings",
		lead: "How logs of other forms are read, by name. One is kept on the page of a log.", help: []views.HelpLink{{ID: "mapping", Word: "a mapping"}},
		columns: []string{"says"}, ends: "retired_at", endWord: "Retire", endNote: "It is offered for no further log; what came in by it stays.", back: "Use it again", ended: retiredState,
		naming: "What came in by it is known by this name, so it is not renamed: under another name the same rows would be recorded a second time. For a log of another kind keep a mapping of its own and retire this one."}
)
