package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Heights gives the height book as of now, and the study of a printer’s meshes.
type Heights interface {
	Heights(ctx context.Context, now time.Time, seen store.DataVersion) (*assess.HeightBook, error)
	// Meshes studies a printer's meshes with what the farm's others say.
	Meshes(ctx context.Context, printer string, at time.Time) (*assess.MeshStudy, error)
	// WantSheet asks for the evidence sheet of a finding as of now; WorksSheets tells
	// whether this process works them out, CheckSheet does so anew and compares.
	WantSheet(ctx context.Context, w store.SheetWanted) error
	WorksSheets() bool
	CheckSheet(ctx context.Context, kept *farm.EvidenceSheet) (*assess.Check, error)
}

// heightsPatience is how long a page that is about something else waits for the
// height book.
const heightsPatience = 300 * time.Millisecond

// heightRows is how many rows of the book stand on a page.
const heightRows = 100

// heightsBeside gives the height book for a page that is about something else;
// nil where it cannot be had just now.
func (s *Server) heightsBeside(ctx context.Context, now time.Time, seen store.DataVersion) *assess.HeightBook {
	if s.cfg.Heights == nil {
		return nil
	}
	wait, cancel := context.WithTimeout(ctx, heightsPatience)
	defer cancel()
	h, err := s.cfg.Heights.Heights(wait, now, seen)
	if err != nil {
		if !errors.Is(err, context.DeadlineExceeded) {
			s.log.WarnContext(ctx, "height book not read", "error", err.Error())
		}
		return nil
	}
	return h
}

// heightQuery is what the book's address may say.
type heightQuery struct {
	part string // plates, printers
	page int    // from 1
	pair struct{ printer, plate, side string }
}

func readHeightQuery(c echo.Context) (q heightQuery, err error) {
	if err := onlyParams(c, "part", "page", "printer", "plate", "side"); err != nil {
		return q, err
	}
	q.part, q.page = c.QueryParam("part"), 1
	switch q.part {
	case "":
		q.part = "plates"
	case "plates", "printers":
	default:
		return q, badRequest(fault.Problem{Column: "part", Found: q.part, Expected: "plates or printers"})
	}
	if text := c.QueryParam("page"); text != "" {
		if q.page, err = strconv.Atoi(text); err != nil || q.page < 1 || q.page > 1e6 {
			return q, badRequest(fault.Problem{Column: "page", Found: text, Expected: "a whole number from 1"})
		}
	}
	q.pair.printer, q.pair.plate, q.pair.side = strings.TrimSpace(c.QueryParam("printer")), strings.TrimSpace(c.QueryParam("plate")), c.QueryParam("side")
	if !slices.Contains([]string{"", "a", "b"}, q.pair.side) {
		return q, badRequest(fault.Problem{Column: "side", Found: q.pair.side, Expected: "a, b or nothing"})
	}
	return q, nil
}

// wholeBook gives the height book for its own page, and the frame it stands in.
func (s *Server) wholeBook(c echo.Context) (*assess.HeightBook, store.Frame, time.Time, error) {
	ctx, now := c.Request().Context(), s.now()
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return nil, frame, now, err
	}
	if s.cfg.Heights == nil {
		return nil, frame, now, fault.New(fault.NotFound, "This program keeps no height book.")
	}
	h, err := s.cfg.Heights.Heights(ctx, now, frame.Version)
	return h, frame, now, err
}

func (s *Server) getHeights() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := readHeightQuery(c)
		if err != nil {
			return err
		}
		h, frame, now, err := s.wholeBook(c)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		p := views.HeightsPage{Shell: withClock(s.shell(c, "Height book", "/trends"), now, zone), Crumb: s.url("/trends"), Action: s.url("/heights"), Part: q.part, CSV: s.url("/heights.csv?part=" + q.part)}
		p.DataThrough = clock(h.AsOf, zone)
		p.Lead = heightsLead(h)
		p.Left = heightsLeft(h)
		s.fillPair(&p, h, q)
		p.Parts = views.FilterRow{Label: "Show"}
		measured := 0
		for _, z := range h.Book.Printers {
			if z.Group >= 0 {
				measured++
			}
		}
		for _, x := range []struct {
			code, word string
			n          int
		}{{"plates", "Plates", len(h.Book.Sides)}, {"printers", "Printers", measured}} {
			p.Parts.Links = append(p.Parts.Links, views.FilterLink{Word: x.word, Count: count(x.n), Href: s.url("/heights?part=" + x.code), Current: q.part == x.code})
		}
		if len(h.Book.Sides) == 0 {
			p.Empty = "Nothing to tell yet. The book fills by itself: from layers measured or nudged on printers whose zero is the frame, and from offset changes that were kept."
			if h.Framed == 0 {
				p.Empty = "No printer is said to take its zero from the frame. Where the zero is taken from the plate in place, thickness cancels and there is nothing to tell. A manager can say it in Setup, printer by printer."
			}
			return render(c, 200, views.Heights(p))
		}
		p.Method = fmt.Sprintf("All pairs are solved at once: offset error = printer’s zero, which drifts and is loosened by services and probes, minus the plate side’s thickness. Intervals are 95 %%. "+
			"Here plates differ by %s (standard deviation), zeros by %s; a zero drifts by %s in ten days; one layer tells to %s beside what its gauge leaves open.", aboutMM(h.Parts.PlateMM), aboutMM(h.Parts.ZeroMM), aboutMM(h.Parts.DriftMM*math.Sqrt(10)), aboutMM(h.Parts.NoiseMM))
		rows := heightTable(h, q.part, zone, s.url)
		p.Table, p.Pager = rows, views.Pager{Plain: true}
		first := min(len(rows.Rows), (q.page-1)*heightRows)
		p.Table.Rows = rows.Rows[first:min(len(rows.Rows), first+heightRows)]
		at := func(n int) string { return s.url(fmt.Sprintf("/heights?part=%s&page=%d", q.part, n)) }
		if q.page > 1 {
			p.Pager.Newer = at(q.page - 1)
		}
		if first+heightRows < len(rows.Rows) {
			p.Pager.Older = at(q.page + 1)
		}
		if len(p.Table.Rows) == 0 {
			p.Empty = "This page is empty: the list is shorter now."
		}
		return render(c, 200, views.Heights(p))
	}
}

