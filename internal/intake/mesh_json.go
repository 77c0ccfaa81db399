package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// meshFromJSON reads a grid from JSON: a list of rows, with lists x and y beside
// it or not; a list of objects or of triples with x, y and height; or a plain
// list beside columns and rows. isJSON is false where the text is no JSON.
func meshFromJSON(text string) (m *MeshText, whole, isJSON bool, err error) {
	start := strings.TrimLeft(text, " \t\n")
	if start == "" || start[0] != '{' && start[0] != '[' {
		return nil, false, false, nil
	}
	// Some programs write NaN, which JSON has not; "-" is as long and means the same here.
	plain := []byte(bareNaN.ReplaceAllString(text, `$1"-"`))
	if !json.Valid(plain) {
		return nil, false, false, nil
	}
	p := &jsonMesh{d: json.NewDecoder(bytes.NewReader(plain)), text: string(plain)}
	p.d.UseNumber()
	root, err := p.read(0)
	if err == nil {
		err = p.search(root, nil)
	}
	if err != nil {
		return nil, false, true, err
	}
	switch {
	case len(p.found) == 0:
		return nil, false, true, refuseMesh(1, 0, "JSON without a grid", "a list of rows of heights in mm, or points with x, y and z")
	case len(p.found) > 1:
		return nil, false, true, p.refuse(p.found[1].node, "a second grid, after that of line "+strconv.Itoa(p.line(p.found[0].node.at)), "one grid")
	}
	m, whole, err = p.found[0].make()
	return m, whole, true, err
}

var bareNaN = regexp.MustCompile(`([\[,:\s])NaN\b`)

// deepestJSON is how deep lists and objects may lie in each other.
const deepestJSON = 16

// jsonNode is a value of a JSON text and where it ends.
type jsonNode struct {
	at     int64
	number string // a number as written
	text   string // a string
	null   bool
	isText bool
	list   []*jsonNode
	isList bool
	names  []string // of an object
	values []*jsonNode
}

func (n *jsonNode) member(name string) *jsonNode {
	for i, x := range n.names {
		if strings.EqualFold(x, name) {
			return n.values[i]
		}
	}
	return nil
}

type jsonMesh struct {
	d     *json.Decoder
	text  string
	ends  []int // of the text's lines
	found []jsonFound
}

type jsonFound struct {
	node *jsonNode
	make func() (*MeshText, bool, error)
}

func (p *jsonMesh) line(at int64) int {
	if p.ends == nil {
		p.ends = []int{}
		for i := range len(p.text) {
			if p.text[i] == '\n' {
				p.ends = append(p.ends, i)
			}
		}
	}
	n, _ := slices.BinarySearch(p.ends, int(at))
	return n + 1
}

func (p *jsonMesh) refuse(n *jsonNode, found, expected string) error {
	before := p.text[:n.at]
	return refuseMesh(p.line(n.at), len([]rune(before[strings.LastIndexByte(before, '\n')+1:])), found, expected)
}

func (p *jsonMesh) read(depth int) (*jsonNode, error) {
	t, err := p.d.Token()
	n := &jsonNode{at: p.d.InputOffset()}
	if err != nil {
		return nil, refuseMesh(p.line(n.at), 0, err.Error(), "JSON")
	}
	if depth > deepestJSON {
		return nil, p.refuse(n, "lists in lists in lists", fmt.Sprintf("at most %d of them in each other", deepestJSON))
	}
	switch t := t.(type) {
	case json.Number:
		n.number = t.String()
	case string:
		n.text, n.isText = t, true
	case nil:
		n.null = true
	case json.Delim:
		n.isList = t == '['
		seen := map[string]bool{}
		for p.d.More() {
			if t == '{' {
				name, err := p.d.Token()
				if err != nil {
					return nil, refuseMesh(p.line(n.at), 0, err.Error(), "JSON")
				}
				word, _ := name.(string)
				if seen[strings.ToLower(word)] {
					return nil, p.refuse(&jsonNode{at: p.d.InputOffset()}, word+" twice", "each name once")
				}
				seen[strings.ToLower(word)] = true
				n.names = append(n.names, word)
			}
			v, err := p.read(depth + 1)
			if err != nil {
				return nil, err
			}
			if t == '{' {
				n.values = append(n.values, v)
			} else {
				n.list = append(n.list, v)
			}
		}
		if _, err := p.d.Token(); err != nil {
			return nil, refuseMesh(p.line(n.at), 0, err.Error(), "JSON")
		}
	}
	return n, nil
}

