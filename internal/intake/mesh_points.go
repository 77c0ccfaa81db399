package intake

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"basecourse/internal/fault"
)

// meshPoint is one height at a place; where it stood in the text.
type meshPoint struct {
	x, y, z   float64
	dot       bool
	line, col int
}

// gridOf lays points, in any order, on the grid they lie on. Places of the grid
// without a point are missing.
func gridOf(pts []meshPoint, err error) (*MeshText, bool, error) {
	if err != nil {
		return nil, false, err
	}
	if len(pts) > MostMeshSide*MostMeshSide {
		return nil, false, fault.New(fault.TooLarge, "a mesh has at most %d points; this one has %d", MostMeshSide*MostMeshSide, len(pts))
	}
	axis := func(get func(meshPoint) float64) []float64 {
		var all []float64
		for _, p := range pts {
			all = append(all, get(p))
		}
		slices.Sort(all)
		var out []float64
		for _, v := range all {
			if len(out) == 0 || v-out[len(out)-1] > sameSpotMM {
				out = append(out, v)
			}
		}
		return out
	}
	xs, ys := axis(func(p meshPoint) float64 { return p.x }), axis(func(p meshPoint) float64 { return p.y })
	if len(xs) > MostMeshSide || len(ys) > MostMeshSide || len(xs)*len(ys) > 2*len(pts) {
		return nil, false, refuseMesh(pts[0].line, 0, fmt.Sprintf("%d points at %d different x and %d different y", len(pts), len(xs), len(ys)), "points on a grid of columns and rows, at least half of them given")
	}
	m := &MeshText{Columns: len(xs), Rows: len(ys), HeightsMM: make([]float64, len(xs)*len(ys))}
	seen := make([]int, len(m.HeightsMM))
	for i := range m.HeightsMM {
		m.HeightsMM[i] = math.NaN()
	}
	index := func(at []float64, v float64) int {
		i, found := slices.BinarySearch(at, v)
		if !found {
			i--
		}
		return i
	}
	whole := true
	for _, p := range pts {
		i := index(ys, p.y)*m.Columns + index(xs, p.x)
		switch {
		case math.Abs(p.z) > MostHeightMM:
			return nil, false, refuseMesh(p.line, p.col, fmt.Sprint(p.z), "a height from -5 to 5 mm")
		case seen[i] > 0:
			return nil, false, refuseMesh(p.line, p.col, fmt.Sprintf("a second height at x %g, y %g", p.x, p.y), fmt.Sprintf("one height for each place (the first is on line %d)", seen[i]))
		}
		seen[i] = p.line
		m.HeightsMM[i] = p.z
		whole = whole && (!p.dot || math.IsNaN(p.z))
	}
	if m.Columns < 2 || m.Rows < 2 {
		return nil, false, refuseMesh(pts[0].line, 0, fmt.Sprintf("points of %d columns and %d rows", m.Columns, m.Rows), "a grid of at least 2 columns and 2 rows")
	}
	return m, whole, m.locate(xs, ys)
}

// sameSpotMM is how far positions of one column or row may differ.
const sameSpotMM = 0.05

// keyedPoints reads lines such as "X:15 Y:70 Z:-0.012", keys in any order.
func keyedPoints(lines []*meshLine) ([]meshPoint, error) {
	var pts []meshPoint
	var half *meshLine
	for _, l := range lines {
		p := meshPoint{x: math.NaN(), y: math.NaN(), line: l.no}
		var has [3]bool
		again := false
		for i := 0; i+1 < len(l.all); i++ {
			if c := l.all[i]; !c.key || !l.all[i+1].value() {
				continue
			}
			k := slices.Index([]string{"x", "y", "z"}, strings.ToLower(strings.TrimRight(l.all[i].text, ":=")))
			if k < 0 {
				continue
			}
			again = again || has[k]
			has[k] = true
			v := l.all[i+1]
			switch k {
			case 0:
				p.x = v.x
			case 1:
				p.y = v.x
			case 2:
				p.z, p.dot, p.col = v.x, v.dot, v.col
			}
		}
		switch {
		case has == [3]bool{true, true, true} && !again && !math.IsNaN(p.x) && !math.IsNaN(p.y):
			pts = append(pts, p)
		case has[0] && has[1] || again:
			half = l
		}
	}
	if len(pts) < 4 {
		return nil, nil
	}
	if half != nil {
		return nil, refuseMesh(half.no, 0, "a line without all of x, y and z", "x, y and z once each; nan for a height that is missing")
	}
	return pts, nil
}

// points reads rows of x, y and height: where a line of names says so, or where
// two of three columns can only be positions on a grid. nil: the rows are a
// grid's.
func (b *meshBlock) points() ([]meshPoint, error) {
	order, named := b.named()
	if !named {
		if b.width != 3 {
			return nil, nil
		}
		var far []int
		for c := range 3 {
			for _, r := range b.rows {
				if math.Abs(r[c].x) > MostHeightMM {
					far = append(far, c)
					break
				}
			}
		}
		if len(far) != 2 || b.header != nil {
			return nil, nil
		}
		order = [3]int{far[0], far[1], 3 - far[0] - far[1]}
	}
	var pts []meshPoint
	for _, r := range b.rows {
		x, y, z := r[order[0]], r[order[1]], r[order[2]]
		if x.is != isNumber || y.is != isNumber {
			if !named {
				return nil, nil
			}
			c := x
			if x.is == isNumber {
				c = y
			}
			return nil, refuseMesh(c.line, c.col, c.text, "a position in mm")
		}
		pts = append(pts, meshPoint{x.x, y.x, z.x, z.dot, z.line, z.col})
	}
	if !named {
		if m, _, err := gridOf(pts, nil); err != nil || m.Columns*m.Rows != len(pts) && len(pts) < 6 {
			return nil, nil // then the rows hold heights beyond what is possible
		}
	}
	return pts, nil
}

// named reads the line above the rows for the names x, y and z.
func (b *meshBlock) named() (order [3]int, ok bool) {
	if b.above == nil {
		return order, false
	}
	order, n, ok := b.above.names()
	return order, ok && n == b.width
}

// names reads a line that names columns x, y and z, of n columns.
func (l *meshLine) names() (order [3]int, n int, ok bool) {
	var names []string
	for _, c := range l.all {
		if c.value() {
			return order, 0, false
		}
		w := strings.ToLower(strings.Trim(c.text, ":()[],;\"'"))
		if w == "mm" {
			continue
		}
		names = append(names, strings.TrimSuffix(strings.TrimSuffix(w, "mm"), "_"))
	}
	find := func(of ...string) int {
		at := -1
		for i, n := range names {
			if slices.Contains(of, n) {
				if at >= 0 {
					return -1
				}
				at = i
			}
		}
		return at
	}
	order = [3]int{find("x", "pos_x", "x_pos"), find("y", "pos_y", "y_pos"), find("z", "height", "deviation", "offset", "pos_z", "z_pos")}
	return order, len(names), min(order[0], order[1], order[2]) >= 0
}
