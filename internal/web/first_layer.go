package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getFirstLayer() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		text, err := tagParam(c, "id")
		if err != nil {
			return err
		}
		id, err := farm.NewID(farm.KindFirstLayer, text)
		if err != nil || id.IsZero() {
			return fault.New(fault.NotFound, "There is no first layer %s.", fault.Quote(text))
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		f, err := s.store.FirstLayer(ctx, id)
		if err != nil {
			return err
		}
		printer, err := s.store.PrinterByTag(ctx, f.Printer)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		shell := withClock(s.shell(c, "First layer on "+f.Printer, "/floor"), now, zone)
		return render(c, http.StatusOK, views.FirstLayer(s.firstLayerPage(shell, f, printer, zone)))
	}
}

func (s *Server) firstLayerPage(shell views.Shell, f *farm.FirstLayer, printer *farm.Printer, zone *time.Location) views.FirstLayerPage {
	p := views.FirstLayerPage{
		Shell: shell, ID: f.ID.UUID.String(), Printer: f.Printer, Plate: f.Plate, State: stateFor(gradeStates, f.Grade),
		Zones: zoneMap(f, printer),
	}
	p.Crumbs = []views.Fact{{Value: "Printer " + f.Printer, Href: s.url("/printers/" + url.PathEscape(f.Printer))}}
	if f.Plate != "" {
		p.Crumbs = append(p.Crumbs, views.Fact{Value: "Plate " + f.Plate, Href: s.url("/plates/" + url.PathEscape(f.Plate))})
	}
	if !f.VoidedAt.IsZero() {
		p.Voided = "Voided " + clock(f.VoidedAt, zone) + ": " + orNoRecord(f.VoidReason)
	}
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
		add("Graded", orNoRecord(f.Grader), "")
		if !f.GradedAt.IsZero() {
			p.Facts[len(p.Facts)-1].Note = clock(f.GradedAt, zone)
		}
	}
	add("Plate", orNoRecord(f.Plate), sideWords(f.PlateSide, f.PlateTurned))
	add("Material", orNoRecord(f.Material), f.Lot)
	add("Job", f.Job, map[string]string{"shown": "underside shown", "hidden": "underside hidden"}[f.Underside])
	add("Layer", mm(orDefault(f.LayerHeightMM, farm.DefaultLayerHeightMM))+" high, "+mm(orDefault(f.LineWidthMM, farm.DefaultLineWidthMM))+" wide", "")
	add("Probed for it", f.Probed, "as stated with the start")
	if farm.Known(f.NudgeMM) && f.NudgeMM != 0 {
		add("Nudged", nudgeWords(f.NudgeMM), "while it printed")
	}
	add("Decision", strings.ReplaceAll(f.Decision, "_", " "), "")
	add("Outcome", wordFor(outcomeWords, f.Outcome), "")
	for _, r := range f.Readings {
		kind := "line"
		if r.Patch {
			kind = "patch"
		}
		add("Reading "+r.Zone.Text(), strconv.FormatFloat(r.MM, 'f', -1, 64)+thin+"mm", kind)
	}
	add("Note", f.Note, "")
	add("Arrived", clock(f.ArrivedAt, zone), "")
	add("Id", f.ID.Text(), "")
	return p
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
