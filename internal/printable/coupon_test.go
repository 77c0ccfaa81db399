package printable

import (
	"bytes"
	"io"
	"math"
	"strings"
	"testing"

	"basecourse/internal/bed"

	"pgregory.net/rapid"
)

func coupon(t testing.TB, g bed.Grid, h, w float64) *Coupon {
	t.Helper()
	p, err := bed.NewProfile(h, w, math.NaN(), math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	c, err := NewCoupon(g, p)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// both writes a coupon in both formats and reads each back.
func both(t interface{ Fatal(...any) }, c *Coupon) map[string]*solid {
	var stl, threeMF bytes.Buffer
	if err := WriteSTL(&stl, c.Mesh(), "P-001"); err != nil {
		t.Fatal(err)
	}
	if err := Write3MF(&threeMF, c.Mesh(), `P-001 <&">`); err != nil {
		t.Fatal(err)
	}
	a, err := readSTL(stl.Bytes())
	if err != nil {
		t.Fatal("STL:", err)
	}
	b, err := read3MF(threeMF.Bytes())
	if err != nil {
		t.Fatal("3MF:", err)
	}
	return map[string]*solid{"STL": a, "3MF": b}
}

// check reads the files back: closed, one layer high, inside the zones' squares,
// symmetrical about the bed's centre.
func check(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, c *Coupon) {
	area := 0.0
	for _, p := range c.Pieces {
		area += p.shape.area()
	}
	for format, s := range both(t, c) {
		volume, err := s.closed()
		if err != nil {
			t.Fatal(format, err)
		}
		if want := area * c.Profile.HeightMM; math.Abs(volume-want) > 2e-3*want {
			t.Fatalf("%s: %.4f mm³, want the pieces' %.4f", format, volume, want)
		}
		low, high := s.vertices[0], s.vertices[0]
		for _, v := range s.vertices {
			for k := range 3 {
				low[k], high[k] = min(low[k], v[k]), max(high[k], v[k])
			}
			zone := bed.Zone{Col: int(v[0] / (c.Grid.BedXMM / float64(c.Grid.Cols))), Row: int(v[1] / (c.Grid.BedYMM / float64(c.Grid.Rows)))}
			x, y := c.Grid.Centre(zone)
			if !c.Grid.Holds(zone) || math.Abs(v[0]-x) > c.SquareMM/2+1e-3 || math.Abs(v[1]-y) > c.SquareMM/2+1e-3 {
				t.Fatalf("%s: a corner at %v lies outside its zone's square", format, v)
			}
		}
		if low[2] != 0 || math.Abs(high[2]-c.Profile.HeightMM) > 5.1e-5 {
			t.Fatalf("%s: from %g to %g mm high, want one layer of %g", format, low[2], high[2], c.Profile.HeightMM)
		}
		if math.Abs(low[0]+high[0]-c.Grid.BedXMM) > 2e-3 || math.Abs(low[1]+high[1]-c.Grid.BedYMM) > 2e-3 {
			t.Fatalf("%s: %v to %v is not centred on the bed", format, low, high)
		}
	}
}

func TestCouponsOfEveryGrid(t *testing.T) {
	for cols := 1; cols <= 9; cols++ {
		for _, rows := range []int{1, 3, 9} {
			check(t, coupon(t, bed.Grid{BedXMM: 180, BedYMM: 220, Cols: cols, Rows: rows}, 0.2, 0.45))
		}
	}
	check(t, coupon(t, bed.Grid{BedXMM: 50, BedYMM: 50, Cols: 9, Rows: 9}, 0.2, 0.4))
	check(t, coupon(t, bed.Grid{BedXMM: 2000, BedYMM: 2000, Cols: 9, Rows: 9}, 0.3, 1.2))
}

func TestCouponsOfAnyBed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := bed.Grid{BedXMM: rapid.Float64Range(50, 2000).Draw(t, "x"), BedYMM: rapid.Float64Range(50, 2000).Draw(t, "y"), Cols: rapid.IntRange(1, 9).Draw(t, "cols"), Rows: rapid.IntRange(1, 9).Draw(t, "rows")}
		h := rapid.Float64Range(0.05, 1).Draw(t, "height")
		p, err := bed.NewProfile(h, rapid.Float64Range(max(0.1, h), 3).Draw(t, "width"), math.NaN(), math.NaN())
		if err != nil {
			t.Fatal(err)
		}
		c, err := NewCoupon(g, p)
		if err != nil {
			// Only where a zone has no room for eleven lines.
			if min(g.BedXMM/float64(g.Cols), g.BedYMM/float64(g.Rows)) > 16*p.WidthMM {
				t.Fatalf("%+v with lines of %g mm: %v", g, p.WidthMM, err)
			}
			return
		}
		check(t, c)
	})
}

