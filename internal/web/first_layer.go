package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// firstLayer finds the first layer an address names, and its printer.
func (s *Server) firstLayer(c echo.Context) (*farm.FirstLayer, *farm.Printer, error) {
	text, err := tagParam(c, "id")
	if err != nil {
		return nil, nil, err
	}
	id, err := farm.NewID(farm.KindFirstLayer, text)
	if err != nil || id.IsZero() {
		return nil, nil, fault.New(fault.NotFound, "There is no first layer %s.", fault.Quote(text))
	}
	f, err := s.store.FirstLayer(c.Request().Context(), id)
	if err != nil {
		return nil, nil, err
	}
	printer, err := s.store.PrinterByTag(c.Request().Context(), f.Printer)
	return f, printer, err
}

func (s *Server) getFirstLayer() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved", massField.name, areaField.name, densityField.name); err != nil {
			return err
		}
		f, printer, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		shell := withClock(s.shell(c, "First layer on "+f.Printer, "/grade"), now, zone)
		p := s.firstLayerPage(shell, f, printer, zone)
		under, err := s.under(ctx, f, printer, time.Duration(frame.Settings.Number("start_window_minutes")*float64(time.Minute)))
		if err != nil {
			return err
		}
		p.Started = under.sentences(f)
		moves := map[string]float64{}
		if f.Grade != "" && f.VoidedAt.IsZero() {
			weighed := readWeighed(c, f, printer)
			p.Weigh = weighed.part(s.url("/first-layers/" + f.ID.UUID.String()))
			told, err := s.cfg.Diagnoses.Diagnosis(ctx, &assess.LayerAsked{Layer: f, Printer: printer, History: under.history, Exposures: under.all, Plates: under.plates, Settings: frame.Settings, Seen: frame.Version, Patch: weighed.patch()}, now)
			if err != nil {
				return err
			}
			p.Advice, moves = layerAdvice(&told), movesOf(&told)
		}
		near, err := s.store.LayerNear(ctx, f)
		if err != nil {
			return err
		}
		href := func(id uuid.UUID) string {
			if id.IsNil() {
				return ""
			}
			return s.url("/first-layers/" + id.String())
		}
		p.Previous, p.Following, p.Instead = href(near.Previous), href(near.Next), href(near.ReplacedBy)
		if p.Answered, err = s.answered(ctx, f, windowEnd(frame, now), zone); err != nil {
			return err
		}
		acts, err := s.store.RecordActs(ctx, f.ID.UUID)
		if err != nil {
			return err
		}
		p.History = recordHistory(acts, zone)
		if p.Saved, err = s.saved(c, zone); err != nil {
			return err
		}
		if p.Saved.Words != "" {
			p.Saved.Next, p.Saved.Back = "/grade", views.ActLink{}
			p.Next, err = s.afterGrade(c, f, windowEnd(frame, now))
			if err != nil {
				return err
			}
		}
		if p.Advice.Action != "" && f.VoidedAt.IsZero() {
			cause := ""
			if len(p.Advice.Causes) > 0 {
				cause = p.Advice.Causes[0].Code
			}
			if err := s.offerDone(ctx, &p, f, cause, moves); err != nil {
				return err
			}
		}
		if p.Photos, err = s.photoPart(ctx, identity(c), f, zone); err != nil {
			return err
		}
		p.Decide = s.decide(f, printer, now, p.Saved.Words != "")
		if f.VoidedAt.IsZero() {
			id := f.ID.UUID.String()
			if f.Grade == "" {
				p.Next = append(p.Next, views.Link{Word: "Grade it", Href: s.gradeHref(f.Printer, id), Main: p.Saved.Words == ""})
			}
			p.Next = append(p.Next, views.Link{Word: "Correct it", Href: s.url("/first-layers/" + id + "/correct")}, views.Link{Word: "Void it", Href: s.url("/first-layers/" + id + "/void")})
		}
		return render(c, http.StatusOK, views.FirstLayer(p))
	}
}

