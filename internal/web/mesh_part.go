package web

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// meshStudy studies a printer's meshes, with the farm's other printers where they
// are known.
func (s *Server) meshStudy(ctx context.Context, tag string, now time.Time) (*assess.MeshStudy, error) {
	if s.cfg.Heights == nil {
		return assess.Meshes(ctx, s.store, tag, now)
	}
	return s.cfg.Heights.Meshes(ctx, tag, now)
}

// meshPart says what a printer's meshes say together.
func (s *Server) meshPart(m *assess.MeshStudy, zone *time.Location) views.MeshPart {
	if len(m.Probes) == 0 {
		return views.MeshPart{Empty: "No mesh of this printer yet. Paste one when a probe is logged: it shows the bed’s shape and, with some more, how long a probe holds."}
	}
	last := &m.Probes[len(m.Probes)-1]
	p := views.MeshPart{Map: meshMap("latest-map", "Latest mesh, "+clock(last.At, zone), assess.ProbeMesh(last)),
		Page: views.Link{Word: "All about this mesh, and what changed since earlier ones", Href: s.url("/probes/" + last.ID.String())}}
	p.Horizon, p.How = horizonWords(m)
	if n := len(m.Drift.Copied); n > 0 {
		p.Notices = append(p.Notices, sentenceCase(counted(n, "mesh repeats", "meshes repeat"))+" the one before digit by digit: reported again, not measured anew. Left out here.")
	}
	if r := m.Repeats; r.Groups > 0 {
		p.How = strings.TrimSpace(p.How + " " + fmt.Sprintf("Probed again at once, a height comes out within %s (one standard deviation; %s).", mm3(r.SDMM), counted(r.Groups, "repeat", "repeats")))
	}
	p.Growth = meshGrowth(m)
	return p
}

// roundStarts writes a number of starts with two figures.
func roundStarts(x float64) string {
	if x >= 1000 {
		return "over 1000"
	}
	if x >= 10 {
		digit := math.Pow(10, math.Floor(math.Log10(x))-1)
		x = math.Round(x/digit) * digit
	} else {
		x = math.Round(x)
	}
	return count(int(x))
}

func horizonWords(m *assess.MeshStudy) (says, how string) {
	h := &m.Horizon
	b := m.Profile.Band()
	band := fmt.Sprintf("%.2f to %.2f%smm", b.LowMM, b.HighMM, thin)
	switch {
	case !m.Known:
		return "Too few meshes to say how long one stays true.", fmt.Sprintf("%s so far, %s with a start between. It takes about %d.", sentenceCase(counted(m.Drift.Probes, "mesh", "meshes")), counted(m.Drift.Between, "pair", "pairs"), bed.LeastBetween)
	case h.ProbeFault:
		return "The probe is the fault: its own error fills the band already.", fmt.Sprintf("One probe is off by %s (one standard deviation) at the %s; more than %s leaves %s in over 5%s%% of starts on the day of the probe. Clean the tip, look for a loose probe or mount, probe twice in a row; until then no number of starts can be named.", mm3(h.ProbeMM), placeWord(h.Place), mm3(h.AllowedMM), band, thin)
	case math.IsInf(h.Starts, 1) && math.IsInf(h.Low, 1):
		return "No sign that a mesh grows old with starts.", fmt.Sprintf("From %s.", counted(m.Drift.Probes, "mesh", "meshes"))
	case math.IsInf(h.Starts, 1):
		return "A mesh stays true for at least " + roundStarts(h.Low) + " starts.", fmt.Sprintf("From %s: no growth seen.", counted(m.Drift.Probes, "mesh", "meshes"))
	case math.Round(h.Starts) < 1:
		says = "Probe before every start: a mesh does not stay true for one."
	default:
		n := roundStarts(h.Starts)
		unit := "starts"
		if n == "1" {
			unit = "start"
		}
		says = "A mesh stays true for about " + n + " " + unit + " (" + roundStarts(h.Low) + " to " + roundStarts(h.High) + ")."
	}
	if m.Since > 0 {
		says += " " + sentenceCase(counted(m.Since, "start", "starts")) + " since the last one."
	}
	how = fmt.Sprintf("From then on the gap at the %s leaves %s in more than 5%s%% of starts (90%s%% interval; own model, from %s). One start moves the bed there by %s, one probe is off by %s (standard deviations).",
		placeWord(h.Place), band, thin, thin, counted(m.Drift.Probes, "mesh", "meshes"), mm3(h.PerStartMM), mm3(h.ProbeMM))
	for _, more := range []struct {
		sd   float64
		word string
	}{{h.SwapMM, "A plate swapped adds"}, {h.ServiceMM, "A service adds"}} {
		if farm.Known(more.sd) {
			how += " " + more.word + " " + mm3(more.sd) + "."
		}
	}
	if h.Fleet > 0 {
		how += fmt.Sprintf(" It leans on the meshes of %s of this farm: few meshes tell little of one printer alone.", counted(h.Fleet, "printer", "printers"))
	}
	how += " Swaps and services end a probe at once and are not in the number."
	return says, how + policyBeside(m)
}

