package web

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
	"basecourse/internal/store"
	"basecourse/views"
)

var probeAct = handAct{
	slug: "probe", word: "Probe", title: "Log a probe",
	prefil: []string{"printer"},
	names: []string{"printer", "extent", "plate", "plate_side", "plate_turned", "bed_temp_c", "soak_minutes", "in_use",
		"mesh", "mesh_first", "x_min_mm", "x_max_mm", "y_min_mm", "y_max_mm"},
	page: func(h *hand) error {
		printer, err := h.printerField("For example P-014.")
		if err != nil {
			return err
		}
		if err := h.prefillPlateOn(); err != nil {
			return err
		}
		plate, err := h.plateField("As it lay while probing. Shown is the plate known to be on the printer.")
		if err != nil {
			return err
		}
		plate.Optional = true
		h.page.Lead = "For a probe that was made. One that was left out is logged as skipped, with its reason."
		h.page.Caution = h.caution(firstlayer.Motion, firstlayer.Hot)
		fields, more := probeFields(h)
		h.page.Fields = slices.Concat([]views.Field{printer, fields[0], plate}, fields[1:])
		h.page.More = more
		h.page.Submit, h.page.Look = "Save probe", "Look at the mesh first"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		plate := ""
		if h.text("plate") != "" {
			book, err := h.plateBook()
			if err != nil {
				return nil, err
			}
			plate = h.one(book, "plate", "plate")
		}
		f := map[string]string{"printer": printer, "plate": plate,
			"extent":     h.code("extent", farm.Extents, "Say what was probed."),
			"plate_side": h.code("plate_side", farm.Sides, ""), "plate_turned": h.code("plate_turned", farm.YesNo, ""), "in_use": h.code("in_use", farm.YesNo, ""),
			"bed_temp_c":   numberText(h.number("bed_temp_c", "°C", 0, 200, "Give a temperature from 0 to 200 °C, or leave it out.")),
			"soak_minutes": numberText(h.number("soak_minutes", "min", 0, 10000, "Give minutes, 0 or more, or leave it out."))}
		for _, edge := range meshEdges {
			f[edge] = numberText(h.number(edge, "mm", -2000, 4000, "Give a place on the bed in mm, or leave it out."))
		}
		if m := h.readMesh(); m != nil {
			f["columns"], f["rows"], f["heights_mm"] = strconv.Itoa(m.Columns), strconv.Itoa(m.Rows), meshNumbers(m)
			if m.XMM != nil {
				f["x_min_mm"], f["x_max_mm"] = numberText(m.XMM[0]), numberText(m.XMM[m.Columns-1])
				f["y_min_mm"], f["y_max_mm"] = numberText(m.YMM[0]), numberText(m.YMM[m.Rows-1])
			}
			if h.values.Get("do") == "look" {
				h.page.Preview = meshPreview(m)
			}
		} else if h.values.Get("do") == "look" && h.text("mesh") == "" {
			h.wrong("mesh", "Paste the heights to look at them.")
		}
		if f["extent"] == "zero" && f["heights_mm"] != "" {
			h.wrong("extent", "Only the zero has no mesh. Choose the whole bed or a part of it, or take the mesh out.")
		}
		r := h.record(farm.KindProbe, printer, "probed_at", f)
		r.from["heights_mm"] = "mesh"
		return []handRecord{r}, nil
	},
}

// probeFields ask what was probed, and behind "More" for the mesh.
func probeFields(h *hand) (fields, more []views.Field) {
	number := func(name, label, unit, hint string) views.Field {
		return views.Field{Name: name, Label: label, Kind: "number", Unit: unit, Value: h.values.Get(name), Optional: true, Hint: hint}
	}
	fields = []views.Field{
		{Name: "extent", Label: "What was probed", Kind: "choice", Options: h.options("extent", []views.Option{
			{Value: "full", Word: "The whole bed"}, {Value: "part", Word: "A part of it", Note: "for example where the print lies"}, {Value: "zero", Word: "Only the zero", Note: "no mesh: a skip goes on"}})},
		sideField(h, "Side up"), turnedField(h),
		number("bed_temp_c", "Bed temperature", "°C", ""), number("soak_minutes", "Soaked for", "min", "How long the bed was hot before."),
	}
	more = []views.Field{
		{Name: "mesh", Label: "Mesh", Kind: "area", Value: h.values.Get("mesh"), Optional: true, Hint: "Paste what the printer wrote: heights in mm, one row a line, for example 0.012 0.034 " + minus + "0.020, or with their positions. Names and brackets around them do no harm; nan is a height that is missing."},
		{Name: "mesh_first", Label: "The first line is the bed’s", Kind: "choice", Optional: true, Hint: "Not needed where the text says it, or tells positions.", Options: orElse(h.options("mesh_first", []views.Option{
			{Value: "front", Word: "Front"}, {Value: "back", Word: "Back"}, {Value: "", Word: "Not said"}}))},
		number("x_min_mm", "Mesh from the left", "mm", "Where the probed points lie on the bed."), number("x_max_mm", "to the right", "mm", ""),
		number("y_min_mm", "Mesh from the front", "mm", ""), number("y_max_mm", "to the back", "mm", ""),
		{Name: "in_use", Label: "The printer uses this mesh", Kind: "choice", Optional: true, Options: orElse(h.options("in_use", []views.Option{
			{Value: "yes", Word: "Yes"}, {Value: "no", Word: "No"}, {Value: "", Word: "Not said"}}))},
	}
	return fields, more
}