func heightsLead(h *assess.HeightBook) string {
	groups := "all connected by plates in common"
	if h.Book.Groups > 1 {
		groups = "in " + count(h.Book.Groups) + " groups that no plate connects; nothing is claimed from one to another"
	}
	if len(h.Book.Sides) == 0 {
		return "Which plates are thick, which printers stand low, and the nozzle move to expect for a pair never tried."
	}
	return "From " + counted(h.Layers, "layer", "layers") + " of the last " + count(int(assess.HeightWindow.Hours()/24)) + " days, " + groups + "."
}

// heightsLeft says which printers are not in the book, and why.
func heightsLeft(h *assess.HeightBook) string {
	var onPlate, notSaid, notMeasured int
	for i, p := range h.Printers {
		switch {
		case p.Retired:
		case p.ZeroFrom == "plate":
			onPlate++
		case p.ZeroFrom == "":
			notSaid++
		case h.Book.Printers[i].Group < 0:
			notMeasured++
		}
	}
	var words []string
	if onPlate > 0 {
		words = append(words, counted(onPlate, "printer takes its", "printers take their")+" zero from the plate in place, where thickness cancels")
	}
	if notSaid > 0 {
		words = append(words, "of "+count(notSaid)+" it is not said where the zero is from")
	}
	if notMeasured > 0 {
		words = append(words, "on "+count(notMeasured)+" no layer was measured")
	}
	if len(words) == 0 {
		return ""
	}
	return "Not in the book: " + strings.Join(words, "; ") + "."
}

// fillPair answers for the pair that was asked for.
func (s *Server) fillPair(p *views.HeightsPage, h *assess.HeightBook, q heightQuery) {
	printer := views.Field{Name: "printer", Label: "Printer", Kind: "text", Value: q.pair.printer, Hint: "For example P-014", Longest: 64}
	plate := views.Field{Name: "plate", Label: "Plate", Kind: "text", Value: q.pair.plate, Hint: "For example L-203", Longest: 64}
	side := views.Field{Name: "side", Label: "Side up", Kind: "select", Optional: true}
	for _, o := range [][2]string{{"", "Not said"}, {"a", "A"}, {"b", "B"}} {
		side.Options = append(side.Options, views.Option{Value: o[0], Word: o[1], Chosen: o[0] == q.pair.side})
	}
	if q.pair.printer != "" || q.pair.plate != "" {
		find := func(f *views.Field, number func(string) int, what string) string {
			tag := strings.ToUpper(f.Value)
			switch {
			case number(f.Value) >= 0:
				return f.Value
			case number(tag) >= 0:
				return tag
			case f.Value == "":
				f.Wrong = "Give a " + what + "."
			default:
				f.Wrong = "There is no " + what + " " + fault.Quote(f.Value) + "."
			}
			p.Problems = append(p.Problems, views.FormProblem{Field: f.Name, Words: f.Wrong})
			return ""
		}
		i, j := find(&printer, h.PrinterNumber, "printer"), find(&plate, h.PlateNumber, "plate")
		if i != "" && j != "" {
			p.Answer, _ = expectWords(h, i, onPlate{j, q.pair.side})
		}
	}
	p.Fields = []views.Field{printer, plate, side}
}