// policyBeside says how the probing policy in force stands beside the horizon.
func policyBeside(m *assess.MeshStudy) string {
	p, starts := m.Policy, m.PolicyStarts()
	if p == nil {
		return " No probing policy is set for this printer."
	}
	words := " The policy in force, " + p.Name + ", "
	switch {
	case starts == 0:
		return words + "asks for a probe after what happened, not after a number of starts."
	case p.ProbeStarts > 0 && starts == float64(p.ProbeStarts):
		words += "a probe every " + counted(int(p.ProbeStarts), "start", "starts")
	default:
		words += "a probe every " + strconv.FormatFloat(p.ProbeHours, 'f', -1, 64) + thin + "h, about " + roundStarts(starts) + " starts here"
	}
	switch {
	case starts > m.Horizon.High:
		return words + ", lets the mesh grow too old."
	case starts < m.Horizon.Low:
		return words + ", probes sooner than the bed asks for."
	}
	return words + ", fits."
}

func placeWord(p bed.Place) string {
	if p == (bed.Place{}) {
		return "middle"
	}
	return strings.TrimSpace([]string{"front", "", "back"}[p.Along+1] + " " + []string{"left", "", "right"}[p.Across+1])
}

// meshGrowth draws how far neighbouring meshes differ by the starts between.
func meshGrowth(m *assess.MeshStudy) views.Chart {
	type pair struct{ starts, change float64 }
	var pairs []pair
	for i := 1; i < len(m.Records); i++ {
		a, b := &m.Records[i-1], &m.Records[i]
		if b.CopyOf(a.Mesh) || a.Swaps != b.Swaps || a.Services != b.Services {
			continue
		}
		if d, ok := b.Against(a.Mesh); ok {
			pairs = append(pairs, pair{float64(b.Starts - a.Starts), d.RMSMM})
		}
	}
	if len(pairs) < 2 {
		return views.Chart{}
	}
	slices.SortFunc(pairs, func(a, b pair) int {
		if a.starts != b.starts {
			return int(a.starts - b.starts)
		}
		return int(math.Copysign(1, a.change-b.change))
	})
	var changes []float64
	far, most := 1.0, 0.0
	for _, p := range pairs {
		changes = append(changes, p.change)
		far, most = max(far, p.starts), max(most, p.change)
	}
	slices.Sort(changes)
	middle := changes[len(changes)/2]
	c := views.Chart{ID: "growth", Kind: "growth", Title: "From one probe to the next, heights changed by " + mm3(middle) + " or less half the time",
		Sub:   fmt.Sprintf("%s of neighbouring meshes without a swap or service between; RMS over the points, by starts between", sentenceCase(counted(len(pairs), "pair", "pairs"))),
		Says:  fmt.Sprintf("Change between neighbouring meshes against starts between them, from 0 to %s starts, at most %s.", count(int(far)), mm3(most)),
		Below: []string{"A rise from left to right is a bed that moves with use; a level cloud is the probe’s own error."},
		Table: views.Table{Caption: "Change between neighbouring meshes", Sub: "without a swap or service between", Columns: []views.Column{{Word: "Starts between", Number: true}, {Word: "Change, mm RMS", Number: true}}}}
	for _, p := range pairs {
		c.Table.Rows = append(c.Table.Rows, views.Row{Cells: []views.Cell{{Text: count(int(p.starts))}, {Text: strconv.FormatFloat(p.change, 'f', 3, 64)}}})
	}
	top, ticks := niceTop(most, 4)
	right, across := niceTop(far, 5)
	for _, pl := range []plot{widePlot(), narrowPlot()} {
		pl.xMax, pl.yMax = right, top
		d := pl.drawing(ticks, func(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) })
		for _, x := range across {
			if x == math.Trunc(x) {
				d.XTicks = append(d.XTicks, views.ChartTick{At: place(pl.x(x)), Word: count(int(x)), End: "middle"})
			}
		}
		d.XTitle, d.YTitle = "starts between", "mm RMS"
		for _, p := range pairs {
			d.Dots = append(d.Dots, views.ChartDot{X: place(pl.x(p.starts)), Y: place(pl.y(p.change)), Says: fmt.Sprintf("%s between: changed by %s", counted(int(p.starts), "start", "starts"), mm3(p.change))})
		}
		c.Drawings = append(c.Drawings, d)
	}
	return c
}

