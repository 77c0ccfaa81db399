package printable

import (
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"codeberg.org/go-pdf/fpdf"
	qr "github.com/piglig/go-qr"
)

// Sheet is a kind of label paper, in millimetres: labels in columns and rows from
// the upper left.
type Sheet struct {
	Code           string
	Word           string // what people read
	WideMM, HighMM float64
	Cols, Rows     int
	LabelWideMM    float64
	LabelHighMM    float64
	LeftMM, TopMM  float64 // of the first label
	StepXMM        float64 // from label to label
	StepYMM        float64
}

// Sheets are the papers one may print on: common sizes of sheets of labels, and
// single labels from a roll.
var Sheets = []Sheet{
	{"a4-24", "A4, 24 labels of 70 × 37 mm", 210, 297, 3, 8, 70, 37, 0, 0.5, 70, 37},
	{"a4-14", "A4, 14 labels of 99.1 × 38.1 mm", 210, 297, 2, 7, 99.1, 38.1, 4.65, 15.15, 101.6, 38.1},
	{"letter-30", "Letter, 30 labels of 66.7 × 25.4 mm", 215.9, 279.4, 3, 10, 66.675, 25.4, 4.76, 12.7, 69.85, 25.4},
	{"letter-10", "Letter, 10 labels of 101.6 × 50.8 mm", 215.9, 279.4, 2, 5, 101.6, 50.8, 4.0, 12.7, 106.3, 50.8},
	{"single-62x29", "Single labels of 62 × 29 mm", 62, 29, 1, 1, 62, 29, 0, 0, 62, 29},
	{"single-50x30", "Single labels of 50 × 30 mm", 50, 30, 1, 1, 50, 30, 0, 0, 50, 30},
}

// SheetByCode finds a paper.
func SheetByCode(code string) (Sheet, bool) {
	i := slices.IndexFunc(Sheets, func(s Sheet) bool { return s.Code == code })
	if i < 0 {
		return Sheet{}, false
	}
	return Sheets[i], true
}

// PerPage is how many labels are on one sheet.
func (s Sheet) PerPage() int { return s.Cols * s.Rows }

// Label is what one label says. Kind is printer or plate; Address is the whole
// short address, which the code holds and the label says in words.
type Label struct{ Kind, Tag, Address string }

// NeverUnder stands on every label of a plate.
const NeverUnder = "Edge or tab only, never under the plate"

// MostLabels is how many labels one order makes.
const MostLabels = 3000

// Order is labels on a paper: copies of each, side by side, beginning at the
// label From (1 is the first) of a sheet of which earlier ones are used up.
type Order struct {
	Sheet  Sheet
	Labels []Label
	Copies int
	From   int
}

// Check refuses what cannot be printed, by the field's name.
func (o Order) Check() error {
	var problems []fault.Problem
	if o.Copies < 1 || o.Copies > 20 {
		problems = append(problems, fault.Problem{Column: "copies", Found: itoa(o.Copies), Expected: "1 to 20"})
	}
	if o.From < 1 || o.From > o.Sheet.PerPage() {
		problems = append(problems, fault.Problem{Column: "from", Found: itoa(o.From), Expected: "1 to " + itoa(o.Sheet.PerPage()) + ", the labels of a sheet"})
	}
	if n := len(o.Labels) * max(o.Copies, 1); n > MostLabels {
		problems = append(problems, fault.Problem{Column: "tags", Found: itoa(n) + " labels", Expected: "up to " + itoa(MostLabels) + " at once"})
	}
	if len(problems) > 0 {
		return fault.At(problems...)
	}
	return nil
}

// Pages is how many sheets the order takes.
func (o Order) Pages() int {
	n := o.From - 1 + len(o.Labels)*o.Copies
	return (n + o.Sheet.PerPage() - 1) / o.Sheet.PerPage()
}

// page lays out one sheet, from 0.
func (o Order) page(number int) (drawing, error) {
	d := drawing{wide: o.Sheet.WideMM, high: o.Sheet.HighMM}
	m := newMeasure()
	per := o.Sheet.PerPage()
	for place := range per {
		i := number*per + place - (o.From - 1)
		if i < 0 || i >= len(o.Labels)*o.Copies {
			continue
		}
		x := o.Sheet.LeftMM + float64(place%o.Sheet.Cols)*o.Sheet.StepXMM
		y := o.Sheet.TopMM + float64(place/o.Sheet.Cols)*o.Sheet.StepYMM
		if err := d.label(m, o.Labels[i/o.Copies], x, y, o.Sheet.LabelWideMM, o.Sheet.LabelHighMM); err != nil {
			return drawing{}, err
		}
	}
	return d, nil
}