// prefillPlateOn fills in, the first time, the plate known to be on the printer.
func (h *hand) prefillPlateOn() error {
	if h.values.Has("id") {
		return nil
	}
	on, err := h.onPrinter(h.text("printer"))
	if err != nil || on == nil {
		return err
	}
	h.values = cloneValues(h.values)
	h.values.Set("plate", on.Plate)
	h.values.Set("plate_side", on.Side)
	h.values.Set("plate_turned", on.Turned)
	return nil
}

var skipAct = handAct{
	slug: "skip", word: "Probe skipped", title: "Log a skipped probe",
	prefil: []string{"printer"},
	names:  []string{"printer", "reason", "note"},
	page: func(h *hand) error {
		printer, err := h.printerField("For example P-014.")
		if err != nil {
			return err
		}
		h.page.Lead = "Give the time before the start it was left out for. It is no fault to skip: the reason helps to tell what probing is worth."
		h.page.Fields = []views.Field{printer, skipReason(h), {Name: "note", Label: "Note", Value: h.values.Get("note"), Optional: true, Longest: 1000}}
		h.page.Submit = "Save skip"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		return []handRecord{h.record(farm.KindProbeSkipped, printer, "at", map[string]string{"printer": printer,
			"reason": h.code("reason", farm.SkipReasons, "Say why it was left out."), "note": h.text("note")})}, nil
	},
}

func skipReason(h *hand) views.Field {
	reason := views.Field{Name: "reason", Label: "Why it was left out", Kind: "choice"}
	for _, code := range farm.SkipReasons {
		reason.Options = append(reason.Options, views.Option{Value: code, Word: sentenceCase(wordFor(skipReasonWords, code))})
	}
	h.options("reason", reason.Options)
	return reason
}

var offsetAct = handAct{
	slug: "offset", word: "Offset change", title: "Log an offset change",
	prefil: []string{"printer"},
	names:  []string{"printer", "from_mm", "to_mm", "direction", "reason"},
	page: func(h *hand) error {
		printer, err := h.printerField("For example P-014.")
		if err != nil {
			return err
		}
		from := views.Field{Name: "from_mm", Label: "Offset before", Kind: "number", Unit: "mm", Value: h.values.Get("from_mm"), Optional: true, Hint: "For example 0.12."}
		if tag := h.text("printer"); tag != "" {
			last, err := h.s.store.LastOffset(h.ctx, tag, h.when)
			switch {
			case err == nil:
				from.Hint = "Last logged for " + tag + ": " + mm(last.ToMM) + ", " + ago(last.ChangedAt, h.now) + "."
			case !fault.Is(err, fault.NotFound):
				return err
			}
		}
		h.page.Lead = "For a change that stays. What was moved while a first layer printed is a nudge and stands with that layer."
		h.page.Caution = h.caution(firstlayer.Motion, firstlayer.Hot)
		h.page.Fields = []views.Field{printer, from,
			{Name: "to_mm", Label: "Offset now", Kind: "number", Unit: "mm", Value: h.values.Get("to_mm"), Hint: "Both as the printer shows them; the higher number is the higher nozzle."},
			{Name: "direction", Label: "Which way the nozzle went", Kind: "choice", Optional: true, Options: orElse(h.options("direction", []views.Option{
				{Value: "up", Word: "Nozzle up", Note: "away from the bed"}, {Value: "down", Word: "Nozzle down", Note: "towards the bed"}, {Value: "", Word: "Not known"}}))},
			{Name: "reason", Label: "Why", Value: h.values.Get("reason"), Optional: true, Longest: 1000, Hint: "For example: over-squished on three layers."}}
		h.page.Submit = "Save offset change"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		const expected = "Give the offset in mm, for example 0.12."
		from, to := h.number("from_mm", "mm", -100, 100, expected), h.number("to_mm", "mm", -100, 100, expected)
		if h.text("to_mm") == "" {
			h.wrong("to_mm", "Give the offset the printer has now, in mm, for example 0.12.")
		}
		h.checkMove(from, to, h.code("direction", []string{"up", "down"}, ""))
		return []handRecord{h.record(farm.KindOffsetChange, printer, "changed_at", map[string]string{"printer": printer,
			"from_mm": numberText(from), "to_mm": numberText(to), "reason": h.text("reason")})}, nil
	},
}

