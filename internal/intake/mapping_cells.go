package intake

import (
	"math/big"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
)

// heading is the place of a field in the log.
func (r *LogReader) heading(f *logField) string {
	list := slices.Concat(f.From, f.ZonesFrom)
	if len(list) == 0 {
		return f.Name
	}
	return strings.Join(list, " + ")
}

// text is a field as our own file would have it; found is what the log has.
func (r *LogReader) text(f *logField) (text, found, expected string) {
	if f.Value != "" && f.Type != Marks {
		return f.Value, f.Value, ""
	}
	switch {
	case len(f.each) > 0:
		return r.readings(f)
	case f.Type == Marks && (len(f.words) > 0 || len(f.zones) > 0):
		return r.marks(f)
	}
	cell := r.joined(f.from)
	if r.unknown[fold(cell)] {
		return "", "", ""
	}
	if ours, ok := f.words[fold(cell)]; ok {
		return ours, cell, ""
	}
	switch f.Type {
	case Code:
		if slices.Contains(f.Codes, strings.ToLower(cell)) {
			return strings.ToLower(cell), cell, ""
		}
		if f.Other == "unknown" {
			return "", cell, ""
		}
		return "", cell, "a word the mapping knows for " + f.Name + " (" + strings.Join(f.Codes, " ") + ")"
	case Number, Whole:
		text, expected = r.number(cell, f.Unit, f.InMM())
		return text, cell, expected
	case Heights:
		var parts []string
		for p := range strings.FieldsSeq(cell) {
			if p != "nan" {
				if p, expected = r.number(p, f.Unit, true); expected != "" {
					return "", cell, expected
				}
			}
			parts = append(parts, p)
		}
		return strings.Join(parts, " "), cell, ""
	case Time:
		at, expected := f.time.read(cell)
		if expected != "" {
			return "", cell, expected
		}
		return Stamp(at), cell, ""
	}
	return cell, cell, ""
}

// InMM tells whether its numbers are in mm.
func (f *Field) InMM() bool { return InMM(f) }

// joined are the cells of some columns that say something, by blanks.
func (r *LogReader) joined(columns []int) string {
	if len(columns) == 1 {
		return strings.TrimSpace(r.cells[columns[0]])
	}
	var parts []string
	for _, c := range columns {
		if cell := strings.TrimSpace(r.cells[c]); !r.unknown[fold(cell)] {
			parts = append(parts, cell)
		}
	}
	return strings.Join(parts, " ")
}

// number turns a number of the log into ours: decimal sign and unit. A sign for
// thousands is refused: it looks like a decimal sign.
func (r *LogReader) number(cell, unit string, length bool) (text, expected string) {
	s := strings.NewReplacer("\u2212", "-", "\u00a0", " ", "\u202f", " ").Replace(cell)
	if length {
		said := unit
		if said == "" {
			said = "mm"
		}
		for _, u := range []struct{ text, unit string }{{"mm", "mm"}, {"µm", "um"}, {"μm", "um"}, {"um", "um"}, {"in", "in"}, {"\"", "in"}} {
			if rest, ok := strings.CutSuffix(s, u.text); ok {
				if u.unit != said {
					return "", "a number in " + said + ", as the mapping says"
				}
				s = rest
				break
			}
		}
	}
	s = strings.TrimSpace(s)
	sign, other := ".", ","
	if r.mapping.Decimal == "," {
		sign, other = ",", "."
	}
	if strings.Contains(s, other) || strings.Count(s, sign) > 1 {
		return "", "a number with the decimal sign " + strconv.Quote(sign) + ", as the mapping says, and no sign for thousands"
	}
	s = strings.TrimPrefix(strings.Replace(s, sign, ".", 1), "+")
	if !length || unit == "" || unit == "mm" {
		return s, ""
	}
	x, ok := new(big.Rat).SetString(s)
	if !ok || len(s) > 40 || strings.ContainsAny(s, "eE/_xXpP") {
		return "", "a number"
	}
	if unit == "um" {
		x.Quo(x, big.NewRat(1000, 1))
	} else {
		x.Mul(x, big.NewRat(254, 10))
	}
	text = strings.TrimRight(x.FloatString(9), "0")
	return strings.TrimSuffix(text, "."), ""
}

func (r *LogReader) readings(f *logField) (text, found, expected string) {
	var parts []string
	for i, e := range f.each {
		cell := strings.TrimSpace(r.cells[e.column])
		if r.unknown[fold(cell)] {
			continue
		}
		number, expected := r.number(cell, f.Unit, true)
		if expected == "" {
			if _, bad, why := farm.ParseReadings(e.zone + "=" + number); bad != "" {
				expected = why
			}
		}
		if expected != "" {
			return "", cell, expected + " (heading " + r.mapping.Fields[f.Name].Each[f.each[i].zone] + ")"
		}
		parts = append(parts, e.zone+"="+number)
	}
	return strings.Join(parts, " "), "", ""
}

// marks puts what was seen and where together.
func (r *LogReader) marks(f *logField) (text, found, expected string) {
	cell := r.joined(f.from)
	if r.unknown[fold(cell)] {
		return "", "", ""
	}
	words := []string{cell}
	if f.Between != "" {
		words = strings.Split(cell, f.Between)
	}
	var marks []farm.Mark
	for _, w := range words {
		ours, ok := f.words[fold(w)]
		switch {
		case strings.TrimSpace(w) == "" || ok && ours == "":
			continue
		case !ok:
			if _, why := markWord(fold(w), max(f.Severity, 1)); why != "" {
				if f.Other == "unknown" {
					continue
				}
				return "", w, "a word the mapping knows for a mark"
			}
			ours = fold(w)
		}
		m, why := markWord(ours, f.Severity)
		if why != "" {
			return "", w, why
		}
		marks = append(marks, m)
	}
	if len(marks) == 0 {
		return "", cell, ""
	}
	zones, found, expected := r.zonesOf(f)
	if expected != "" {
		return "", found, expected
	}
	var parts []string
	for _, z := range zones {
		for _, m := range marks {
			m.Zone = z
			parts = append(parts, string(farm.AppendMarks(nil, []farm.Mark{m})))
		}
	}
	return strings.Join(parts, " "), cell, ""
}

func (r *LogReader) zonesOf(f *logField) (zones []farm.Zone, found, expected string) {
	text := f.Zones
	if cell := r.joined(f.zones); len(f.zones) > 0 && !r.unknown[fold(cell)] {
		text = strings.ToUpper(cell)
		if ours, ok := f.zoneWords[fold(cell)]; ok {
			text = ours
		}
		found = cell
	}
	zones, bad, why := farm.ParseZones(text)
	switch {
	case bad != "":
		return nil, found, why + ", or a word the mapping knows for zones"
	case len(zones) == 0:
		return nil, found, "where the mark is: a zone such as A1"
	}
	return zones, "", ""
}