// heightTable is one part of the book, what differs most first.
func heightTable(h *assess.HeightBook, part string, zone *time.Location, at func(string) string) views.Table {
	if part == "printers" {
		return printerHeights(h, zone, at)
	}
	sides := slices.Clone(h.Book.Sides)
	slices.SortStableFunc(sides, func(a, b bed.PlateSide) int {
		return cmp.Or(cmp.Compare(a.Group, b.Group), cmp.Compare(math.Abs(b.MM), math.Abs(a.MM)))
	})
	t := views.Table{Caption: "Plate sides", Sub: "against the mean of their group, what differs most first", Columns: []views.Column{{Word: "Plate"}, {Word: "Side"}, {Word: "Than the mean", Number: true}, {Word: "Likely"}, {Word: "Layers", Number: true}, {Word: "Measured on"}}}
	if h.Book.Groups > 1 {
		t.Columns = append(t.Columns, views.Column{Word: "Group", Number: true})
	}
	for _, x := range sides {
		tag := h.Plates[x.Plate]
		cells := append([]views.Cell{{Text: tag, Href: at("/plates/" + url.PathEscape(tag))}, {Text: sideName(x.Side)}}, thicknessCells(x)...)
		cells = append(cells, views.Cell{Text: count(x.Layers)}, views.Cell{Text: measuredOn(h, x)})
		if h.Book.Groups > 1 {
			cells = append(cells, views.Cell{Text: count(x.Group + 1)})
		}
		t.Rows = append(t.Rows, views.Row{Cells: cells})
	}
	return t
}

func printerHeights(h *assess.HeightBook, zone *time.Location, at func(string) string) views.Table {
	t := views.Table{Caption: "Printers", Sub: "where the nozzle stands over a mean plate as the printer is set now, what is off most first",
		Columns: []views.Column{{Word: "Printer"}, {Word: "Over a mean plate", Number: true}, {Word: "Likely"}, {Word: "Layers", Number: true}, {Word: "Plate sides", Number: true}, {Word: "Last measured"}}}
	if h.Book.Groups > 1 {
		t.Columns = append(t.Columns, views.Column{Word: "Group", Number: true})
	}
	var order []int
	for i, z := range h.Book.Printers {
		if z.Group >= 0 && !h.Printers[i].Retired {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := h.Book.Printers[a], h.Book.Printers[b]
		return cmp.Or(cmp.Compare(x.Group, y.Group), cmp.Compare(math.Abs(y.MM), math.Abs(x.MM)))
	})
	for _, i := range order {
		z, tag := h.Book.Printers[i], h.Printers[i].Tag
		cells := []views.Cell{{Text: tag, Href: at("/printers/" + url.PathEscape(tag))}, {Text: awayWords(z.MM, "high", "low")}, {Text: between(z.LowMM, z.HighMM, "high", "low")},
			{Text: count(z.Layers)}, {Text: count(z.Plates)}, {Text: clock(h.When(z.LastDay), zone)}}
		if h.Book.Groups > 1 {
			cells = append(cells, views.Cell{Text: count(z.Group + 1)})
		}
		t.Rows = append(t.Rows, views.Row{Cells: cells})
	}
	return t
}

// measuredOn names the printers a side was measured on: a few by name.
func measuredOn(h *assess.HeightBook, s bed.PlateSide) string {
	const shown = 4
	var tags []string
	for _, i := range s.Printers[:min(shown, len(s.Printers))] {
		tags = append(tags, h.Printers[i].Tag)
	}
	words := strings.Join(tags, ", ")
	if more := len(s.Printers) - shown; more > 0 {
		words += " and " + count(more) + " more"
	}
	return words
}

// getHeightsCSV gives a part of the book with plain numbers in mm.
func (s *Server) getHeightsCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "part"); err != nil {
			return err
		}
		q, err := readHeightQuery(c)
		if err != nil {
			return err
		}
		h, frame, _, err := s.wholeBook(c)
		if err != nil {
			return err
		}
		number := func(x float64) string { return strconv.FormatFloat(x, 'f', 4, 64) }
		rows := [][]string{{"plate", "side", "group", "thicker_than_mean_mm", "low_mm", "high_mm", "layers", "measured_on"}}
		if q.part == "printers" {
			rows = [][]string{{"printer", "group", "too_high_over_mean_plate_mm", "low_mm", "high_mm", "layers", "plate_sides", "last_measured"}}
			for i, z := range h.Book.Printers {
				if z.Group >= 0 {
					rows = append(rows, []string{h.Printers[i].Tag, strconv.Itoa(z.Group + 1), number(z.MM), number(z.LowMM), number(z.HighMM), strconv.Itoa(z.Layers), strconv.Itoa(z.Plates), iso(h.When(z.LastDay))})
				}
			}
		} else {
			for _, x := range h.Book.Sides {
				var on []string
				for _, i := range x.Printers {
					on = append(on, h.Printers[i].Tag)
				}
				row := []string{h.Plates[x.Plate], "", strconv.Itoa(x.Group + 1), "", "", "", strconv.Itoa(x.Layers), strings.Join(on, " ")}
				if x.Side != 0 {
					row[1] = string(rune(x.Side))
				}
				if !x.Alone {
					row[3], row[4], row[5] = number(x.MM), number(x.LowMM), number(x.HighMM)
				}
				rows = append(rows, row)
			}
		}
		return writeCSV(c, "heights-"+q.part+"-"+h.AsOf.In(frame.Settings.Zone()).Format("2006-01-02")+".csv", rows)
	}
}