// mostMoved is the largest offset change in mm that is taken for one.
const mostMoved = 5

// checkMove holds the direction said against the numbers, which is how a wrong
// sign or a lost decimal point is found.
func (h *hand) checkMove(from, to float64, direction string) {
	if !farm.Known(from) || !farm.Known(to) {
		return
	}
	moved := to - from
	switch {
	case math.Abs(moved) < 0.0005:
		h.wrong("to_mm", "Both offsets are the same: nothing changed.")
	case math.Abs(moved) > mostMoved && math.Abs(to/100-from) < 1:
		h.wrong("to_mm", "Did you mean "+mm(to/100)+"?")
	case math.Abs(moved) > mostMoved:
		h.wrong("to_mm", "This is "+moveWords(from, to)+". Check both numbers; a change above "+strconv.Itoa(mostMoved)+" mm is work on the machine, which is logged as a service.")
	case direction == "up" && moved < 0, direction == "down" && moved > 0:
		h.wrong("direction", "From "+mm(from)+" to "+mm(to)+" is "+moveWords(from, to)+". Check the numbers, their signs, or the direction.")
	}
}

// moveWords says a move of the nozzle without a bare sign.
func moveWords(from, to float64) string {
	if to < from {
		return "nozzle down " + mm(from-to)
	}
	return "nozzle up " + mm(to-from)
}

var serviceAct = handAct{
	slug: "service", word: "Service", title: "Log a service",
	prefil: []string{"printer"},
	names:  []string{"printer", "work", "note"},
	page: func(h *hand) error {
		printer, err := h.printerField("For example P-014.")
		if err != nil {
			return err
		}
		h.page.Lead = "Work after which the last probe no longer holds."
		h.page.Caution = h.caution(firstlayer.Motion, firstlayer.Hot)
		h.page.Fields = []views.Field{printer,
			{Name: "work", Label: "What was done", Kind: "choice", Options: h.options("work", []views.Option{
				{Value: "nozzle", Word: "Nozzle changed"}, {Value: "moved", Word: "Machine moved"}, {Value: "bed", Word: "Work on the bed"}, {Value: "other", Word: "Other work"}})},
			{Name: "note", Label: "Note", Value: h.values.Get("note"), Optional: true, Longest: 1000}}
		h.page.Submit = "Save service"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		return []handRecord{h.record(farm.KindService, printer, "done_at", map[string]string{"printer": printer,
			"work": h.code("work", farm.Works, "Say what was done."), "note": h.text("note")})}, nil
	},
}

const (
	holdCaution    = "A hold is a word to people: it stops no machine. Make it safe by the workplace’s rules and the maker’s instructions first."
	releaseCaution = "Release says that jobs may start again. It does not say that the machine is safe to touch: that is for whoever is at it, by the workplace’s rules."
)

