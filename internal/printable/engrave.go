package printable

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	qr "github.com/piglig/go-qr"
)

// strokes are letters and digits of single lines, as an engraver draws them: on a
// field 4 wide and 6 high each point is two digits, x from the left and y from
// the base line; | lifts the tool. The zero is struck through, so that it is no O.
var strokes = map[rune]string{
	'A': "00 04 26 44 40|02 42", 'B': "00 06 36 45 44 33 03|33 42 41 30 00", 'C': "45 36 16 05 01 10 30 41", 'D': "00 06 26 44 42 20 00",
	'E': "46 06 00 40|03 33", 'F': "46 06 00|03 33", 'G': "45 36 16 05 01 10 30 41 43 23", 'H': "00 06|40 46|03 43", 'I': "10 30|20 26|16 36",
	'J': "01 10 30 41 46", 'K': "00 06|46 02|13 40", 'L': "06 00 40", 'M': "00 06 23 46 40", 'N': "00 06 40 46", 'O': "10 01 05 16 36 45 41 30 10",
	'P': "00 06 36 45 44 33 03", 'Q': "10 01 05 16 36 45 41 30 10|22 40", 'R': "00 06 36 45 44 33 03|23 40", 'S': "45 36 16 05 04 13 33 42 41 30 10 01",
	'T': "06 46|20 26", 'U': "06 01 10 30 41 46", 'V': "06 20 46", 'W': "06 10 23 30 46", 'X': "00 46|06 40", 'Y': "06 23 46|23 20", 'Z': "06 46 00 40",
	'0': "10 01 05 16 36 45 41 30 10|01 45", '1': "14 26 20|10 30", '2': "05 16 36 45 44 00 40", '3': "05 16 36 45 44 33 13|33 42 41 30 10 01",
	'4': "30 36 02 42", '5': "46 06 03 33 42 41 30 10 01", '6': "45 36 16 05 01 10 30 41 42 33 13 02", '7': "06 46 10",
	'8': "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33", '9': "01 10 30 41 45 36 16 05 04 13 33 44", '-': "13 33", '.': "20 21",
}

const (
	strokeHigh    = 6.0
	strokeAdvance = 5.5
	edgeMM        = 2.0 // white around the drawing
)

// Engraving is a plate's tag with its check letter in single strokes, and its
// code beside it, in millimetres from the lower left.
type Engraving struct {
	Text           string // what is engraved
	Address        string
	WideMM, HighMM float64
	CapMM          float64        // height of the letters
	ModuleMM       float64        // side of the code's modules; 0 without a code
	Lines          [][][2]float64 // the tag's strokes, open
	Outlines       [][][2]float64 // of the code's dark areas, closed: the inside is marked, holes are not
}

// LeastCapMM and MostCapMM bound the letters' height. 5 mm is seen under 24
// minutes of arc at an arm's length of 0.7 m; 20 to 22 are asked of text that is
// read with ease (ISO 9241-303, from memory).
const LeastCapMM, MostCapMM = 5.0, 60.0

// LeastModuleMM is what a phone still reads from a marked sheet of steel without
// effort (common practice, no source).
const LeastModuleMM = 0.4

// Engrave draws a plate's tag with letters of a height, and beside it the code of
// an address, as high as asked; 0 for none.
func Engrave(tag, address string, capMM, codeMM float64) (*Engraving, error) {
	var problems []fault.Problem
	if !(capMM >= LeastCapMM && capMM <= MostCapMM) {
		problems = append(problems, fault.Problem{Column: "letters_mm", Found: mm(capMM), Expected: "5 to 60 mm"})
	}
	e := &Engraving{Text: farm.ShortTag(tag), Address: address, CapMM: capMM}
	for _, r := range strings.ToUpper(e.Text) {
		if _, ok := strokes[r]; !ok && r != ' ' {
			problems = append(problems, fault.Problem{Column: "tag", Found: tag, Expected: "letters A to Z, digits, dash and dot, which can be drawn in strokes"})
			break
		}
	}
	var code *qr.QrCode
	if codeMM != 0 {
		var err error
		if code, err = qr.EncodeText(address, qr.Quartile); err != nil {
			return nil, fault.Wrap(fault.Invalid, err, "no code can be made for %s", fault.Quote(tag))
		}
		e.ModuleMM = codeMM / float64(code.Size())
		if !(codeMM <= 120 && e.ModuleMM >= LeastModuleMM) {
			problems = append(problems, fault.Problem{Column: "code_mm", Found: mm(codeMM), Expected: fmt.Sprintf("%.0f to 120 mm, so that a phone reads it; 0 for none", LeastModuleMM*float64(code.Size())+0.49)})
		}
	}
	if len(problems) > 0 {
		return nil, fault.At(problems...)
	}
	e.HighMM = math.Round((max(capMM, codeMM+2*quiet*e.ModuleMM)+2*edgeMM)*1e4) / 1e4
	unit, x := capMM/strokeHigh, edgeMM
	base := (e.HighMM - capMM) / 2
	for _, r := range strings.ToUpper(e.Text) {
		for _, line := range strings.Split(strokes[r], "|") {
			var points [][2]float64
			for _, p := range strings.Fields(line) {
				points = append(points, [2]float64{x + float64(p[0]-'0')*unit, base + float64(p[1]-'0')*unit})
			}
			if points != nil {
				e.Lines = append(e.Lines, points)
			}
		}
		x += strokeAdvance * unit
	}
	x -= (strokeAdvance - 4) * unit
	if code != nil {
		at := x + quiet*e.ModuleMM + edgeMM
		low := (e.HighMM - codeMM) / 2
		for _, loop := range outlines(code) {
			points := make([][2]float64, len(loop))
			for i, p := range loop {
				points[i] = [2]float64{at + float64(p[0])*e.ModuleMM, low + float64(code.Size()-p[1])*e.ModuleMM}
			}
			e.Outlines = append(e.Outlines, points)
		}
		x = at + codeMM + quiet*e.ModuleMM
	}
	e.WideMM = math.Round((x+edgeMM)*1e4) / 1e4
	return e, nil
}