// meshProfile draws the front, middle and back row from left to right.
func meshProfile(m bed.Mesh) views.Chart {
	low, high := math.Inf(1), math.Inf(-1)
	for _, z := range m.HeightsMM {
		if farm.Known(z) {
			low, high = min(low, z), max(high, z)
		}
	}
	if m.Columns < 2 || low == high {
		return views.Chart{}
	}
	step := 0.02
	for (high-low)/step > 6 {
		step *= 2.5
	}
	base := math.Floor(low/step) * step
	top := math.Ceil(high/step-1e-9)*step - base
	shape := m.Shape()
	title := "The middle row is flat from left to right"
	if math.Abs(shape.BowXMM) >= 0.01 {
		title = "From left to right the bed is bowed: " + bowWord(shape.BowXMM)
	}
	c := views.Chart{ID: "profile", Kind: "profile", Title: title, Sub: "Heights along the front, middle and back row, mm; the axis does not start at 0",
		Says:  fmt.Sprintf("Heights from left to right between %s and %s.", mm(low), mm(high)),
		Table: views.Table{Caption: "Heights by row", Sub: "mm, from left to right", Columns: []views.Column{{Word: "Row"}}}}
	for k := range m.Columns {
		c.Table.Columns = append(c.Table.Columns, views.Column{Word: strconv.Itoa(k + 1), Number: true})
	}
	rows := []struct {
		row  int
		word string
	}{{0, "front"}, {m.Rows / 2, "middle"}, {m.Rows - 1, "back"}}
	if m.Rows < 3 {
		rows = slices.Delete(rows, 1, 2)
	}
	for r := m.Rows - 1; r >= 0; r-- {
		line := views.Row{Cells: []views.Cell{{Text: strconv.Itoa(r + 1)}}}
		for k := range m.Columns {
			word := "–"
			if z := m.HeightsMM[r*m.Columns+k]; farm.Known(z) {
				word = strings.Replace(strconv.FormatFloat(z, 'f', 3, 64), "-", minus, 1)
			}
			line.Cells = append(line.Cells, views.Cell{Text: word})
		}
		c.Table.Rows = append(c.Table.Rows, line)
	}
	var ticks []float64
	for t := 0.0; t <= top+1e-9; t += step {
		ticks = append(ticks, t)
	}
	for _, pl := range []plot{widePlot(), narrowPlot()} {
		pl.xMax, pl.yMax = float64(m.Columns-1), top
		d := pl.drawing(ticks, func(v float64) string { return strings.TrimSuffix(mm(v+base), thin+"mm") })
		d.XTitle, d.YTitle = "left to right", "mm"
		var ends []float64
		for _, r := range rows {
			var points []string
			flush := func() {
				if len(points) > 1 {
					d.Path = append(d.Path, strings.Join(points, " "))
				}
				points = nil
			}
			last := m.Columns - 1
			for last > 0 && !farm.Known(m.HeightsMM[r.row*m.Columns+last]) {
				last--
			}
			for k := range m.Columns {
				z := m.HeightsMM[r.row*m.Columns+k]
				if !farm.Known(z) {
					flush()
					continue
				}
				points = append(points, pl.at(float64(k), z-base))
				y := pl.y(z - base)
				dot := views.ChartDot{X: place(pl.x(float64(k))), Y: place(y), Says: fmt.Sprintf("%s row, column %d: %s", sentenceCase(r.word), k+1, mm3(z))}
				if k == last {
					at := y
					for _, e := range ends {
						if math.Abs(at-e) < 14 {
							at = e + 14
						}
					}
					ends = append(ends, at)
					dot.Word, dot.WX, dot.WY, dot.End = r.word, place(pl.x(float64(k))+10), place(at+4), "start"
				}
				d.Dots = append(d.Dots, dot)
			}
			flush()
		}
		c.Drawings = append(c.Drawings, d)
	}
	return c
}