// offerDone puts Done beside every advice that nobody answered: by one tap where that
// is enough, and what will show that it held once for each printer or plate.
func (s *Server) offerDone(ctx context.Context, p *views.FirstLayerPage, f *farm.FirstLayer, cause string, moves map[string]float64) error {
	said := map[string]bool{}
	offer := func(step *views.AdviceStep) ([]views.Link, error) {
		if slices.ContainsFunc(p.Answered, func(x views.Proof) bool { return x.Action == step.Action }) {
			return nil, nil
		}
		tap, err := s.tap(ctx, f, *step, cause, moves[step.Action])
		if err != nil {
			return nil, err
		}
		if said[tap.Proof] {
			tap.Proof = ""
		}
		said[tap.Proof], step.Tap = true, tap
		return s.doneLinks(f, step.Action, cause, moves[step.Action]), nil
	}
	first := views.AdviceStep{Action: p.Advice.Action, Do: p.Advice.Do}
	links, err := offer(&first)
	if err != nil {
		return err
	}
	p.Tap, p.Answers = first.Tap, links
	if len(links) > 0 && p.Tap.To != "" {
		p.Answers[0].Word = "Done, with details"
	}
	for i := range p.Advice.Then {
		step := &p.Advice.Then[i]
		if links, err = offer(step); err != nil {
			return err
		}
		if len(links) > 0 {
			step.Done = links[0].Href
		}
	}
	return nil
}

// afterGrade leads on: to the next start that waits, by the walk, and to the
// Floor.
func (s *Server) afterGrade(c echo.Context, f *farm.FirstLayer, end time.Time) ([]views.Link, error) {
	list, err := s.store.WaitingStarts(c.Request().Context(), end.Add(-gradeWithin), end, waitingRead)
	if err != nil {
		return nil, err
	}
	var next *store.WaitingStart
	here, err := s.store.BayOf(c.Request().Context(), f.Printer)
	if err != nil {
		return nil, err
	}
	at := &store.FloorPrinter{Printer: f.Printer, Bay: here}
	for _, later := range []bool{true, false} { // on from here, else from the beginning of the walk
		for i := range list {
			x := &store.FloorPrinter{Printer: list[i].Printer, Bay: list[i].Bay}
			if later && walkingLess(x, at) {
				continue
			}
			if next == nil || walkingLess(x, &store.FloorPrinter{Printer: next.Printer, Bay: next.Bay}) {
				next = &list[i]
			}
		}
		if next != nil {
			break
		}
	}
	var out []views.Link
	if next != nil {
		out = append(out, views.Link{Word: "Next: grade " + next.Printer, Href: s.gradeHref(next.Printer, next.ID.String()), Main: true})
	}
	return append(out, views.Link{Word: "Floor", Href: s.url("/floor"), Main: next == nil}), nil
}

// recordHistory tells what was done to a record, the latest first.
func recordHistory(acts []store.RecordAct, zone *time.Location) []views.Event {
	var out []views.Event
	for i := len(acts) - 1; i >= 0; i-- {
		a := acts[i]
		e := views.Event{When: clock(a.At, zone), ISO: iso(a.At), What: "Filled in", Kind: "change"}
		voided := slices.ContainsFunc(a.Fields, func(f store.FieldChange) bool { return f.Field == "voided_at" })
		if a.Made {
			e.What = "Recorded"
		} else if voided {
			e.What = "Voided"
		} else if slices.ContainsFunc(a.Fields, func(f store.FieldChange) bool { return f.Field == "grade" }) {
			e.What = "Graded"
		}
		var with []string
		for _, f := range a.Fields {
			switch f.Field {
			case "voided_at", "voided_by", "graded_at", "noted_by", "noted_at":
			case "void_reason":
				with = append(with, f.Became)
			case "grade":
				with = append(with, stateFor(gradeStates, f.Became).Word)
			case "replaces":
				with = append(with, "replaces a voided record")
			default:
				with = append(with, strings.ReplaceAll(strings.TrimSuffix(f.Field, "_mm"), "_", " ")+" "+strings.ReplaceAll(f.Became, "_", " "))
			}
		}
		switch {
		case a.Person != "":
			with = append(with, "by "+a.Person)
		case a.Token != "":
			with = append(with, "by "+a.Token)
		}
		with = append(with, map[string]string{"import": "by import", "api": "through the API", "command": "by command", "program": "by the program"}[a.Via])
		e.With = joinWords(with)
		out = append(out, e)
	}
	return out
}