// outlines walks around the dark areas of a code: loops of corners, the dark on
// the right hand. Where two areas touch at a corner they stay apart.
func outlines(code *qr.QrCode) [][][2]int {
	n := code.Size()
	dark := func(x, y int) bool { return x >= 0 && y >= 0 && x < n && y < n && code.Module(x, y) }
	type step struct{ x, y, dx, dy int }
	edges := map[step]bool{}
	for y := range n {
		for x := range n {
			if !dark(x, y) {
				continue
			}
			for _, e := range []struct {
				step
				nx, ny int
			}{{step{x, y, 1, 0}, x, y - 1}, {step{x + 1, y, 0, 1}, x + 1, y}, {step{x + 1, y + 1, -1, 0}, x, y + 1}, {step{x, y + 1, 0, -1}, x - 1, y}} {
				if !dark(e.nx, e.ny) {
					edges[e.step] = true
				}
			}
		}
	}
	var loops [][][2]int
	for y := range n + 1 {
		for x := range n + 1 {
			start := step{x, y, 1, 0}
			if !edges[start] {
				continue
			}
			var loop [][2]int
			at := start
			for edges[at] {
				delete(edges, at)
				next := step{at.x + at.dx, at.y + at.dy, 0, 0}
				for _, turn := range [][2]int{{-at.dy, at.dx}, {at.dx, at.dy}, {at.dy, -at.dx}} { // right, on, left, as y goes down
					if s := (step{next.x, next.y, turn[0], turn[1]}); edges[s] || s == start {
						if turn != [2]int{at.dx, at.dy} {
							loop = append(loop, [2]int{next.x, next.y})
						}
						at = s
						break
					}
				}
			}
			loops = append(loops, loop)
		}
	}
	return loops
}

// WriteSVG writes the drawing in true size: strokes as lines without a fill, the
// code as filled areas.
func (e *Engraving) WriteSVG(to io.Writer) error {
	var w bytes.Buffer
	svgHead(&w, e.WideMM, e.HighMM)
	path := func(lines [][][2]float64, end string) {
		for _, line := range lines {
			for i, p := range line {
				w.WriteString(map[bool]string{true: "M", false: "L"}[i == 0] + mm(p[0]) + " " + mm(e.HighMM-p[1]))
			}
			w.WriteString(end)
		}
	}
	w.WriteString(`<path id="tag" fill="none" stroke="#000000" stroke-width="0.1" stroke-linecap="round" stroke-linejoin="round" d="`)
	path(e.Lines, "")
	w.WriteString(`"/>`)
	if len(e.Outlines) > 0 {
		w.WriteString(`<path id="code" fill="#000000" fill-rule="evenodd" d="`)
		path(e.Outlines, "Z")
		w.WriteString(`"/>`)
	}
	w.WriteString("</svg>\n")
	_, err := w.WriteTo(to)
	return err
}

// WriteDXF writes the drawing in the text form of release 12, which every program
// reads, in millimetres: polylines on the layers TAG (open) and CODE (closed).
func (e *Engraving) WriteDXF(to io.Writer) error {
	w := bufio.NewWriter(to)
	put := func(code int, value string) { fmt.Fprintf(w, "%3d\r\n%s\r\n", code, value) }
	pairs := func(list ...string) {
		for i := 0; i < len(list); i += 2 {
			var code int
			_, _ = fmt.Sscan(list[i], &code)
			put(code, list[i+1])
		}
	}
	pairs("0", "SECTION", "2", "HEADER", "9", "$ACADVER", "1", "AC1009", "9", "$INSUNITS", "70", "4", "9", "$MEASUREMENT", "70", "1",
		"9", "$EXTMIN", "10", "0", "20", "0", "9", "$EXTMAX", "10", mm(e.WideMM), "20", mm(e.HighMM), "0", "ENDSEC",
		"0", "SECTION", "2", "TABLES", "0", "TABLE", "2", "LTYPE", "70", "1", "0", "LTYPE", "2", "CONTINUOUS", "70", "0", "3", "Solid line", "72", "65", "73", "0", "40", "0", "0", "ENDTAB",
		"0", "TABLE", "2", "LAYER", "70", "2",
		"0", "LAYER", "2", "TAG", "70", "0", "62", "7", "6", "CONTINUOUS", "0", "LAYER", "2", "CODE", "70", "0", "62", "1", "6", "CONTINUOUS", "0", "ENDTAB", "0", "ENDSEC",
		"0", "SECTION", "2", "ENTITIES")
	for _, part := range []struct {
		layer, closed string
		lines         [][][2]float64
	}{{"TAG", "0", e.Lines}, {"CODE", "1", e.Outlines}} {
		for _, line := range part.lines {
			pairs("0", "POLYLINE", "8", part.layer, "66", "1", "10", "0", "20", "0", "30", "0", "70", part.closed)
			for _, p := range line {
				pairs("0", "VERTEX", "8", part.layer, "10", mm(p[0]), "20", mm(p[1]), "30", "0")
			}
			pairs("0", "SEQEND", "8", part.layer)
		}
	}
	pairs("0", "ENDSEC", "0", "EOF")
	return w.Flush()
}
