package intake

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// meshFields are the fields a probe may carry instead of its grid: the mesh as
// its printer wrote it, and which row of the bed the text's first row is.
var meshFields = []string{"mesh_text", "first_row"}

// FillProbe puts a mesh into a probe's record. A record holds the ends of its
// positions only: positions that do not lie evenly are refused.
func FillProbe(p *farm.Probe, m *Mesh) error {
	if !m.Even() {
		return fault.At(fault.Problem{Column: "mesh_text", Found: "positions that do not lie evenly", Expected: "columns and rows at even distances"})
	}
	p.Columns, p.Rows, p.HeightsMM = m.Columns, m.Rows, m.HeightsMM
	if m.XMM != nil {
		p.XMinMM, p.XMaxMM, p.YMinMM, p.YMaxMM = m.XMM[0], m.XMM[m.Columns-1], m.YMM[0], m.YMM[m.Rows-1]
	}
	return nil
}

// meshText reads mesh_text and first_row of an API record into the probe.
func meshText(raw map[string]json.RawMessage, rec *farm.Probe, add func(where, found, expected string)) {
	words := map[string]string{}
	for name, value := range raw {
		s, err := str(value)
		if err != nil {
			add("/"+name, string(value), "a string")
			return
		}
		words[name] = s
	}
	if words["mesh_text"] == "" {
		if words["first_row"] != "" {
			add("/first_row", words["first_row"], "mesh_text beside it: heights_mm are from the front left always")
		}
		return
	}
	if rec.Columns != 0 || rec.Rows != 0 || rec.HeightsMM != nil {
		add("/mesh_text", "columns, rows or heights_mm beside it", "either the text or the grid")
		return
	}
	read, err := ReadMeshText(words["mesh_text"])
	var m Mesh
	if err == nil {
		m, err = read.Place(words["first_row"])
	}
	if err == nil && m.XMM != nil && (farm.Known(rec.XMinMM) || farm.Known(rec.XMaxMM) || farm.Known(rec.YMinMM) || farm.Known(rec.YMaxMM)) {
		add("/mesh_text", "positions in the text, and x_min_mm and the like beside it", "positions once")
		return
	}
	if err == nil {
		err = FillProbe(rec, &m)
	}
	var refusal *fault.Error
	if !errors.As(err, &refusal) {
		return
	}
	if len(refusal.Problems) == 0 {
		add("/mesh_text", "", refusal.Detail)
	}
	for _, q := range refusal.Problems {
		where := "/mesh_text"
		if q.Column == "first_row" {
			where, q.Line = "/first_row", 0
		}
		expected := q.Expected
		if q.Line > 0 && q.Column != "" {
			expected += fmt.Sprintf(" (line %d, character %s of the text)", q.Line, q.Column)
		} else if q.Line > 0 {
			expected += fmt.Sprintf(" (line %d of the text)", q.Line)
		}
		add(where, q.Found, strings.TrimSpace(expected))
	}
}
