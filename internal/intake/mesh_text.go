package intake

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"basecourse/internal/fault"
)

// Limits of a mesh as text.
const (
	MostMeshBytes = 512 << 10 // of the text
	MostMeshSide  = 200       // columns, and rows
	MostHeightMM  = 5.0       // either way
)

// Which row of a text is its first, or how else the order is known.
const (
	RowFront       = "front"
	RowBack        = "back"
	RowCoordinates = "coordinates" // positions in the text tell
)

// MeshText is a grid of heights found in a text, rows as the text has them.
type MeshText struct {
	Columns, Rows int
	HeightsMM     []float64 // row by row as in the text, mm, NaN where missing; sorted by place where Says is RowCoordinates
	XMM, YMM      []float64 // positions told by the text, ascending; nil
	Says          string    // RowFront, RowBack, RowCoordinates; "" the text does not say
	SaysLine      int       // the line whose words say it
}

// Mesh is a grid of heights as it lies on the bed.
type Mesh struct {
	Columns, Rows int
	XMM, YMM      []float64 // positions of columns and rows, ascending, mm; nil unknown
	HeightsMM     []float64 // row-major from the front left, mm, NaN where missing
	FirstRow      string    // RowFront, RowBack or RowCoordinates
}

// ReadMeshText finds the one grid of heights in a text, whatever program wrote
// it: numbers in rows, with brackets, bars, names and numbers of rows and
// columns, log prefixes and time stamps around them; JSON; or lines of x, y and
// height. Heights are mm, up positive. It refuses, with line and column, what is
// no grid, ragged, of another unit, beyond ±5 mm or too large; it never fills a
// row up or leaves one out.
func ReadMeshText(text string) (*MeshText, error) {
	if len(text) > MostMeshBytes {
		return nil, fault.New(fault.TooLarge, "a mesh as text has at most %d KiB; this one has %d", MostMeshBytes>>10, (len(text)+1023)>>10)
	}
	text = strings.TrimPrefix(text, "\uFEFF")
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	if !utf8.ValidString(text) {
		line := 1
		for rest := text; ; line++ {
			one, more, found := strings.Cut(rest, "\n")
			if !utf8.ValidString(one) || !found {
				return nil, refuseMesh(line, 0, strings.ToValidUTF8(fault.Shorten(one), "\uFFFD"), "text in UTF-8")
			}
			rest = more
		}
	}
	if strings.TrimSpace(text) == "" {
		return nil, refuseMesh(1, 0, "", "a grid of heights in mm")
	}
	units, err := meshUnits(text)
	if err != nil {
		return nil, err
	}
	says, line, err := meshOrder(text)
	if err != nil {
		return nil, err
	}
	m, whole, isJSON, err := meshFromJSON(text)
	if !isJSON {
		m, whole, err = meshFromLines(text)
	}
	if err != nil {
		return nil, err
	}
	if err := m.check(whole, units); err != nil {
		return nil, err
	}
	if m.Says == "" {
		m.Says, m.SaysLine = says, line
	}
	return m, nil
}

// check holds a grid that was found against what a mesh must be.
func (m *MeshText) check(whole, units bool) error {
	switch {
	case m.Columns > MostMeshSide || m.Rows > MostMeshSide:
		return fault.New(fault.TooLarge, "a mesh has at most %d columns and %d rows; this one has %d and %d", MostMeshSide, MostMeshSide, m.Columns, m.Rows)
	case m.Columns < 2 || m.Rows < 2:
		return refuseMesh(0, 0, fmt.Sprintf("%d × %d heights", m.Columns, m.Rows), "a grid of at least 2 columns and 2 rows")
	}
	known, level := 0, true
	for _, z := range m.HeightsMM {
		if !math.IsNaN(z) {
			known++
			level = level && z == 0
		}
	}
	switch {
	case known < 2:
		return refuseMesh(0, 0, fmt.Sprintf("%d heights in %d × %d points", known, m.Columns, m.Rows), "a grid with at least two heights")
	case whole && !level && !units:
		return refuseMesh(0, 0, "whole numbers only, and no unit", "heights in mm; if they are whole mm write mm behind one of them, if they are thousandths divide them by 1000")
	}
	return nil
}

