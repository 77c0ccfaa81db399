package bed

import "math"

// Zone is one cell of a bed's grid, counted from 0: Col from the left, Row from
// the front, as the operator stands, seen from above.
type Zone struct{ Col, Row int }

// Grid is a bed's size, mm, and how many zones it is divided into.
type Grid struct {
	BedXMM, BedYMM float64
	Cols, Rows     int
}

// Holds tells whether a zone lies on the grid.
func (g Grid) Holds(z Zone) bool { return z.Col >= 0 && z.Row >= 0 && z.Col < g.Cols && z.Row < g.Rows }

// Valid tells whether the grid is one a printer may have: a bed of 50 to 2000
// mm, 1 to 9 zones each way.
func (g Grid) Valid() bool {
	in := func(x float64) bool { return x >= 50 && x <= 2000 }
	return in(g.BedXMM) && in(g.BedYMM) && g.Cols >= 1 && g.Cols <= 9 && g.Rows >= 1 && g.Rows <= 9
}

// Centre is a zone's centre from the bed's front left corner, mm.
func (g Grid) Centre(z Zone) (xMM, yMM float64) {
	return (float64(z.Col) + 0.5) * g.BedXMM / float64(g.Cols), (float64(z.Row) + 0.5) * g.BedYMM / float64(g.Rows)
}

// FromBelow gives the zone, seen from above, of one that is seen at that place
// on a layer turned over left to right to look at its underside. It is its own
// inverse.
func (g Grid) FromBelow(z Zone) Zone { return Zone{g.Cols - 1 - z.Col, z.Row} }

// Turned gives the place on the plate that lies in a zone of the printer when
// the plate lies turned by 180°, and the other way round.
func (g Grid) Turned(z Zone) Zone { return Zone{g.Cols - 1 - z.Col, g.Rows - 1 - z.Row} }

// half is half the distance between the outermost zone centres, mm; where there
// is one zone only, half the bed.
func (g Grid) half() (xMM, yMM float64) {
	one := func(size float64, n int) float64 {
		if n == 1 {
			return size / 2
		}
		return size / 2 * (1 - 1/float64(n))
	}
	return one(g.BedXMM, g.Cols), one(g.BedYMM, g.Rows)
}

// Plane is a gap or height that changes evenly over the bed: MM at the bed's
// centre, and slopes in mm per metre to the right and to the back.
type Plane struct{ MM, XMMPerM, YMMPerM float64 }

// At is the plane's value at a place on a grid's bed, mm.
func (p Plane) At(g Grid, xMM, yMM float64) float64 {
	return p.MM + (p.XMMPerM*(xMM-g.BedXMM/2)+p.YMMPerM*(yMM-g.BedYMM/2))/1000
}

// Turned is the plane as a plate turned by 180° has it.
func (p Plane) Turned() Plane { return Plane{p.MM, -p.XMMPerM, -p.YMMPerM} }

// Lean says in which direction a plane of gaps grows most, as the place that is
// lower than its opposite.
type Lean struct {
	LowMM    float64 // by how much it is lower across the zone centres
	Low      string  // "front right", "left side"; "" where the plane is level
	Opposite string
}

// Lean tells which place of the bed is low, from a plane of gaps: where the gap
// is larger the bed is lower. A slope within 22.5° of an edge names sides, one
// in between names corners.
func (p Plane) Lean(g Grid) Lean {
	hx, hy := g.half()
	dx, dy := 2*hx*p.XMMPerM/1000, 2*hy*p.YMMPerM/1000
	side, other := "right", "left"
	if dx < 0 {
		side, other = other, side
	}
	depth, opposite := "back", "front"
	if dy < 0 {
		depth, opposite = opposite, depth
	}
	limit := math.Tan(math.Pi / 8)
	switch ax, ay := math.Abs(dx), math.Abs(dy); {
	case ax == 0 && ay == 0:
		return Lean{}
	case ay <= limit*ax:
		return Lean{ax, side + " side", other + " side"}
	case ax <= limit*ay:
		return Lean{ay, depth, opposite}
	default:
		return Lean{ax + ay, depth + " " + side, opposite + " " + other}
	}
}