func TestEveryZoneHasItsPieces(t *testing.T) {
	c := coupon(t, bed.Grid{BedXMM: 250, BedYMM: 210, Cols: 3, Rows: 3}, 0.2, 0.45)
	count := map[PieceKind]int{}
	for _, p := range c.Pieces {
		count[p.Kind]++
		if p.Kind == Stripe && (len(p.Boxes) != 1 || math.Abs(p.Boxes[0][3]-0.45) > 1e-9 || p.Boxes[0][2] != c.SquareMM) {
			t.Errorf("stripe %v, want one line %g mm long", p.Boxes, c.SquareMM)
		}
	}
	if count[Stripe] != 9 || count[Patch] != 9 || count[Address] != 18 {
		t.Errorf("got %v, want a stripe, a patch and two signs in each zone", count)
	}
	if !c.Gaugeable() || c.PatchMM < 20 {
		t.Errorf("patches of %g mm, want them large enough to gauge", c.PatchMM)
	}
	// By hand: patches full, stripe and strokes with a line's cross-section.
	strokes := 0.0
	for _, p := range c.Pieces {
		if p.Kind != Patch {
			strokes += p.shape.area()
		}
	}
	want := (9*c.PatchMM*c.PatchMM*0.2 + strokes/0.45*c.Profile.AreaMM2()) * 1.24 / 1000
	if got := c.MassG(1.24); math.Abs(got-want) > 1e-9 || got < 1.2 || got > 2.2 {
		t.Errorf("mass %g, want %g", got, want)
	}
}

// Letters differ, so that no address reads as another, and strokes are one line
// wide wherever they run.
func TestAddressesAreLegible(t *testing.T) {
	seen := map[string]byte{}
	for letter, rows := range glyphs {
		whole := strings.Join(rows[:], "/")
		if other, twice := seen[whole]; twice {
			t.Errorf("%c looks like %c", letter, other)
		}
		seen[whole] = letter
		c := glyph(letter, 0, 0, 4.8, 8, 0.45)
		for i := range len(c.xs) - 1 {
			if width := c.xs[i+1] - c.xs[i]; i%2 == 0 && math.Abs(width-0.45) > 1e-9 {
				t.Errorf("%c: a stroke %g mm wide", letter, width)
			}
			for j := range 5 {
				if c.filled(i, j) && i%2 == 1 && j%2 == 1 {
					t.Errorf("%c: the room between strokes is filled", letter)
				}
			}
		}
	}
	if len(glyphs) != 18 {
		t.Errorf("%d signs, want A to I and 1 to 9", len(glyphs))
	}
}

func TestTheSameCouponGivesTheSameBytes(t *testing.T) {
	c := coupon(t, bed.Grid{BedXMM: 250, BedYMM: 250, Cols: 3, Rows: 3}, 0.2, 0.45)
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := Write3MF(w, c.Mesh(), "x"); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two packages of one coupon differ")
	}
}

func TestZonesTooSmallForTheLines(t *testing.T) {
	p, err := bed.NewProfile(0.5, 3, math.NaN(), math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewCoupon(bed.Grid{BedXMM: 100, BedYMM: 100, Cols: 9, Rows: 9}, p); err == nil || !strings.Contains(err.Error(), "fewer zones") {
		t.Errorf("got %v", err)
	}
}

// The checks themselves find what is wrong.
func TestTheReadersSeeWhatIsWrong(t *testing.T) {
	c := coupon(t, bed.Grid{BedXMM: 250, BedYMM: 250, Cols: 1, Rows: 1}, 0.2, 0.45)
	open := c.Mesh()
	open.Triangles = open.Triangles[1:]
	turned := c.Mesh()
	turned.Triangles[0][1], turned.Triangles[0][2] = turned.Triangles[0][2], turned.Triangles[0][1]
	corner := &Mesh{}
	corner.add(cells{[]float64{0, 1, 2}, []float64{0, 1, 2}, func(i, j int) bool { return i == j }}, 1)
	for what, m := range map[string]*Mesh{"a triangle missing": open, "one inside out": turned, "two touching at an edge": corner} {
		var b bytes.Buffer
		if err := Write3MF(&b, m, "x"); err != nil {
			t.Fatal(err)
		}
		s, err := read3MF(b.Bytes())
		if err == nil {
			_, err = s.closed()
		}
		if err == nil {
			t.Errorf("%s: not seen", what)
		}
	}
}

func BenchmarkCouponOfNineByNine(b *testing.B) {
	c := coupon(b, bed.Grid{BedXMM: 300, BedYMM: 300, Cols: 9, Rows: 9}, 0.2, 0.45)
	for b.Loop() {
		if err := Write3MF(io.Discard, c.Mesh(), "x"); err != nil {
			b.Fatal(err)
		}
	}
}