// Place lays the grid on the bed. first is which row of the bed the text's
// first row is, RowFront or RowBack; "" leaves it to the text, and where the
// text does not say, and where first says otherwise than the text, it refuses
// with a problem of the field first_row.
func (m *MeshText) Place(first string) (Mesh, error) {
	problem := func(found, expected string) error {
		return fault.At(fault.Problem{Line: m.SaysLine, Column: "first_row", Found: found, Expected: expected})
	}
	if first != "" && first != RowFront && first != RowBack {
		return Mesh{}, fault.At(fault.Problem{Column: "first_row", Found: first, Expected: "front or back"})
	}
	out := Mesh{Columns: m.Columns, Rows: m.Rows, XMM: m.XMM, YMM: m.YMM, HeightsMM: slices.Clone(m.HeightsMM), FirstRow: m.Says}
	switch m.Says {
	case RowCoordinates:
		if first != "" {
			return Mesh{}, problem(first, "nothing: positions in the text tell where each height lies")
		}
		return out, nil
	case "":
		if first == "" {
			return Mesh{}, problem("", "front or back: the text does not say whether its first row is the bed's front or its back")
		}
		out.FirstRow = first
	default:
		if first != "" && first != m.Says {
			return Mesh{}, problem(first, m.Says+": that is what the text says of its first row")
		}
	}
	if out.FirstRow == RowBack {
		for a, b := 0, out.Rows-1; a < b; a, b = a+1, b-1 {
			for c := range out.Columns {
				i, j := a*out.Columns+c, b*out.Columns+c
				out.HeightsMM[i], out.HeightsMM[j] = out.HeightsMM[j], out.HeightsMM[i]
			}
		}
	}
	return out, nil
}

// Spread gives positions to a mesh that has none: evenly from marginMM inside
// the bed's edges, bed bedXMM × bedYMM. Where the text told positions they stay,
// and must lie on the bed. Problems name the columns bed_x_mm, bed_y_mm and
// margin_mm.
func (m *Mesh) Spread(bedXMM, bedYMM, marginMM float64) error {
	var problems []fault.Problem
	for _, b := range []struct {
		name string
		mm   float64
	}{{"bed_x_mm", bedXMM}, {"bed_y_mm", bedYMM}} {
		if !(b.mm >= 50 && b.mm <= 2000) {
			problems = append(problems, fault.Problem{Column: b.name, Found: fmt.Sprint(b.mm), Expected: "50 to 2000 mm"})
		}
	}
	if len(problems) == 0 && !(marginMM >= 0 && marginMM < min(bedXMM, bedYMM)/2) {
		problems = append(problems, fault.Problem{Column: "margin_mm", Found: fmt.Sprint(marginMM), Expected: "0 mm to less than half the bed"})
	}
	if len(problems) > 0 {
		return fault.At(problems...)
	}
	if m.XMM == nil {
		m.XMM, m.YMM = even(marginMM, bedXMM-marginMM, m.Columns), even(marginMM, bedYMM-marginMM, m.Rows)
		return nil
	}
	for _, axis := range []struct {
		name string
		at   []float64
		bed  float64
	}{{"x", m.XMM, bedXMM}, {"y", m.YMM, bedYMM}} {
		if lo, hi := axis.at[0], axis.at[len(axis.at)-1]; lo < 0 || hi > axis.bed {
			return fault.At(fault.Problem{Column: axis.name, Found: fmt.Sprintf("positions from %g to %g mm in the text", lo, hi), Expected: fmt.Sprintf("positions on the bed, 0 to %g mm", axis.bed)})
		}
	}
	return nil
}

// Even tells whether the mesh's positions lie evenly, so that their ends and
// number tell all of them; true where there are none.
func (m *Mesh) Even() bool {
	for _, at := range [][]float64{m.XMM, m.YMM} {
		for i := range at {
			if want := even(at[0], at[len(at)-1], len(at))[i]; math.Abs(at[i]-want) > 0.05 {
				return false
			}
		}
	}
	return true
}

func even(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return out
}

// refuseMesh is a refusal at a line and a character of the text; 0 is nowhere.
func refuseMesh(line, column int, found, expected string) error {
	p := fault.Problem{Line: line, Found: fault.Shorten(found), Expected: expected}
	if column > 0 {
		p.Column = fmt.Sprint(column)
	}
	return fault.At(p)
}