func (s *Server) firstLayerPage(shell views.Shell, f *farm.FirstLayer, printer *farm.Printer, zone *time.Location) views.FirstLayerPage {
	p := views.FirstLayerPage{
		Shell: shell, ID: f.ID.UUID.String(), Printer: f.Printer, Plate: f.Plate, State: stateFor(gradeStates, f.Grade), When: "started " + clock(f.StartedAt, zone),
	}
	p.Crumbs = []views.Fact{{Value: "Grade", Href: s.url("/grade")}, {Value: "Printer " + f.Printer, Href: s.url("/printers/" + url.PathEscape(f.Printer))}}
	if f.Plate != "" {
		p.Crumbs = append(p.Crumbs, views.Fact{Value: "Plate " + f.Plate, Href: s.url("/plates/" + url.PathEscape(f.Plate))})
	}
	if !f.VoidedAt.IsZero() {
		p.Voided = "Voided " + clock(f.VoidedAt, zone) + byWhom(f.VoidedBy) + ": " + sentenceEnd(orNoRecord(f.VoidReason))
	}
	p.Maps = frameMaps(f, printer)
	add := func(word, value, note string) {
		if value != "" {
			p.Facts = append(p.Facts, views.Fact{Word: word, Value: value, Note: note})
		}
	}
	started := ""
	if f.StartIs == "sent" {
		started = "when it was sent"
	}
	add("Started", clock(f.StartedAt, zone), started)
	if f.Grade != "" {
		add("Graded by", orNoRecord(f.Grader), "")
		if !f.GradedAt.IsZero() {
			p.Facts[len(p.Facts)-1].Note = clock(f.GradedAt, zone)
		}
	}
	add("Plate", orNoRecord(f.Plate), sideWords(f.PlateSide, f.PlateTurned))
	add("Material", orNoRecord(f.Material), f.Lot)
	add("Job", f.Job, "")
	add("Underside", map[string]string{"shown": "shows", "hidden": "hidden"}[f.Underside], "")
	pitch := ""
	if farm.Known(f.LinePitchMM) {
		pitch = "lines " + mm(f.LinePitchMM) + " apart"
	}
	add("Layer", mm(orDefault(f.LayerHeightMM, farm.DefaultLayerHeightMM))+" high, "+mm(orDefault(f.LineWidthMM, farm.DefaultLineWidthMM))+" wide", pitch)
	if farm.Known(f.NozzleMM) {
		add("Nozzle", mm(f.NozzleMM), "")
	}
	add("Probed for it", f.Probed, "as stated with the start")
	if farm.Known(f.NudgeMM) && f.NudgeMM != 0 {
		add("Nudged", nudgeWords(f.NudgeMM), "while it printed")
	}
	add("Decision", sentenceCase(f.Decision), "")
	add("Outcome", wordFor(outcomeWords, orCode(f.Outcome, map[string]string{"yes": "unseen"}[f.Unseen])), "")
	add("Seen from", map[string]string{"above_printing": "above, while it printed", "above_done": "above, when it was done", "underside": "its underside"}[f.SeenFrom], "")
	add("Looked at", map[string]string{"round": "on a round", "lot": "drawn by lot", "risk": "because of its risk", "looked_bad": "because it looked bad", "asked": "because somebody asked"}[f.LookedBecause], "")
	for _, r := range f.Readings {
		kind := "line"
		if r.Patch {
			kind = "solid patch"
		}
		add("Reading "+r.Zone.Text(), strconv.FormatFloat(r.MM, 'f', -1, 64)+thin+"mm", kind)
	}
	add("Measured with", f.Instrument, "")
	add("Note", f.Note, "")
	if !f.NotedAt.IsZero() && f.NotedAt.Sub(f.StartedAt) > 24*time.Hour {
		add("Entered", clock(f.NotedAt, zone), "late entry")
	}
	add("Arrived", clock(f.ArrivedAt, zone), "")
	add("Id", f.ID.Text(), "")
	return p
}

