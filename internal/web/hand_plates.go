package web

import (
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/firstlayer"
	"basecourse/internal/store"
	"basecourse/views"
)

var agents = []string{"isopropyl alcohol", "dish soap and hot water", "lint-free cloth, dry", "glue stick"}

var cleanAct = handAct{
	slug: "clean", word: "Cleaning", title: "Log a cleaning",
	prefil: []string{"plate", "printer", "bay"},
	names:  []string{"plates", "printers", "bay", "method", "plate_side", "agent", "note"},
	page: func(h *hand) error {
		if err := h.prefillPlates(); err != nil {
			return err
		}
		if err := h.askPlates(); err != nil {
			return err
		}
		h.page.Lead = "For one plate or many. It counts from the time you give, also when you log it later."
		h.page.Caution = h.caution(firstlayer.Solvent, firstlayer.Hot)
		h.page.Fields = append(h.page.Fields, cleanFields(h)...)
		h.page.Submit = "Save cleaning"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		plates, more, err := h.listOfPlates()
		if err != nil {
			return nil, err
		}
		method := h.code("method", farm.Methods, "Say how: wiped, washed, washed deep, or coated.")
		side := h.code("plate_side", farm.Sides, "")
		if more {
			return nil, nil
		}
		var records []handRecord
		for _, p := range plates {
			records = append(records, h.record(farm.KindCleaning, p, "cleaned_at", map[string]string{
				"plate": p, "method": method, "plate_side": side, "agent": h.text("agent"), "note": h.text("note")}))
			records[len(records)-1].from["plate"] = "plates"
		}
		return records, nil
	},
}

// cleanFields ask how plates were cleaned.
func cleanFields(h *hand) []views.Field {
	return []views.Field{
		{Name: "method", Label: "How", Kind: "choice", Options: h.options("method", []views.Option{
			{Value: "wipe", Word: "Wiped", Note: "with a cloth, on the bench or on the cold bed"}, {Value: "wash", Word: "Washed", Note: "with soap and water, rinsed, dried"},
			{Value: "deep", Word: "Washed deep", Note: "scrubbed, or with a stronger agent"}, {Value: "coat", Word: "Coated", Note: "release layer put on; this is no cleaning"}})},
		sideField(h, "Which side"),
		{Name: "agent", Label: "With what", Value: h.values.Get("agent"), Optional: true, Suggest: agents, Longest: 200, Hint: "For example isopropyl alcohol. After “dry” a release layer stays on."},
		{Name: "note", Label: "Note", Value: h.values.Get("note"), Optional: true, Longest: 1000},
	}
}

// prefillPlates moves what an address names into the list, the first time.
func (h *hand) prefillPlates() error {
	if h.values.Has("id") || len(h.values) == 0 {
		return nil // nothing to look up
	}
	h.values = cloneValues(h.values)
	h.values.Set("plates", strings.Join(h.values["plate"], "\n"))
	h.values.Set("printers", strings.Join(h.values["printer"], ", "))
	_, err := h.gather()
	return err
}

// listOfPlates reads the plates of a sent form. more tells that the list was
// added to and is to be looked at before it is saved.
func (h *hand) listOfPlates() (plates []string, more bool, err error) {
	added, err := h.gather()
	if err != nil {
		return nil, false, err
	}
	if h.values.Get("do") == "add" {
		return nil, true, nil
	}
	plates, err = h.plates()
	if err == nil && added && len(h.page.Problems) == 0 {
		h.page.Notice = "Plates were added to the list. Look at it, then save."
		return plates, true, nil
	}
	return plates, false, err
}

// options marks the answer given.
func (h *hand) options(name string, list []views.Option) []views.Option {
	for i := range list {
		list[i].Chosen = h.values.Has(name) && h.values.Get(name) == list[i].Value
	}
	return list
}

// orElse marks the last answer, "not said", when none was given.
func orElse(list []views.Option) []views.Option {
	for _, o := range list {
		if o.Chosen {
			return list
		}
	}
	list[len(list)-1].Chosen = true
	return list
}

func sideField(h *hand, label string) views.Field {
	return views.Field{Name: "plate_side", Label: label, Kind: "choice", Optional: true,
		Options: orElse(h.options("plate_side", []views.Option{{Value: "a", Word: "A"}, {Value: "b", Word: "B"}, {Value: "", Word: "Not said"}}))}
}

func turnedField(h *hand) views.Field {
	return views.Field{Name: "plate_turned", Label: "Turned by 180°", Kind: "choice", Optional: true,
		Options: orElse(h.options("plate_turned", []views.Option{{Value: "yes", Word: "Yes"}, {Value: "no", Word: "No"}, {Value: "", Word: "Not said"}}))}
}