// fillMeshHistory lists the printer's meshes, newest first, each with what
// changed since the one before.
func (s *Server) fillMeshHistory(page *views.MeshPage, p *probePage, from int) {
	m := p.study
	n := len(m.Probes)
	page.History = views.Table{Caption: "Meshes of " + p.probe.Printer, Sub: "newest first; change since the mesh before",
		Columns: []views.Column{{Word: "Probed"}, {Word: "Range", Number: true}, {Word: "Left over", Number: true, Wide: true}, {Word: "Starts between", Number: true}, {Word: "Shift", Number: true}, {Word: "Tilt", Number: true, Wide: true}, {Word: "Shape", Number: true, Wide: true}}}
	for k := from; k < min(n, from+meshRows); k++ {
		i := n - 1 - k
		shape := m.Records[i].Shape()
		cells := []views.Cell{{Text: clock(m.Probes[i].At, p.zone), Href: s.url("/probes/" + m.Probes[i].ID.String())}, {Text: mm(shape.RangeMM)}, {Text: mm(shape.ResidualRMSMM)}, {Text: "–"}, {Text: "–"}, {Text: "–"}, {Text: "–"}}
		if m.Probes[i].ID == p.probe.ID.UUID {
			cells[0].Note = "this one"
		}
		if i > 0 {
			cells[3].Text = count(m.Records[i].Starts - m.Records[i-1].Starts)
			if d, ok := m.Records[i].Against(m.Records[i-1].Mesh); ok {
				cells[4].Text, cells[5].Text, cells[6].Text = signedMM3(d.ShiftMM), mm3(d.TiltRMSMM), mm3(d.ShapeRMSMM)
			}
			if m.Records[i].CopyOf(m.Records[i-1].Mesh) {
				cells[0].Note = strings.TrimPrefix(cells[0].Note+", reported again", ", ")
			}
		}
		page.History.Rows = append(page.History.Rows, views.Row{Cells: cells, Strong: m.Probes[i].ID == p.probe.ID.UUID})
	}
	at := func(from int) string {
		href := s.url("/probes/" + p.probe.ID.UUID.String())
		if from > 0 {
			href += "?from=" + strconv.Itoa(from)
		}
		return href + "#printers-meshes"
	}
	if from > 0 {
		page.Pager.Newer = at(max(0, from-meshRows))
	}
	if from+meshRows < n {
		page.Pager.Older = at(from + meshRows)
	}
}

// signedMM3 writes a small change with three decimals and a true minus sign.
func signedMM3(x float64) string {
	if math.Abs(x) < 0.0005 {
		x = 0
	}
	return strings.Replace(mm3(x), "-", minus, 1)
}

// writeNumbers sends a table of nothing but this program's own words and
// numbers; a minus sign there is a minus sign.
func writeNumbers(c echo.Context, name string, rows [][]string) error {
	var buf bytes.Buffer
	w := csv.NewWriter(&buf)
	w.UseCRLF = true
	if err := w.WriteAll(rows); err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, "text/csv; charset=utf-8; header=present")
	h.Set(echo.HeaderContentDisposition, `attachment; filename="`+name+`"`)
	return writeBody(c, http.StatusOK, buf.Bytes())
}
