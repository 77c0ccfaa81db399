package web

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/views"
)

// readMesh reads a mesh as it was pasted, in whatever layout its printer wrote
// it; nil where none was, and where it is none: the form says then where. Where
// the text tells positions, it gives them to the form's edges too, which must not
// say others.
func (h *hand) readMesh() *intake.Mesh {
	text := h.text("mesh")
	first := h.code("mesh_first", []string{intake.RowFront, intake.RowBack}, "")
	if text == "" {
		return nil
	}
	read, err := intake.ReadMeshText(text)
	var m intake.Mesh
	if err == nil {
		m, err = read.Place(first)
	}
	if err != nil {
		h.wrongMesh(err)
		return nil
	}
	if !m.Even() {
		h.wrong("mesh", "The positions in the text do not lie evenly. Columns and rows must be at even distances.")
		return nil
	}
	if m.XMM != nil {
		for _, edge := range meshEdges {
			if h.text(edge) != "" {
				h.wrong(edge, "The pasted text tells where its points lie. Leave this out.")
				return nil
			}
		}
	}
	return &m
}

// meshEdges are the fields that say where a mesh lies.
var meshEdges = []string{"x_min_mm", "x_max_mm", "y_min_mm", "y_max_mm"}

// wrongMesh says at the field what the reader of meshes has to say.
func (h *hand) wrongMesh(err error) {
	var refusal *fault.Error
	if !errors.As(err, &refusal) {
		h.wrong("mesh", "This could not be read.")
		return
	}
	if len(refusal.Problems) == 0 {
		h.wrong("mesh", sentence(refusal.Detail))
	}
	for _, p := range refusal.Problems {
		if p.Column == "first_row" {
			words := "Say whether the first line is the bed’s front or its back."
			if p.Found != "" {
				words = "Expected " + p.Expected + "."
			}
			h.wrong("mesh_first", words)
			continue
		}
		where := ""
		if p.Line > 0 {
			where = "line " + strconv.Itoa(p.Line)
		}
		if p.Column != "" {
			where += ", character " + p.Column
		}
		if where != "" {
			where += ": "
		}
		found := ""
		if p.Found != "" {
			found = "found " + p.Found + ", "
			if strings.Contains(h.text("mesh"), p.Found) { // not a count of what was found
				found = "found " + fq(p.Found) + ", "
			}
		}
		h.wrong("mesh", sentence(where+found+"expected "+p.Expected))
	}
}

// meshNumbers writes the heights as records have them.
func meshNumbers(m *intake.Mesh) string {
	var b []byte
	for i, x := range m.HeightsMM {
		if i > 0 {
			b = append(b, ' ')
		}
		if !farm.Known(x) {
			b = append(b, "nan"...)
			continue
		}
		b = farm.AppendNumber(b, x)
	}
	return string(b)
}

// meshCorners asks whether the low and the high corner are where the bed has
// them: a mesh read the wrong way round is seen there first.
func meshCorners(m *intake.Mesh) string {
	type corner struct {
		place string
		at    int
	}
	last := (m.Rows - 1) * m.Columns
	corners := slices.DeleteFunc([]corner{{"front left", 0}, {"front right", m.Columns - 1}, {"back left", last}, {"back right", last + m.Columns - 1}},
		func(c corner) bool { return !farm.Known(m.HeightsMM[c.at]) })
	if len(corners) < 2 {
		return ""
	}
	low, high := corners[0], corners[0]
	for _, c := range corners {
		if m.HeightsMM[c.at] < m.HeightsMM[low.at] {
			low = c
		}
		if m.HeightsMM[c.at] > m.HeightsMM[high.at] {
			high = c
		}
	}
	if m.HeightsMM[low.at] == m.HeightsMM[high.at] {
		return ""
	}
	return fmt.Sprintf("Is the low corner really %s (%s), and the high one %s (%s)? If not, the first line is the other edge.",
		low.place, mm(m.HeightsMM[low.at]), high.place, mm(m.HeightsMM[high.at]))
}

// meshPreview shows a mesh as it lies on the bed, before it is saved.
func meshPreview(m *intake.Mesh) views.MeshMap {
	known := slices.DeleteFunc(slices.Clone(m.HeightsMM), func(x float64) bool { return !farm.Known(x) })
	t := meshMap("preview", fmt.Sprintf("Read as %d columns × %d rows", m.Columns, m.Rows), bed.Mesh{Columns: m.Columns, Rows: m.Rows, HeightsMM: m.HeightsMM})
	if len(known) > 0 {
		t.Sub += "; " + mm(slices.Min(known)) + " to " + mm(slices.Max(known))
	}
	if m.FirstRow == intake.RowCoordinates {
		t.Sub += "; placed by the positions in the text"
	}
	if words := meshCorners(m); words != "" {
		t.Sub += ". " + words
	}
	return t
}
