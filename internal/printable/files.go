package printable

import (
	"archive/zip"
	"bufio"
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"
)

// WriteSTL writes a mesh as binary STL: 80 bytes of header, the number of
// triangles, then each with its normal, little-endian.
func WriteSTL(to io.Writer, m *Mesh, title string) error {
	w := bufio.NewWriter(to)
	var header [80]byte
	// A header that began with "solid" would be taken for the text form.
	copy(header[:], "binary, mm: "+title)
	if _, err := w.Write(header[:]); err != nil {
		return err
	}
	if err := binary.Write(w, binary.LittleEndian, uint32(len(m.Triangles))); err != nil {
		return err
	}
	var row [50]byte
	for _, t := range m.Triangles {
		a, b, c := m.Vertices[t[0]], m.Vertices[t[1]], m.Vertices[t[2]]
		at := 0
		for _, v := range [4][3]float64{normal(a, b, c), a, b, c} {
			for _, x := range v {
				binary.LittleEndian.PutUint32(row[at:], math.Float32bits(float32(x)))
				at += 4
			}
		}
		if _, err := w.Write(row[:]); err != nil {
			return err
		}
	}
	return w.Flush()
}

func normal(a, b, c [3]float64) (n [3]float64) {
	u := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	v := [3]float64{c[0] - a[0], c[1] - a[1], c[2] - a[2]}
	n = [3]float64{u[1]*v[2] - u[2]*v[1], u[2]*v[0] - u[0]*v[2], u[0]*v[1] - u[1]*v[0]}
	l := math.Sqrt(n[0]*n[0] + n[1]*n[1] + n[2]*n[2])
	if l == 0 {
		return [3]float64{}
	}
	for i := range n {
		n[i] /= l
	}
	return n
}

const (
	contentTypes = xml.Header + `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">` +
		`<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>` +
		`<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>`
	relationships = xml.Header + `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` +
		`<Relationship Id="rel0" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" Target="/3D/3dmodel.model"/></Relationships>`
)

// packed is the time of every file in a package: the earliest a zip can tell, so
// that the same coupon gives the same bytes.
var packed = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// Write3MF writes a mesh as a package of the 3MF core specification: one object
// in millimetres, placed as it is.
func Write3MF(to io.Writer, m *Mesh, title string) error {
	z := zip.NewWriter(to)
	file := func(name string) (io.Writer, error) {
		return z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: packed})
	}
	for _, part := range []struct{ name, text string }{{"[Content_Types].xml", contentTypes}, {"_rels/.rels", relationships}} {
		w, err := file(part.name)
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, part.text); err != nil {
			return err
		}
	}
	w, err := file("3D/3dmodel.model")
	if err != nil {
		return err
	}
	if err := writeModel(w, m, title); err != nil {
		return err
	}
	return z.Close()
}

func writeModel(to io.Writer, m *Mesh, title string) error {
	w := bufio.NewWriter(to)
	w.WriteString(xml.Header + `<model unit="millimeter" xml:lang="en-US" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><metadata name="Title">`)
	if err := xml.EscapeText(w, []byte(title)); err != nil {
		return err
	}
	w.WriteString(`</metadata><resources><object id="1" type="model" name="coupon"><mesh><vertices>`)
	for _, v := range m.Vertices {
		fmt.Fprintf(w, `<vertex x="%s" y="%s" z="%s"/>`, coordinate(v[0]), coordinate(v[1]), coordinate(v[2]))
	}
	w.WriteString(`</vertices><triangles>`)
	for _, t := range m.Triangles {
		fmt.Fprintf(w, `<triangle v1="%d" v2="%d" v3="%d"/>`, t[0], t[1], t[2])
	}
	w.WriteString(`</triangles></mesh></object></resources><build><item objectid="1"/></build></model>`)
	return w.Flush()
}

// coordinate writes to a ten-thousandth of a millimetre, plainly.
func coordinate(x float64) string {
	return strconv.FormatFloat(math.Round(x*1e4)/1e4+0, 'f', -1, 64)
}
