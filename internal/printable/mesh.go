package printable

// Mesh is a closed surface of triangles, seen counter-clockwise from outside;
// mm, x to the right, y to the back, z up, from the bed's front left corner.
type Mesh struct {
	Vertices  [][3]float64
	Triangles [][3]uint32
}

// cells is a flat piece made of rectangles on a grid: xs and ys are the grid's
// lines, filled says which cells are there. Filled cells must not touch at a
// corner alone, or the surface would touch itself along an edge.
type cells struct {
	xs, ys []float64
	filled func(col, row int) bool
}

// rectangle is one filled cell.
func rectangle(x0, y0, x1, y1 float64) cells {
	return cells{[]float64{x0, x1}, []float64{y0, y1}, func(int, int) bool { return true }}
}

// add raises a piece from the bed to a height.
func (m *Mesh) add(c cells, height float64) {
	cols, rows := len(c.xs)-1, len(c.ys)-1
	is := func(i, j int) bool { return i >= 0 && j >= 0 && i < cols && j < rows && c.filled(i, j) }
	at := map[[3]int]uint32{}
	vertex := func(i, j, k int) uint32 {
		key := [3]int{i, j, k}
		n, ok := at[key]
		if !ok {
			n = uint32(len(m.Vertices))
			at[key] = n
			m.Vertices = append(m.Vertices, [3]float64{c.xs[i], c.ys[j], float64(k) * height})
		}
		return n
	}
	// quad takes corners counter-clockwise as seen from outside.
	quad := func(a, b, c, d [3]int) {
		p, q, r, s := vertex(a[0], a[1], a[2]), vertex(b[0], b[1], b[2]), vertex(c[0], c[1], c[2]), vertex(d[0], d[1], d[2])
		m.Triangles = append(m.Triangles, [3]uint32{p, q, r}, [3]uint32{p, r, s})
	}
	for j := range rows {
		for i := range cols {
			if !is(i, j) {
				continue
			}
			quad([3]int{i, j, 1}, [3]int{i + 1, j, 1}, [3]int{i + 1, j + 1, 1}, [3]int{i, j + 1, 1})
			quad([3]int{i, j, 0}, [3]int{i, j + 1, 0}, [3]int{i + 1, j + 1, 0}, [3]int{i + 1, j, 0})
			if !is(i, j-1) {
				quad([3]int{i, j, 0}, [3]int{i + 1, j, 0}, [3]int{i + 1, j, 1}, [3]int{i, j, 1})
			}
			if !is(i+1, j) {
				quad([3]int{i + 1, j, 0}, [3]int{i + 1, j + 1, 0}, [3]int{i + 1, j + 1, 1}, [3]int{i + 1, j, 1})
			}
			if !is(i, j+1) {
				quad([3]int{i + 1, j + 1, 0}, [3]int{i, j + 1, 0}, [3]int{i, j + 1, 1}, [3]int{i + 1, j + 1, 1})
			}
			if !is(i-1, j) {
				quad([3]int{i, j + 1, 0}, [3]int{i, j, 0}, [3]int{i, j, 1}, [3]int{i, j + 1, 1})
			}
		}
	}
}

// area is the piece's area from above, mm².
func (c cells) area() (a float64) {
	for j := range len(c.ys) - 1 {
		for i := range len(c.xs) - 1 {
			if c.filled(i, j) {
				a += (c.xs[i+1] - c.xs[i]) * (c.ys[j+1] - c.ys[j])
			}
		}
	}
	return a
}