// drawing is rectangles and lines of text on a page, millimetres from the upper
// left.
type drawing struct {
	wide, high float64
	boxes      [][4]float64 // x, y, width, height
	texts      []text
}

type text struct {
	x, y float64 // of the base line's left end
	size float64 // of the letters, mm
	bold bool
	text string
}

const (
	quiet   = 4.0 // modules left white around a code (ISO/IEC 18004)
	padding = 2.0 // mm inside a label that printers may cut off
)

// label draws one label: the code at the left, beside it the tag as large as
// there is room, its kind, the address, and for plates where it may go.
func (d *drawing) label(m *measure, l Label, x, y, wide, high float64) error {
	code, err := qr.EncodeText(l.Address, qr.Medium)
	if err != nil {
		return fault.Wrap(fault.Invalid, err, "no code can be made for %s", fault.Quote(l.Tag))
	}
	side := min(high-2*padding, wide*0.45)
	module := side / (float64(code.Size()) + 2*quiet)
	d.code(code, x+padding+quiet*module, y+(high-side)/2+quiet*module, module)

	left := x + padding + side + 0.5
	room := x + wide - padding - left
	lines := []text{{size: min(room*0.32, high*0.28, 14), bold: true, text: farm.LabelTag(l.Tag)},
		{size: 2.6, text: l.Kind}}
	lines = append(lines, m.wrap(withoutScheme(l.Address), room, 2.3)...)
	if l.Kind == "plate" {
		lines = append(lines, m.wrap(NeverUnder, room, 2.1)...)
	}
	const lead = 1.3
	total := 0.0
	for i := range lines {
		lines[i].size = min(lines[i].size, lines[i].size*room/m.width(lines[i]))
		total += lines[i].size * lead
	}
	if most := high - 2*padding; total > most {
		for i := range lines {
			lines[i].size *= most / total
		}
		total = most
	}
	at := y + (high-total)/2
	for _, line := range lines {
		line.x, line.y = left, at+line.size
		at += line.size * lead
		d.texts = append(d.texts, line)
	}
	return nil
}

// code draws a code's dark modules, neighbours of a row as one box.
func (d *drawing) code(code *qr.QrCode, x, y, module float64) {
	n := code.Size()
	for row := range n {
		for col := 0; col < n; col++ {
			from := col
			for col < n && code.Module(col, row) {
				col++
			}
			if col > from {
				d.boxes = append(d.boxes, [4]float64{x + float64(from)*module, y + float64(row)*module, float64(col-from) * module, module})
			}
		}
	}
}

func withoutScheme(address string) string {
	_, rest, ok := strings.Cut(address, "://")
	if !ok {
		return address
	}
	return rest
}

// measure knows how wide texts are.
type measure struct {
	pdf   *fpdf.Fpdf
	known func(string) string
}

func newMeasure() *measure {
	p := fpdf.New("P", "mm", "A4", "")
	return &measure{p, p.UnicodeTranslatorFromDescriptor("")}
}

const pointMM = 25.4 / 72

func (m *measure) width(t text) float64 {
	style := ""
	if t.bold {
		style = "B"
	}
	m.pdf.SetFont("Helvetica", style, t.size/pointMM)
	return max(m.pdf.GetStringWidth(m.known(t.text)), 0.1)
}

// wrap breaks words into lines; a word wider than a line is broken in itself.
func (m *measure) wrap(s string, room, size float64) []text {
	var out []text
	line := ""
	put := func() {
		if line != "" {
			out = append(out, text{size: size, text: line})
		}
		line = ""
	}
	for _, word := range strings.Fields(s) {
		joined := strings.TrimSpace(line + " " + word)
		if m.width(text{size: size, text: joined}) <= room {
			line = joined
			continue
		}
		put()
		for _, r := range word {
			if m.width(text{size: size, text: line + string(r)}) > room {
				put()
			}
			line += string(r)
		}
	}
	put()
	return out
}
