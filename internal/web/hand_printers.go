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
		plate, err := h.plateIfAny("plate")
		if err != nil {
			return nil, err
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