var holdAct = handAct{
	slug: "hold", word: "Hold", title: "Hold a printer or plate",
	prefil: []string{"printer", "plate"},
	names:  []string{"printer", "plate", "subject", "reason"},
	page: func(h *hand) error {
		kind, tag, err := h.subject()
		if err != nil {
			return err
		}
		if tag == "" {
			h.page.Lead = "No job should start on a printer or with a plate that is on hold, until it is released with a reason."
			h.page.Fields = []views.Field{{Name: "subject", Label: "Printer or plate", Value: h.values.Get("subject"), Longest: 64, Hint: "Its tag, for example P-014 or L-203."}}
			h.page.Submit = "Go on"
			return nil
		}
		h.page.Shell.Title = "Hold " + tag
		h.page.Lead = "No job should start " + map[string]string{"printer": "on printer ", "plate": "with plate "}[kind] + tag + " until it is released with a reason."
		h.page.Caution = holdCaution
		h.page.Hidden = []views.Fact{{Word: kind, Value: tag}}
		h.page.Fields = []views.Field{{Name: "reason", Label: "Why", Kind: "area", Value: h.values.Get("reason"), Hint: "For the next shift to read, for example: bed heater drops out."}}
		h.page.Submit, h.page.Danger = "Hold "+tag, true
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		if h.text("printer") == "" && h.text("plate") == "" {
			return nil, h.chooseSubject()
		}
		kind, tag, err := h.subject()
		if err != nil || tag == "" {
			return nil, err
		}
		reason := h.text("reason")
		if reason == "" {
			h.wrong("reason", "Say why: a hold stands until somebody can tell that its reason is gone.")
		}
		open, err := h.openHolds(kind, tag)
		if err != nil {
			return nil, err
		}
		if len(open) > 0 {
			h.wrong("", tag+" is on hold already, since "+clock(open[0].PlacedAt, h.zone)+withReason(open[0].Reason)+" Release that hold first.")
		}
		return []handRecord{h.record(farm.KindHold, tag, "placed_at", map[string]string{"subject_kind": kind, "subject": tag, "reason": reason})}, nil
	},
}

// subject is the printer or plate that is named by its kind.
func (h *hand) subject() (kind, tag string, err error) {
	for _, kind := range []string{"printer", "plate"} {
		typed := h.text(kind)
		if typed == "" {
			continue
		}
		book, err := h.printerBook()
		if kind == "plate" {
			book, err = h.plateBook()
		}
		if err != nil {
			return "", "", err
		}
		found, several := book.find(typed)
		if found != "" {
			return kind, found, nil
		}
		h.values = cloneValues(h.values)
		h.values.Set("subject", typed)
		h.values.Del(kind)
		h.wrong("subject", book.refuses(typed, kind, several))
	}
	return "", "", nil
}

// chooseSubject takes the first step: one tag, of a printer or of a plate.
func (h *hand) chooseSubject() error {
	typed := h.text("subject")
	printers, err := h.printerBook()
	if err != nil {
		return err
	}
	plates, err := h.plateBook()
	if err != nil {
		return err
	}
	printer, _ := printers.find(typed)
	plate, _ := plates.find(typed)
	switch {
	case typed == "":
		h.wrong("subject", "Give the tag of a printer or plate.")
	case printer != "" && plate != "":
		h.wrong("subject", fq(typed)+" is a printer and a plate. Go to its page and hold it there.")
	case printer != "":
		h.values.Set("printer", printer)
	case plate != "":
		h.values.Set("plate", plate)
	case len(printers.near(typed)) > 0:
		h.wrong("subject", printers.refuses(typed, "printer", nil))
	case len(plates.near(typed)) > 0:
		h.wrong("subject", plates.refuses(typed, "plate", nil))
	default:
		h.wrong("subject", "There is no printer or plate "+fq(typed)+". Check the tag on its label.")
	}
	return nil
}

// openHolds gives the holds in force on a printer or plate just before.
func (h *hand) openHolds(kind, tag string) ([]*farm.Hold, error) {
	all, err := h.s.store.OpenHolds(h.ctx, h.justBefore())
	if err != nil {
		return nil, err
	}
	var list []*farm.Hold
	for _, x := range all {
		if x.SubjectKind == kind && x.Subject == tag {
			list = append(list, x)
		}
	}
	return list, nil
}