// height reads a value as a height; only a number, null or a word for missing.
func (p *jsonMesh) height(n *jsonNode) (meshCell, error) {
	c := meshCell{is: isMissing, x: math.NaN()}
	switch {
	case n.null:
		return c, nil
	case n.number != "" || n.isText:
		text := n.number + n.text
		if strings.TrimSpace(text) == "" {
			return c, nil
		}
		cells := readCell(strings.TrimSpace(text), 0, 0)
		if len(cells) != 1 || cells[0].is != isNumber && cells[0].is != isMissing || math.Abs(cells[0].x) > MostHeightMM {
			return c, p.refuse(n, text, "a height from -5 to 5 mm, or null where missing")
		}
		return cells[0], nil
	}
	return c, p.refuse(n, "something else", "a height from -5 to 5 mm, or null where missing")
}

// numbers reads a list of nothing but numbers; nil for anything else.
func (n *jsonNode) numbers() []float64 {
	if n == nil || !n.isList || len(n.list) == 0 {
		return nil
	}
	out := make([]float64, len(n.list))
	for i, e := range n.list {
		x, err := strconv.ParseFloat(e.number, 64)
		if e.number == "" || err != nil {
			return nil
		}
		out[i] = x
	}
	return out
}

func (n *jsonNode) number64() float64 {
	if n == nil || n.number == "" {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(n.number, 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// search finds grids in a value; above is the object it is a member of.
func (p *jsonMesh) search(n, above *jsonNode) error {
	add := func(make func() (*MeshText, bool, error)) { p.found = append(p.found, jsonFound{n, make}) }
	switch {
	case n.isList && len(n.list) > 0 && !slices.ContainsFunc(n.list, func(e *jsonNode) bool { return e.names == nil }):
		if points := n.list[0].member("x") != nil && n.list[0].member("y") != nil; points {
			add(func() (*MeshText, bool, error) { return gridOf(p.objects(n)) })
			return nil
		}
	case n.isList && slices.ContainsFunc(n.list, func(e *jsonNode) bool { return e.isList }):
		flat := true
		for _, e := range n.list {
			if e.isList {
				for _, v := range e.list {
					flat = flat && !v.isList && v.names == nil
				}
			}
		}
		if flat {
			add(func() (*MeshText, bool, error) { return p.matrix(n, above) })
			return nil
		}
	case n.names != nil:
		// {"columns", "rows", "heights": […]}, {"x": […], "y": […], "z": […]}
		columns, rows := n.member("columns"), n.member("rows")
		if columns == nil {
			columns = n.member("cols")
		}
		c, r := columns.number64(), rows.number64()
		x, y := axisOf(n, "x"), axisOf(n, "y")
		for i, v := range n.values {
			if !v.isList || len(v.list) == 0 || slices.ContainsFunc(v.list, func(e *jsonNode) bool { return e.isList || e.names != nil }) {
				continue
			}
			name := strings.ToLower(n.names[i])
			switch {
			case c >= 1 && r >= 1 && float64(len(v.list)) == c*r && v != x && v != y:
				p.found = append(p.found, jsonFound{v, func() (*MeshText, bool, error) { return p.flat(v, n, int(c), int(r), x, y) }})
			case (name == "z" || name == "heights" || name == "z_mm" || name == "heights_mm") && x != nil && y != nil && len(x.list) == len(v.list) && len(y.list) == len(v.list):
				p.found = append(p.found, jsonFound{v, func() (*MeshText, bool, error) { return gridOf(p.lists(x, y, v)) }})
			case name == "heights_mm" || name == "z":
				return p.refuse(v, fmt.Sprintf("%d heights in one list", len(v.list)), "as many as columns times rows beside them, or a list for each row")
			}
		}
	}
	for _, v := range append(slices.Clone(n.list), n.values...) {
		if err := p.search(v, n); err != nil {
			return err
		}
	}
	return nil
}

// axisOf finds the list of positions along x or y beside a grid.
func axisOf(above *jsonNode, axis string) *jsonNode {
	if above == nil {
		return nil
	}
	for _, name := range []string{axis, axis + "_mm", axis + "s", axis + "_positions", axis + "_values"} {
		if n := above.member(name); n.numbers() != nil {
			return n
		}
	}
	return nil
}

func (p *jsonMesh) matrix(n, above *jsonNode) (*MeshText, bool, error) {
	// Triples: x, y, height.
	if len(n.list) >= 4 && !slices.ContainsFunc(n.list, func(e *jsonNode) bool { return len(e.list) != 3 }) {
		far := [3]bool{}
		for _, e := range n.list {
			for k, v := range e.list {
				far[k] = far[k] || math.Abs(v.number64()) > MostHeightMM
			}
		}
		if far == [3]bool{true, true, false} {
			return gridOf(p.triples(n))
		}
	}
	m := &MeshText{Rows: len(n.list)}
	whole := true
	for i, row := range n.list {
		if !row.isList {
			return nil, false, p.refuse(row, "something else than a row", "a list of heights for each row")
		}
		if i == 0 {
			m.Columns = len(row.list)
		}
		if len(row.list) != m.Columns {
			return nil, false, p.refuse(row, fmt.Sprintf("%d heights", len(row.list)), fmt.Sprintf("%d, as many as the first row has", m.Columns))
		}
		for _, v := range row.list {
			c, err := p.height(v)
			if err != nil {
				return nil, false, err
			}
			whole = whole && (c.is == isMissing || !c.dot)
			m.HeightsMM = append(m.HeightsMM, c.x)
		}
	}
	return p.positioned(m, whole, n, axisOf(above, "x"), axisOf(above, "y"))
}

// positioned gives a grid the positions that stand beside it.
func (p *jsonMesh) positioned(m *MeshText, whole bool, n, x, y *jsonNode) (*MeshText, bool, error) {
	if x == nil || y == nil {
		return m, whole, nil
	}
	if len(x.list) != m.Columns || len(y.list) != m.Rows {
		return nil, false, p.refuse(n, fmt.Sprintf("%d columns and %d rows beside %d and %d positions", m.Columns, m.Rows, len(x.list), len(y.list)), "a position for each column and each row")
	}
	if m.Columns < 2 || m.Rows < 2 {
		return m, whole, nil
	}
	return m, whole, m.locate(x.numbers(), y.numbers())
}

// flat reads a plain list beside its columns and rows.
func (p *jsonMesh) flat(v, above *jsonNode, columns, rows int, x, y *jsonNode) (*MeshText, bool, error) {
	m := &MeshText{Columns: columns, Rows: rows}
	whole := true
	for _, e := range v.list {
		c, err := p.height(e)
		if err != nil {
			return nil, false, err
		}
		whole = whole && (c.is == isMissing || !c.dot)
		m.HeightsMM = append(m.HeightsMM, c.x)
	}
	if v == above.member("heights_mm") {
		m.Says, m.SaysLine = RowFront, p.line(v.at) // this program's own answer and record: from the front left
	}
	return p.positioned(m, whole, v, x, y)
}

func (p *jsonMesh) objects(n *jsonNode) (pts []meshPoint, err error) {
	for _, o := range n.list {
		z := o.member("z")
		for _, name := range []string{"height", "height_mm", "z_mm", "deviation"} {
			if z == nil {
				z = o.member(name)
			}
		}
		x, y := o.member("x").number64(), o.member("y").number64()
		if z == nil || math.IsNaN(x) || math.IsNaN(y) {
			return nil, p.refuse(o, "a point without x, y and z", "numbers x and y, and z, null where missing")
		}
		c, err := p.height(z)
		if err != nil {
			return nil, err
		}
		pts = append(pts, meshPoint{x, y, c.x, c.dot, p.line(o.at), 0})
	}
	return pts, nil
}

func (p *jsonMesh) triples(n *jsonNode) (pts []meshPoint, err error) {
	for _, e := range n.list {
		x, y := e.list[0].number64(), e.list[1].number64()
		if math.IsNaN(x) || math.IsNaN(y) {
			return nil, p.refuse(e, "a point without a position", "x, y and height")
		}
		c, err := p.height(e.list[2])
		if err != nil {
			return nil, err
		}
		pts = append(pts, meshPoint{x, y, c.x, c.dot, p.line(e.at), 0})
	}
	return pts, nil
}

func (p *jsonMesh) lists(x, y, z *jsonNode) (pts []meshPoint, err error) {
	xs, ys := x.numbers(), y.numbers()
	for i, e := range z.list {
		c, err := p.height(e)
		if err != nil {
			return nil, err
		}
		pts = append(pts, meshPoint{xs[i], ys[i], c.x, c.dot, p.line(e.at), 0})
	}
	return pts, nil
}