var stateAct = handAct{
	slug: "state", word: "Wash or set aside", title: "Log where plates go",
	prefil: []string{"plate", "printer", "bay"},
	names:  []string{"plates", "printers", "bay", "state", "reason"},
	page: func(h *hand) error {
		if err := h.prefillPlates(); err != nil {
			return err
		}
		if err := h.askPlates(); err != nil {
			return err
		}
		h.page.Lead = "A plate that is in wash, set aside or retired is on no printer. To keep a plate from being used, put it on hold as well."
		h.page.Fields = append(h.page.Fields,
			views.Field{Name: "state", Label: "They are now", Kind: "choice", Options: h.options("state", []views.Option{
				{Value: "in_use", Word: "In use", Note: "in the rack or on a printer, may be fitted"}, {Value: "in_wash", Word: "In wash"},
				{Value: "set_aside", Word: "Set aside", Note: "to be looked at or repaired"}, {Value: "retired", Word: "Retired", Note: "not used again"}})},
			views.Field{Name: "reason", Label: "Why", Value: h.values.Get("reason"), Optional: true, Longest: 1000, Hint: "For example: bent tab."},
		)
		h.page.Submit = "Save"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		plates, more, err := h.listOfPlates()
		if err != nil {
			return nil, err
		}
		state := h.code("state", farm.PlateStates, "Say where they are now.")
		if more {
			return nil, nil
		}
		var records []handRecord
		for _, p := range plates {
			r := h.record(farm.KindPlateState, p, "at", map[string]string{"plate": p, "state": state, "reason": h.text("reason")})
			r.from["plate"] = "plates"
			records = append(records, r)
		}
		return records, nil
	},
}

var fitAct = handAct{
	slug: "fit", word: "Fitting or swap", title: "Log a fitting",
	prefil: []string{"plate", "printer"},
	names:  []string{"plate", "printer", "plate_side", "plate_turned", "old_plate", "sure"},
	page: func(h *hand) error {
		printer, err := h.printerField("Where it is fitted now, for example P-014.")
		if err != nil {
			return err
		}
		plate, err := h.plateField("For example L-203.")
		if err != nil {
			return err
		}
		old := oldPlateField(h)
		on, err := h.onPrinter(h.text("printer"))
		if err != nil {
			return err
		}
		if on != nil {
			old.Label = "Plate " + on.Plate + ", which was on it, went"
			printer.Hint = "Plate " + on.Plate + " is known to be on " + on.Printer + " now."
		}
		h.page.Caution = h.caution(firstlayer.Hot, firstlayer.Motion)
		h.page.Notice = h.swapNotice(on)
		h.page.Look = "Which move to expect"
		h.page.Fields = []views.Field{plate, printer, sideField(h, "Side up"), turnedField(h), old}
		if sure := h.values.Get("asked"); sure != "" {
			h.page.Fields = append([]views.Field{{Name: "sure", Label: h.values.Get("asked_words"), Kind: "check", Value: sure}}, h.page.Fields...)
		}
		h.page.Submit = "Save fitting"
		return nil
	},
	build: buildFitting,
}

func oldPlateField(h *hand) views.Field {
	return views.Field{Name: "old_plate", Label: "The plate that was on it went", Kind: "choice", Optional: true,
		Options: orElse(h.options("old_plate", []views.Option{{Value: "in_wash", Word: "Into the wash"}, {Value: "set_aside", Word: "Aside, to be looked at"}, {Value: "", Word: "Into the rack, or there was none"}}))}
}

func buildFitting(h *hand) ([]handRecord, error) {
	book, err := h.plateBook()
	if err != nil {
		return nil, err
	}
	plate := h.one(book, "plate", "plate")
	printer, err := h.printer("printer")
	if err != nil {
		return nil, err
	}
	side, turned := h.code("plate_side", farm.Sides, ""), h.code("plate_turned", farm.YesNo, "")
	old := h.code("old_plate", []string{"in_wash", "set_aside"}, "")
	if len(h.page.Problems) > 0 {
		return nil, nil
	}
	if h.values.Get("do") == "look" { // nothing is recorded: doubts can wait
		h.values.Set("plate", plate)
		h.values.Set("printer", printer)
		return nil, nil
	}
	spot, was := h.spotOf(plate), h.plateOn(printer)
	if spot.Retired {
		h.wrong("plate", "Plate "+plate+" is retired. Put it back into service in Setup, or pick another plate.")
		return nil, nil
	}
	if spot.Printer == printer && (side == "" || side == spot.Side) && (turned == "" || turned == spot.Turned) {
		h.wrong("plate", "Plate "+plate+" is on "+printer+" already. Say which side or turn changed, or pick another plate.")
		return nil, nil
	}
	if ask := fittingDoubts(spot, printer); len(ask) > 0 {
		token := strings.Join(ask, " ")
		if h.values.Get("sure") != token {
			h.wrong("plate", token+" Say that it was fitted all the same, or pick another plate.")
			h.values.Set("asked", token)
			h.values.Set("asked_words", "Yes: "+plate+" was moved to "+printer)
			return nil, nil
		}
	}
	records := []handRecord{h.record(farm.KindFitting, plate, "fitted_at", map[string]string{"plate": plate, "printer": printer, "plate_side": side, "plate_turned": turned})}
	if spot.State != "in_use" {
		records = append(records, h.record(farm.KindPlateState, plate, "at", map[string]string{"plate": plate, "state": "in_use", "reason": "fitted on " + printer}))
	}
	if was != nil && was.Plate != plate && old != "" {
		r := h.record(farm.KindPlateState, was.Plate, "at", map[string]string{"plate": was.Plate, "state": old, "reason": "taken off " + printer})
		r.from["plate"] = "old_plate"
		records = append(records, r)
	}
	return records, nil
}

