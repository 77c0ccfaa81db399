package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/views"
)

// pastedMesh is a mesh as it was pasted: row-major from the front left, NaN
// where missing.
type pastedMesh struct {
	columns, rows int
	heights       []float64
}

// readMesh reads pasted numbers: rows by lines, columns by blanks, commas,
// semicolons or tabs. first says which row the first line is; columns and rows,
// where given, must fit.
func (h *hand) readMesh() *pastedMesh {
	text := h.text("mesh")
	first := h.code("mesh_first", []string{"front", "back"}, "")
	columns, rows := h.whole("columns", 200), h.whole("rows", 200)
	if text == "" {
		return nil
	}
	var m pastedMesh
	widths := map[int]bool{}
	for i, line := range strings.Split(text, "\n") {
		words := strings.FieldsFunc(line, func(r rune) bool { return strings.ContainsRune(" \t,;[]\r", r) })
		if len(words) == 0 {
			continue
		}
		for j, w := range words {
			x, ok := typedNumber(w, "mm")
			if strings.EqualFold(w, "nan") || w == "-" {
				x, ok = math.NaN(), true
			}
			if !ok || x < -5 || x > 5 {
				h.wrong("mesh", fmt.Sprintf("Line %d, number %d: %s is no height from %s5 to 5 mm. Write nan where one is missing.", i+1, j+1, fq(w), minus))
				return nil
			}
			m.heights = append(m.heights, x)
		}
		widths[len(words)] = true
		m.rows++
		m.columns = len(words)
	}
	switch {
	case columns > 0 && rows > 0:
		m.columns, m.rows = columns, rows
	case len(widths) > 1:
		h.wrong("mesh", "The lines have different numbers of heights. Each line must be one row, or say how many columns and rows there are.")
		return nil
	}
	if len(m.heights) != m.columns*m.rows {
		h.wrong("mesh", fmt.Sprintf("%d heights were pasted; %d columns times %d rows are %d.", len(m.heights), m.columns, m.rows, m.columns*m.rows))
		return nil
	}
	if m.columns > 200 || m.rows > 200 {
		h.wrong("mesh", "A mesh has at most 200 columns and 200 rows.")
		return nil
	}
	if first == "" {
		h.wrong("mesh_first", "Say whether the first line is the bed’s front or its back.")
		return nil
	}
	if first == "back" {
		m.turn()
	}
	return &m
}

// turn puts the rows the other way round.
func (m *pastedMesh) turn() {
	for a, b := 0, m.rows-1; a < b; a, b = a+1, b-1 {
		for c := range m.columns {
			x, y := a*m.columns+c, b*m.columns+c
			m.heights[x], m.heights[y] = m.heights[y], m.heights[x]
		}
	}
}

// text writes the heights as records have them.
func (m *pastedMesh) text() string {
	var b []byte
	for i, x := range m.heights {
		if i > 0 {
			b = append(b, ' ')
		}
		if !farm.Known(x) {
			b = append(b, "nan"...)
			continue
		}
		b = farm.AppendNumber(b, x)
	}
	return string(b)
}

// preview shows the mesh as it lies on the bed: the back row first.
func (m *pastedMesh) preview() views.Table {
	known := slices.DeleteFunc(slices.Clone(m.heights), func(x float64) bool { return !farm.Known(x) })
	t := views.Table{Caption: fmt.Sprintf("Read as %d columns × %d rows", m.columns, m.rows), Sub: "mm, seen from the front and above: the last line is the bed’s front"}
	if len(known) > 0 {
		t.Sub += "; " + mm(slices.Min(known)) + " to " + mm(slices.Max(known))
	}
	t.Columns = append(t.Columns, views.Column{Word: "Row"})
	for c := range m.columns {
		t.Columns = append(t.Columns, views.Column{Word: strconv.Itoa(c + 1), Number: true})
	}
	for r := m.rows - 1; r >= 0; r-- {
		name := strconv.Itoa(r + 1)
		switch r {
		case 0:
			name += ", front"
		case m.rows - 1:
			name += ", back"
		}
		row := views.Row{Cells: []views.Cell{{Text: name}}}
		for c := range m.columns {
			x := m.heights[r*m.columns+c]
			word := "–"
			if farm.Known(x) {
				word = strings.Replace(strconv.FormatFloat(x, 'f', 3, 64), "-", minus, 1)
			}
			row.Cells = append(row.Cells, views.Cell{Text: word})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// whole reads a whole number from 1; 0 when nothing was typed.
func (h *hand) whole(name string, most int) int {
	v := h.text(name)
	if v == "" {
		return 0
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 || n > most {
		h.wrong(name, "Give a whole number from 1 to "+strconv.Itoa(most)+".")
		return 0
	}
	return n
}
