package intake

import (
	"fmt"
	"math"
	"slices"
)

// settle gives all rows one width, or says which is ragged. A first or last cell
// that is empty is the border where that makes the rows equal.
func (b *meshBlock) settle() error {
	for _, l := range b.lines {
		if l.mixed != nil {
			return refuseMesh(l.mixed.line, l.mixed.col, l.mixed.text, "one kind of separator between all heights of a row")
		}
	}
	// Where every row ends with a delimiter it ends the row; the same at the front.
	all := func(is func(*meshLine) bool) bool {
		return !slices.ContainsFunc(b.lines, func(l *meshLine) bool { return !is(l) })
	}
	if all(func(l *meshLine) bool { return l.close && len(l.cells) > 1 }) {
		for _, l := range b.lines {
			l.cells, l.close = l.cells[:len(l.cells)-1], false
		}
	}
	if all(func(l *meshLine) bool { return len(l.cells) > 1 && l.cells[0].is == isEmpty }) {
		for _, l := range b.lines {
			l.cells, l.open = l.cells[1:], false
		}
	}
	fits := func(l *meshLine, w int) bool {
		n := len(l.cells)
		least := n
		if l.open {
			least--
		}
		if l.close {
			least--
		}
		return w >= least && w <= n
	}
	widths := map[int]int{}
	for _, l := range b.lines {
		for w := len(l.cells); w > 0 && fits(l, w); w-- {
			widths[w]++
		}
	}
	best := 0
	for w, n := range widths {
		if n > widths[best] || n == widths[best] && (best == 0 || n == len(b.lines) && w < best || n < len(b.lines) && fits(b.lines[0], w) && !fits(b.lines[0], best)) {
			best = w
		}
	}
	if widths[best] < len(b.lines) {
		if 2*widths[best] <= len(b.lines) {
			best = len(b.lines[0].cells)
		}
		for _, l := range b.lines {
			if len(l.cells) == 0 { // a number of a row, and nothing behind it
				return refuseMesh(l.no, 0, "no heights", fmt.Sprintf("%d, as many as the other rows have", max(best, 2)))
			}
			if !fits(l, best) {
				at := l.cells[min(best, len(l.cells)-1)]
				if len(l.cells) < best {
					at.col += len([]rune(at.text)) // where the row ends
				}
				return refuseMesh(at.line, at.col, fmt.Sprintf("%d heights", len(l.cells)), fmt.Sprintf("%d, as many as the other rows have", best))
			}
		}
	}
	b.width = best
	ends, empties := (*meshLine)(nil), (*meshLine)(nil)
	for _, l := range b.lines {
		cells := l.cells
		switch drop := len(cells) - best; {
		case drop == 2:
			cells = cells[1 : len(cells)-1]
		case drop == 1 && l.open && l.close:
			return refuseMesh(l.no, 0, "an empty first and an empty last cell", fmt.Sprintf("%d heights: write nan where one is missing", best))
		case drop == 1 && l.close:
			cells, ends = cells[:best], l
		case drop == 1:
			cells = cells[1:]
		case l.close:
			empties = l
		}
		b.rows = append(b.rows, cells)
	}
	if ends != nil && empties != nil {
		return refuseMesh(empties.no, 0, "an empty last cell, where other rows only end with a separator", fmt.Sprintf("%d heights: write nan where one is missing", best))
	}
	for c := range best {
		if b.lines[0].tabs && !slices.ContainsFunc(b.rows, func(r []meshCell) bool { return r[c].is != isEmpty }) {
			return refuseMesh(b.lines[0].no, b.rows[0][c].col, fmt.Sprintf("nothing in column %d on any line", c+1), "heights, or nan where they are missing")
		}
	}
	return nil
}

// grid takes row numbers and positions off and makes the mesh.
func (b *meshBlock) grid() (*MeshText, bool, error) {
	column := make([]meshCell, len(b.rows))
	for i, r := range b.rows {
		column[i] = r[0]
	}
	dots := false
	for _, r := range b.rows {
		for _, c := range r[1:] {
			dots = dots || c.is == isNumber && c.dot
		}
	}
	var ys []float64
	head := 0
	if b.header != nil {
		head = len(b.header.bare())
	}
	counted := &meshLine{cells: column, all: column}
	labels := false
	switch {
	case dots && counted.numbers():
		labels = true
	case dots && rising(column, func(c meshCell) bool { return c.is == isNumber }) && beyondHeight(column, MostHeightMM) && head == b.width-1:
		labels = true
		for _, c := range column {
			ys = append(ys, c.x)
		}
	}
	if labels {
		for i := range b.rows {
			b.rows[i] = b.rows[i][1:]
		}
		b.width--
	}
	var xs []float64
	if b.header != nil {
		if head != b.width && !(labels && head == b.width+1 && b.header.numbers()) {
			c := b.header.bare()[0]
			return nil, false, refuseMesh(c.line, c.col, fmt.Sprintf("%d numbers", head), fmt.Sprintf("%d, one for each column", b.width))
		}
		if b.header.positions() && !b.header.numbers() {
			if ys == nil && b.header.words() == 0 && !evenly(b.header.bare()) {
				c := b.header.bare()[0]
				return nil, false, refuseMesh(c.line, c.col, c.text, "a height from -5 to 5 mm")
			}
			for _, c := range b.header.bare() {
				xs = append(xs, c.x)
			}
		}
	}
	m := &MeshText{Columns: b.width, Rows: len(b.rows)}
	whole := true
	for _, r := range b.rows {
		for i := range r {
			if r[i].is == isNumber {
				if math.Abs(r[i].x) > MostHeightMM {
					return nil, false, refuseMesh(r[i].line, r[i].col, r[i].text, "a height from -5 to 5 mm")
				}
				whole = whole && !r[i].dot
			}
			m.HeightsMM = append(m.HeightsMM, r[i].x)
		}
	}
	if xs != nil && ys != nil {
		if err := m.locate(xs, ys); err != nil {
			return nil, false, err
		}
	}
	return m, whole, nil
}

func evenly(cells []meshCell) bool {
	n := len(cells) - 1
	step := (cells[n].x - cells[0].x) / float64(n)
	for i := range cells {
		if math.Abs(cells[i].x-cells[0].x-step*float64(i)) > 0.02*math.Abs(step) {
			return false
		}
	}
	return true
}

// locate gives a grid positions, one a column and one a row, rising or falling,
// and turns it so that they rise.
func (m *MeshText) locate(xs, ys []float64) error {
	for _, at := range [][]float64{xs, ys} {
		for i := range at {
			if !(at[i] >= -2000 && at[i] <= 4000) || i > 0 && (at[i]-at[i-1])*(at[1]-at[0]) <= 0 {
				return refuseMesh(0, 0, fmt.Sprintf("the position %g", at[i]), "positions in mm that rise or fall steadily, from -2000 to 4000")
			}
		}
	}
	out := make([]float64, len(m.HeightsMM))
	for r := range m.Rows {
		for c := range m.Columns {
			rr, cc := r, c
			if ys[1] < ys[0] {
				rr = m.Rows - 1 - r
			}
			if xs[1] < xs[0] {
				cc = m.Columns - 1 - c
			}
			out[rr*m.Columns+cc] = m.HeightsMM[r*m.Columns+c]
		}
	}
	m.XMM, m.YMM = slices.Sorted(slices.Values(xs)), slices.Sorted(slices.Values(ys))
	m.HeightsMM, m.Says = out, RowCoordinates
	return nil
}