// fittingDoubts says what stands against a plate's being fitted there.
func fittingDoubts(spot *store.Spot, printer string) (ask []string) {
	if spot.Printer != "" && spot.Printer != printer {
		ask = append(ask, "Plate "+spot.Plate+" is on "+spot.Printer+".")
	}
	if spot.HeldAt != nil {
		ask = append(ask, "It is on hold"+withReason(spot.HeldReason))
	}
	switch spot.State {
	case "set_aside", "retired":
		why := "."
		if spot.StateReason != "" {
			why = ": " + sentenceLower(spot.StateReason)
		}
		ask = append(ask, "It is "+strings.ToLower(plateStateStates[spot.State].Word)+why)
	}
	return ask
}

var takeOffAct = handAct{
	slug: "take-off", word: "Taking off", title: "Log taking a plate off",
	prefil: []string{"printer", "plate"},
	names:  []string{"printer", "went", "reason"},
	page: func(h *hand) error {
		if _, err := h.places(); err != nil {
			return err
		}
		if p := h.values.Get("plate"); p != "" && h.values.Get("printer") == "" {
			if spot := h.spotOf(p); spot != nil {
				h.values = cloneValues(h.values)
				h.values.Set("printer", spot.Printer)
			}
		}
		printer, err := h.printerField("For example P-014. Nothing is on it afterwards; for another plate, log the swap instead.")
		if err != nil {
			return err
		}
		on, err := h.onPrinter(h.text("printer"))
		if err != nil {
			return err
		}
		if on != nil {
			printer.Hint = "Plate " + on.Plate + " is known to be on " + on.Printer + "."
		}
		h.page.Caution = h.caution(firstlayer.Hot, firstlayer.Motion)
		h.page.Fields = []views.Field{printer,
			{Name: "went", Label: "The plate went", Kind: "choice", Optional: true, Options: orElse(h.options("went", []views.Option{
				{Value: "in_wash", Word: "Into the wash"}, {Value: "set_aside", Word: "Aside, to be looked at"}, {Value: "retired", Word: "Out of use"}, {Value: "", Word: "Into the rack"}}))},
			{Name: "reason", Label: "Why", Value: h.values.Get("reason"), Optional: true, Longest: 1000, Hint: "Kept with where it went, for example: scratched."}}
		h.page.Submit = "Save taking off"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		if _, err := h.places(); err != nil {
			return nil, err
		}
		went := h.code("went", []string{"in_wash", "set_aside", "retired"}, "")
		if len(h.page.Problems) > 0 {
			return nil, nil
		}
		on := h.plateOn(printer)
		if on == nil {
			h.wrong("printer", "No plate is known to be on "+printer+" at that time. There is nothing to take off.")
			return nil, nil
		}
		records := []handRecord{h.removal(on)}
		if went != "" {
			r := h.record(farm.KindPlateState, on.Plate, "at", map[string]string{"plate": on.Plate, "state": went, "reason": h.text("reason")})
			r.from["plate"] = "printer"
			records = append(records, r)
		}
		return records, nil
	},
}

// removal ends the fitting by which a plate is where it is. Where only a first
// layer told so, it becomes a fitting from then.
func (h *hand) removal(on *store.Spot) handRecord {
	r := h.record(farm.KindFitting, on.Plate, "removed_at", map[string]string{"plate": on.Plate, "printer": on.Printer})
	r.from["plate"] = "printer"
	if on.Fitting != nil {
		// The record stands as it was made: only its end is new.
		r.id = *on.Fitting
		delete(r.fields, "person")
		delete(r.fields, "noted_by")
		r.fields["fitted_at"] = stamp(*on.FittedAt)
		return r
	}
	r.fields["fitted_at"] = stamp(*on.Since)
	return r
}
