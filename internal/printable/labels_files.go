package printable

import (
	"bytes"
	"encoding/xml"
	"io"
	"strconv"

	"basecourse/internal/fault"

	"codeberg.org/go-pdf/fpdf"
)

func itoa(n int) string { return strconv.Itoa(n) }

// WritePDF writes the order as a PDF in true size, one page a sheet. The same
// order gives the same bytes. Letters that the PDF's own fonts lack stand as
// dots; the code holds them all the same.
func (o Order) WritePDF(to io.Writer) error {
	if err := o.Check(); err != nil {
		return err
	}
	p := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: o.Sheet.WideMM, Ht: o.Sheet.HighMM}})
	p.SetCreationDate(packed)
	p.SetModificationDate(packed)
	p.SetCatalogSort(true)
	p.SetTitle("Labels", true)
	p.SetMargins(0, 0, 0)
	p.SetAutoPageBreak(false, 0)
	known := p.UnicodeTranslatorFromDescriptor("")
	for i := range o.Pages() {
		d, err := o.page(i)
		if err != nil {
			return err
		}
		p.AddPageFormat("", fpdf.SizeType{Wd: d.wide, Ht: d.high})
		for _, b := range d.boxes {
			p.Rect(b[0], b[1], b[2], b[3], "F")
		}
		for _, t := range d.texts {
			style := ""
			if t.bold {
				style = "B"
			}
			p.SetFont("Helvetica", style, t.size/pointMM)
			p.Text(t.x, t.y, known(t.text))
		}
	}
	return p.Output(to)
}

// WriteSVG writes one sheet, from 1, as an SVG in true size.
func (o Order) WriteSVG(to io.Writer, page int) error {
	if err := o.Check(); err != nil {
		return err
	}
	if page < 1 || page > max(o.Pages(), 1) {
		return fault.At(fault.Problem{Column: "sheet", Found: itoa(page), Expected: "1 to " + itoa(o.Pages())})
	}
	d, err := o.page(page - 1)
	if err != nil {
		return err
	}
	var w bytes.Buffer
	svgHead(&w, d.wide, d.high)
	w.WriteString(`<rect width="` + mm(d.wide) + `" height="` + mm(d.high) + `" fill="#ffffff"/><path fill="#000000" d="`)
	for _, b := range d.boxes {
		w.WriteString("M" + mm(b[0]) + " " + mm(b[1]) + "h" + mm(b[2]) + "v" + mm(b[3]) + "h-" + mm(b[2]) + "z")
	}
	w.WriteString(`"/><g font-family="Helvetica, Arial, sans-serif" fill="#000000">`)
	// The width is said as well: where Helvetica is missing another face would run
	// over into the next label.
	m := newMeasure()
	for _, t := range d.texts {
		w.WriteString(`<text x="` + mm(t.x) + `" y="` + mm(t.y) + `" font-size="` + mm(t.size) + `" textLength="` + mm(m.width(t)) + `" lengthAdjust="spacingAndGlyphs"`)
		if t.bold {
			w.WriteString(` font-weight="700"`)
		}
		w.WriteString(">")
		if err := xml.EscapeText(&w, []byte(t.text)); err != nil {
			return err
		}
		w.WriteString("</text>")
	}
	w.WriteString("</g></svg>\n")
	_, err = w.WriteTo(to)
	return err
}

// svgHead begins an SVG whose units are millimetres.
func svgHead(w *bytes.Buffer, wide, high float64) {
	w.WriteString(xml.Header + `<svg xmlns="http://www.w3.org/2000/svg" width="` + mm(wide) + `mm" height="` + mm(high) + `mm" viewBox="0 0 ` + mm(wide) + " " + mm(high) + `">`)
}

// mm writes a length to a ten-thousandth of a millimetre, plainly.
func mm(x float64) string { return coordinate(x) }
