package web

import (
	"fmt"
	"net/url"
	"slices"
	"sort"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// How many of the latest first layers a page may sum, and does unless asked.
var layersSummed = []int{20, 100, 500}

const layersUsually = 100

// A bed or plate is drawn by itself from so many graded layers on, and at most
// so many of the other frame are.
const (
	mapNeeds = 5
	mapsMost = 3
)

// fillMarks sums the marks of the latest layers by zone: by the thing's own
// frame, and by the other's.
func (s *Server) fillMarks(t *thing, layers []store.ThingLayer) {
	p := &t.page.Marks
	graded := slices.DeleteFunc(slices.Clone(layers), func(l store.ThingLayer) bool { return !l.Graded })
	if len(layers) == 0 {
		p.Empty = "No first layers on " + t.tag + " yet. Marks appear here by zone once layers are graded."
		return
	}
	p.Sub = fmt.Sprintf("The latest %s up to %s; %s", counted(len(layers), "first layer", "first layers"), clock(t.end, t.zone), sentenceEnd(coverage(len(graded), len(layers))))
	p.Last = views.FilterRow{Label: "Latest"}
	for _, n := range layersSummed {
		p.Last.Links = append(p.Last.Links, views.FilterLink{Word: count(n) + " layers", Href: s.thingHref(t, t.events, n, "", "zones"), Current: n == t.layers})
	}
	marked := slices.ContainsFunc(graded, func(l store.ThingLayer) bool { return l.Marks != "" })
	switch {
	case len(graded) == 0:
		p.Empty = "None of them is graded."
		return
	case !marked:
		p.Empty = "No marks on any of them."
		return
	}
	p.Frames = "By printer: zones of the bed, whichever plate lay there. By plate: zones of the plate, turned back where it lay turned. What stays in a zone of the bed is the printer's, what stays in a zone of the plate is the plate's."
	own, other := byPrinterFrame, byPlateFrame
	if t.kind == "plate" {
		own, other = byPlateFrame, byPrinterFrame
	}
	maps, left := own(t.tag, graded, true)
	p.Maps = maps
	var rest int
	for _, g := range groupsOf(graded) {
		if len(g.layers) < mapNeeds || g.other == "" {
			rest += len(g.layers)
			continue
		}
		if len(p.Maps) >= len(maps)+mapsMost {
			rest += len(g.layers)
			continue
		}
		more, skipped := other(g.other, g.layers, false)
		p.Maps = append(p.Maps, more...)
		left += skipped
	}
	for i := range p.Maps {
		p.Maps[i].ID = fmt.Sprintf("map-%d", i+1)
	}
	var notes []string
	if rest > 0 && len(p.Maps) > 0 {
		notes = append(notes, fmt.Sprintf("%s on other %ss are not drawn by themselves.", counted(rest, "graded layer", "graded layers"), otherKind(t.kind)))
	}
	if left > 0 {
		notes = append(notes, fmt.Sprintf("%s on a grid of other zones left out of the maps by plate.", counted(left, "graded layer", "graded layers")))
	}
	p.Left = strings.Join(notes, " ")
	if p.Left != "" {
		p.Left = strings.ToUpper(p.Left[:1]) + p.Left[1:]
	}
}

func otherKind(kind string) string {
	if kind == "plate" {
		return "printer"
	}
	return "plate"
}

// sentenceEnd ends words that go on a line of their own with a full stop.
func sentenceEnd(s string) string { return strings.TrimSuffix(s, ".") + "." }

// layerGroup is the layers with one other thing.
type layerGroup struct {
	other  string
	layers []store.ThingLayer
}

// groupsOf parts layers by the other thing, most layers first.
func groupsOf(layers []store.ThingLayer) []layerGroup {
	at := map[string]int{}
	var out []layerGroup
	for _, l := range layers {
		i, ok := at[l.Other]
		if !ok {
			i = len(out)
			at[l.Other] = i
			out = append(out, layerGroup{other: l.Other})
		}
		out[i].layers = append(out[i].layers, l)
	}
	sort.SliceStable(out, func(i, j int) bool { return len(out[i].layers) > len(out[j].layers) })
	return out
}

// byPrinterFrame is the bed of one printer.
func byPrinterFrame(tag string, layers []store.ThingLayer, own bool) (maps []views.MarkMap, left int) {
	title := "By printer: bed of " + tag
	cols, rows, kept := commonGrid(layers)
	m := markMap(title, kept, cols, rows, false)
	m.Sub = counted(len(kept), "graded layer", "graded layers")
	if own {
		m.Sub += ", all plates"
	}
	return []views.MarkMap{m}, len(layers) - len(kept)
}

// byPlateFrame is one plate, each of its sides by itself.
func byPlateFrame(tag string, layers []store.ThingLayer, own bool) (maps []views.MarkMap, left int) {
	for _, side := range []string{"", "a", "b"} {
		of := slices.DeleteFunc(slices.Clone(layers), func(l store.ThingLayer) bool { return l.Side != side })
		if len(of) == 0 {
			continue
		}
		cols, rows, kept := commonGrid(of)
		title := "By plate: " + tag
		if side != "" {
			title += " side " + strings.ToUpper(side)
		}
		m := markMap(title, kept, cols, rows, true)
		m.Sub = counted(len(kept), "graded layer", "graded layers")
		if own {
			m.Sub += ", all printers"
		}
		if side == "" && len(of) < len(layers) {
			m.Sub += ", side not recorded"
		}
		turned, silent := 0, 0
		for _, l := range kept {
			switch l.Turned {
			case "yes":
				turned++
			case "":
				silent++
			}
		}
		if turned > 0 {
			m.Sub += fmt.Sprintf("; %s lay turned and are turned back", count(turned))
			if silent > 0 {
				m.Sub += fmt.Sprintf(", %s say nothing and are taken as not turned", count(silent))
			}
		}
		maps, left = append(maps, m), left+len(of)-len(kept)
	}
	return maps, left
}

// commonGrid gives the zone grid most layers have, and those that have it.
func commonGrid(layers []store.ThingLayer) (cols, rows int, kept []store.ThingLayer) {
	n := map[[2]int]int{}
	for _, l := range layers {
		grid := [2]int{l.Cols, l.Rows}
		if n[grid]++; n[grid] > n[[2]int{cols, rows}] {
			cols, rows = l.Cols, l.Rows
		}
	}
	return cols, rows, slices.DeleteFunc(slices.Clone(layers), func(l store.ThingLayer) bool { return l.Cols != cols || l.Rows != rows })
}

func markMap(title string, layers []store.ThingLayer, cols, rows int, ofPlate bool) views.MarkMap {
	laid := make([]farm.Laid, len(layers))
	for i, l := range layers {
		laid[i].Turned = l.Turned == "yes"
		laid[i].Marks, _, _ = farm.ParseMarks(l.Marks)
		for _, word := range strings.Fields(l.Covered) {
			if z, ok := farm.ParseZone(word); ok {
				laid[i].Covered = append(laid[i].Covered, z)
			}
		}
	}
	sums := farm.SumMarks(laid, cols, rows, ofPlate)
	m := views.MarkMap{Title: title, Plate: ofPlate}
	for row := rows - 1; row >= 0; row-- {
		var line []views.MarkCell
		for col := range cols {
			line = append(line, markCell(sums[row][col], zoneCode(col, row), zonePlace(col, row, cols, rows)))
		}
		m.Rows = append(m.Rows, line)
	}
	return m
}

// markCell says a zone's sums: counts first, then the marks seen most.
func markCell(z farm.ZoneCount, code, place string) views.MarkCell {
	c := views.MarkCell{Code: code, Place: place}
	if z.Printed == 0 {
		return c
	}
	c.Of = count(z.Marked) + " of " + count(z.Printed)
	for i, share := range []float64{0, 0.05, 0.15, 0.30} {
		if float64(z.Marked) > share*float64(z.Printed) {
			c.Level = i + 1
		}
	}
	codes := slices.Clone(farm.Marks)
	sort.SliceStable(codes, func(i, j int) bool { return z.By[codes[i]] > z.By[codes[j]] })
	for _, code := range codes[:2] {
		if n := z.By[code]; n > 0 {
			c.Words = append(c.Words, shortMark(code)+": "+count(n))
		}
	}
	if more := len(z.By) - 2; more > 0 {
		c.Words = append(c.Words, "and "+counted(more, "other kind", "other kinds"))
	}
	return c
}

// stayRows is how many stays are shown.
const stayRows = 12

// fillStays tells where a plate was, or which plates were on a printer, from
// fittings and from the layers that named both.
func (s *Server) fillStays(t *thing, layers []store.ThingLayer, fittings []store.HistoryEntry, other, path string) {
	var list []farm.Sighting
	for _, l := range layers {
		if l.Other != "" {
			list = append(list, farm.Sighting{Where: l.Other, At: l.StartedAt, Side: l.Side, Turned: l.Turned})
		}
	}
	for _, e := range inForce(fittings) {
		if e.At.After(t.end) || len(layers) > 0 && len(layers) == t.layers && e.At.Before(layers[len(layers)-1].StartedAt) {
			continue // before the layers that are looked at
		}
		f := farm.Sighting{Where: e.Other, At: e.At, Fitting: true, Side: e.Side, Turned: e.Turned}
		if e.EndedAt != nil {
			f.Removed = *e.EndedAt
		}
		list = append(list, f)
	}
	sort.SliceStable(list, func(i, j int) bool {
		if !list[i].At.Equal(list[j].At) {
			return list[i].At.Before(list[j].At)
		}
		return list[i].Fitting && !list[j].Fitting
	})
	table := views.Table{Caption: "Latest first", Columns: []views.Column{{Word: other}, {Word: "From"}, {Word: "To"}, {Word: "First layers", Number: true}, {Word: "Way round"}}}
	stays := farm.Stays(list)
	for i, x := range stays {
		if i == stayRows {
			table.Sub = fmt.Sprintf("%s earlier not shown", count(len(stays)-stayRows))
			break
		}
		from := views.Cell{Text: clock(x.From, t.zone), Note: "first seen"}
		if x.Fitted {
			from.Note = "fitted"
		}
		to := views.Cell{Text: "still there", Note: "last seen " + clock(x.Last, t.zone)}
		if !x.Until.IsZero() && !x.Until.After(t.end) {
			to = views.Cell{Text: clock(x.Until, t.zone)}
		}
		table.Rows = append(table.Rows, views.Row{Cells: []views.Cell{{Text: x.Where, Href: s.url(path + url.PathEscape(x.Where))}, from, to, {Text: count(x.Starts)}, {Text: orNoRecord(sideWords(x.Side, x.Turned))}}})
	}
	t.page.Stays = table
	t.page.StaysSub = fmt.Sprintf("From fittings, and from first layers that name both, of the latest %s.", counted(len(layers), "start", "starts"))
}