// frameMaps draws the marks in both frames: as they lie on the printer's bed, and
// on the plate turned back to how it is kept.
func frameMaps(f *farm.FirstLayer, printer *farm.Printer) []views.FrameMap {
	bed := views.FrameMap{Frame: "printer", Title: "By printer: bed of " + f.Printer, Zones: zoneMap(f, printer)}
	if f.SeenFrom == "underside" {
		bed.Sub = "Seen from below; shown as it lies, from the front and above."
	}
	if f.Plate == "" {
		return []views.FrameMap{bed}
	}
	back := *f
	plate := views.FrameMap{Frame: "plate", Title: "By plate: " + f.Plate, Sub: "It lay as it is kept: both maps are alike."}
	if f.PlateSide != "" {
		plate.Title += " side " + strings.ToUpper(f.PlateSide)
	}
	switch f.PlateTurned {
	case "yes":
		plate.Sub = "It lay turned by 180° and is turned back here: what stays in a zone of this map is the plate’s."
		turn := func(z farm.Zone) farm.Zone {
			return farm.Zone{Col: uint8(printer.ZoneCols-1) - z.Col, Row: uint8(printer.ZoneRows-1) - z.Row}
		}
		back.Marks, back.Covered = slices.Clone(f.Marks), slices.Clone(f.Covered)
		for i := range back.Marks {
			back.Marks[i].Zone = turn(back.Marks[i].Zone)
		}
		for i := range back.Covered {
			back.Covered[i] = turn(back.Covered[i])
		}
	case "":
		plate.Sub = "No record which way round it lay; taken as not turned."
	}
	plate.Zones = zoneMap(&back, printer)
	plate.Zones.Caption = "Marks by zone of the plate; the last row is its front edge"
	return []views.FrameMap{bed, plate}
}

func orDefault(x, standard float64) float64 {
	if farm.Known(x) {
		return x
	}
	return standard
}

func sideWords(side, turned string) string {
	words := ""
	if side != "" {
		words = "side " + strings.ToUpper(side)
	}
	if turned == "yes" {
		words = strings.TrimPrefix(words+", turned 180°", ", ")
	}
	return words
}

// nudgeWords says a Z move by its direction, never by a sign.
func nudgeWords(move float64) string {
	if move < 0 {
		return "nozzle down " + mm(-move) + " (towards the bed)"
	}
	return "nozzle up " + mm(move) + " (away from the bed)"
}

// zoneMap lays the zones out as seen from the front and above: the back row
// first.
func zoneMap(f *farm.FirstLayer, printer *farm.Printer) views.ZoneMap {
	cols, rows := printer.ZoneCols, printer.ZoneRows
	m := views.ZoneMap{Caption: "Marks by zone, seen from the front and above; the last row is the front"}
	for row := rows - 1; row >= 0; row-- {
		var line []views.ZoneCell
		for col := range cols {
			cell := views.ZoneCell{Code: zoneCode(col, row), Place: zonePlace(col, row, cols, rows), Covered: len(f.Covered) == 0}
			for _, z := range f.Covered {
				cell.Covered = cell.Covered || int(z.Col) == col && int(z.Row) == row
			}
			for _, k := range f.Marks {
				if int(k.Zone.Col) == col && int(k.Zone.Row) == row {
					cell.Marked = true
					if cell.Mark == "" {
						cell.Mark = k.Mark
					}
					cell.Words = append(cell.Words, shortMark(k.Mark)+", "+severityWords[k.Severity])
				}
			}
			if len(cell.Words) == 0 {
				cell.Words = []string{"no mark"}
				if !cell.Covered {
					cell.Words = []string{"not printed"}
				} else if f.Grade == "" {
					cell.Words = []string{"not seen"}
				}
			}
			line = append(line, cell)
		}
		m.Rows = append(m.Rows, line)
	}
	return m
}

// shortMark is a mark's word without what stands in brackets.
func shortMark(code string) string {
	word, _, _ := strings.Cut(wordFor(markWords, code), " (")
	return word
}