// releaseAct is reached from what is on hold.
var releaseAct = handAct{
	slug: "release", word: "Release", title: "Release a hold",
	prefil: []string{"printer", "plate", "hold"},
	names:  []string{"printer", "plate", "hold", "reason"},
	page: func(h *hand) error {
		list, err := h.holdsToRelease()
		if err != nil {
			return err
		}
		if len(list) == 0 {
			h.page.Notice, h.page.Action = "No hold is in force there. It was released, or its entry undone.", ""
			h.page.After = views.ActLink{Word: "Holds in force", Href: h.s.url("/upkeep?list=holds")}
			return nil
		}
		tag := list[0].Subject
		h.page.Shell.Title = "Release " + tag
		choice := views.Field{Name: "hold", Label: "Hold", Kind: "choice"}
		for _, x := range list {
			choice.Options = append(choice.Options, views.Option{Value: x.ID.UUID.String(), Word: sentence(orNoRecord(x.Reason)),
				Note: "placed " + clock(x.PlacedAt, h.zone) + byWhom(x.Person), Chosen: len(list) == 1 || h.values.Get("hold") == x.ID.UUID.String()})
		}
		h.page.Lead = "On hold because: " + sentenceLower(orNoRecord(list[0].Reason)) + " Placed " + clock(list[0].PlacedAt, h.zone) + byWhom(list[0].Person) + "."
		h.page.Caution = releaseCaution
		said, is, err := h.proofSince(list[0])
		if err != nil {
			return err
		}
		h.page.Listed, h.page.ListTitle = said, "Recorded since it was placed"
		if len(list) > 1 {
			h.page.Lead = tag + " is on hold for more than one reason. Release them one by one."
			h.page.Fields = append(h.page.Fields, choice)
		} else {
			h.page.Hidden = append(h.page.Hidden, views.Fact{Word: "hold", Value: list[0].ID.UUID.String()})
		}
		h.page.Hidden = append(h.page.Hidden, views.Fact{Word: list[0].SubjectKind, Value: tag})
		h.page.Fields = append(h.page.Fields, views.Field{Name: "reason", Label: "Why it may go on", Kind: "area", Value: h.values.Get("reason"), Hint: "What was found or done, for example: heater cable replaced, bed holds 60 °C."})
		h.page.Submit = "Release " + tag
		if is == releaseOverride {
			h.page.Submit += " without proof"
			h.page.Notice = "No fix of " + tag + " has held up since. You release it on your own word, and the record says so."
		}
		return nil
	},
	build: buildRelease,
}

func byWhom(person string) string {
	if person == "" {
		return ""
	}
	return " by " + person
}

// holdsToRelease are the holds in force on what the address or form names.
func (h *hand) holdsToRelease() ([]*farm.Hold, error) {
	all, err := h.s.store.OpenHolds(h.ctx, h.now)
	if err != nil {
		return nil, err
	}
	var list []*farm.Hold
	for _, x := range all {
		if x.ID.UUID.String() == h.values.Get("hold") && h.values.Get("printer") == "" && h.values.Get("plate") == "" ||
			x.SubjectKind == "printer" && x.Subject == h.values.Get("printer") || x.SubjectKind == "plate" && x.Subject == h.values.Get("plate") {
			list = append(list, x)
		}
	}
	return list, nil
}

func buildRelease(h *hand) ([]handRecord, error) {
	reason := h.text("reason")
	if reason == "" {
		h.wrong("reason", "Say why it may go on: what was found or done.")
	}
	if h.text("hold") == "" {
		h.wrong("hold", "Choose the hold to release.")
		return nil, nil
	}
	id, err := farm.NewID(farm.KindHold, h.text("hold"))
	if err != nil {
		return nil, badRequest(fault.Problem{Column: "hold", Found: h.text("hold"), Expected: "the id of a hold"})
	}
	rec, err := h.s.store.Event(h.ctx, farm.KindHold, id)
	if err != nil {
		return nil, err
	}
	x := rec.(*farm.Hold)
	if !x.VoidedAt.IsZero() {
		h.wrong("", "This hold was undone. There is nothing to release.")
		return nil, nil
	}
	if !x.ReleasedAt.IsZero() && !x.ReleasedAt.Equal(h.when) {
		h.wrong("", "It was released already, "+clock(x.ReleasedAt, h.zone)+byWhom(x.ReleasedBy)+".")
		return nil, nil
	}
	_, is, err := h.proofSince(x)
	if err != nil {
		return nil, err
	}
	if !x.ReleasedAt.IsZero() {
		is = x.ReleaseIs // the same form again
	}
	if h.when.Before(x.PlacedAt) {
		h.wrong("when", "It was placed "+clock(x.PlacedAt, h.zone)+". It cannot be released before.")
	}
	r := handRecord{kind: farm.KindHold, id: id.UUID, about: x.Subject, from: map[string]string{"released_at": "when", "released_by": "person", "release_reason": "reason"},
		fields: map[string]string{"subject_kind": x.SubjectKind, "subject": x.Subject, "placed_at": stamp(x.PlacedAt),
			"released_at": stamp(h.when), "released_by": h.person, "release_reason": reason, "release_is": is}}
	return []handRecord{r}, nil
}

// spotWord says where a plate is.
func spotWord(s *store.Spot) string {
	switch {
	case s.Printer != "" && s.Bay != "":
		return s.Printer + ", " + s.Bay
	case s.Printer != "":
		return s.Printer
	case s.State != "in_use":
		return strings.ToLower(plateStateStates[s.State].Word)
	}
	return "no record"
}
