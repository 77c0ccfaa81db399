package printable

import (
	"fmt"
	"strings"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// Coupon is a test print one layer high: in every zone of a bed a stripe one
// line wide to measure the nozzle's height on, a solid patch to look at, and the
// zone's address. All of it lies in one square in the middle of each zone, so
// that the whole print is symmetrical about the bed's centre: whoever centres it
// puts every piece where it belongs.
type Coupon struct {
	Grid    bed.Grid
	Profile bed.Profile

	SquareMM float64 // side of a zone's square: the stripe's length
	PatchMM  float64 // side of the patch
	Pieces   []Piece
}

// Piece is one part of the print.
type Piece struct {
	Zone   bed.Zone
	Kind   PieceKind
	Boxes  [][4]float64 // its rectangles: x, y of the front left corner, width, depth, mm
	shape  cells
	single bool // strokes of a single line
}

// PieceKind says what a piece is for.
type PieceKind string

// Kinds of pieces.
const (
	Stripe  PieceKind = "stripe"
	Patch   PieceKind = "patch"
	Address PieceKind = "address"
)

// Sizes: at most 40 mm a zone (prints stay short), letters at most 8 mm.
const (
	mostSquareMM = 40
	mostGlyphMM  = 8
	// GaugeMM is the least side of a patch that a micrometer's face of 6.5 mm can
	// measure 5 mm away from every edge.
	GaugeMM = 16.5
)

// NewCoupon lays out the coupon of a bed for a profile. Refused where zones are
// too small for lines that wide.
func NewCoupon(g bed.Grid, p bed.Profile) (*Coupon, error) {
	if !g.Valid() {
		return nil, fault.New(fault.Invalid, "A coupon needs a bed of 50 to 2000 mm each way with 1 to 9 zones each way.")
	}
	zoneX, zoneY := g.BedXMM/float64(g.Cols), g.BedYMM/float64(g.Rows)
	w := p.WidthMM
	c := &Coupon{Grid: g, Profile: p, SquareMM: min(0.8*min(zoneX, zoneY), mostSquareMM)}
	q := c.SquareMM
	room := max(w, 0.05*q) // between stripe, address and patch
	high := max(leastGlyphHigh*w, min(0.25*q, mostGlyphMM))
	wide := max(leastGlyphWide*w, 0.6*high)
	c.PatchMM = q - w - 2*room - high
	if c.PatchMM < w || 2*wide+room > q {
		return nil, fault.New(fault.Invalid, "Zones of %.1f × %.1f mm are too small for a coupon with lines %.2f mm wide. Give the printer fewer zones.", zoneX, zoneY, w)
	}
	for row := range g.Rows {
		for col := range g.Cols {
			z := bed.Zone{Col: col, Row: row}
			cx, cy := g.Centre(z)
			x, y := cx-q/2, cy-q/2
			c.piece(z, Stripe, true, rectangle(x, y+q-w, x+q, y+q))
			c.piece(z, Address, true, glyph('A'+byte(col), x, y+c.PatchMM+room, wide, high, w))
			c.piece(z, Address, true, glyph('1'+byte(row), x+wide+room, y+c.PatchMM+room, wide, high, w))
			c.piece(z, Patch, false, rectangle(x, y, x+c.PatchMM, y+c.PatchMM))
		}
	}
	return c, nil
}

func (c *Coupon) piece(z bed.Zone, kind PieceKind, single bool, shape cells) {
	p := Piece{Zone: z, Kind: kind, shape: shape, single: single}
	for j := range len(shape.ys) - 1 {
		for i := range len(shape.xs) - 1 {
			if shape.filled(i, j) {
				p.Boxes = append(p.Boxes, [4]float64{shape.xs[i], shape.ys[j], shape.xs[i+1] - shape.xs[i], shape.ys[j+1] - shape.ys[j]})
			}
		}
	}
	c.Pieces = append(c.Pieces, p)
}

// Mesh is the print as one closed surface, a layer high.
func (c *Coupon) Mesh() *Mesh {
	m := &Mesh{}
	for _, p := range c.Pieces {
		m.add(p.shape, c.Profile.HeightMM)
	}
	return m
}

// VolumeMM3 is the plastic a printer lays for the print: patches full, strokes
// with a line's cross-section.
func (c *Coupon) VolumeMM3() (v float64) {
	for _, p := range c.Pieces {
		if p.single {
			v += p.shape.area() / c.Profile.WidthMM * c.Profile.AreaMM2()
		} else {
			v += p.shape.area() * c.Profile.HeightMM
		}
	}
	return v
}

// MassG is the expected mass of the print at a density in g/cm³.
func (c *Coupon) MassG(density float64) float64 { return c.VolumeMM3() * density / 1000 }

// PatchMassG is the expected mass of one patch.
func (c *Coupon) PatchMassG(density float64) float64 {
	return c.PatchMM * c.PatchMM * c.Profile.HeightMM * density / 1000
}

// Gaugeable tells whether patches are large enough to measure.
func (c *Coupon) Gaugeable() bool { return c.PatchMM >= GaugeMM }

// Name is what a file of the coupon is called, without an ending. What a file's
// name cannot hold is left out of the printer's tag.
func (c *Coupon) Name(printer string) string {
	printer = strings.Map(func(r rune) rune {
		if strings.ContainsRune(`/\:*?"<>|`, r) || r < ' ' {
			return '-'
		}
		return r
	}, printer)
	return fmt.Sprintf("coupon-%s-%.2fx%.2f", printer, c.Profile.HeightMM, c.Profile.WidthMM)
}

// UsualDensity is the density of PLA, g/cm³, for the expected mass unless
// another is given (from memory; the spool's data sheet wins).
const UsualDensity = 1.24

// ForPrinter is the coupon of a printer's bed for a profile, mm; what is not
// known of it (NaN) is as the records' defaults have it.
func ForPrinter(p *farm.Printer, heightMM, widthMM, pitchMM float64) (*Coupon, error) {
	or := func(x, otherwise float64) float64 {
		if farm.Known(x) {
			return x
		}
		return otherwise
	}
	profile, err := bed.NewProfile(or(heightMM, farm.DefaultLayerHeightMM), or(widthMM, farm.DefaultLineWidthMM), pitchMM, farm.Unknown())
	if err != nil {
		return nil, err
	}
	zones := func(n int) int {
		if n == 0 {
			return farm.DefaultZones
		}
		return n
	}
	return NewCoupon(bed.Grid{BedXMM: p.BedXMM, BedYMM: p.BedYMM, Cols: zones(p.ZoneCols), Rows: zones(p.ZoneRows)}, profile)
}
