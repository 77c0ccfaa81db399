package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/views"
)

// The form of a mapping: column i of the log is c<i> (our field), u<i> (unit),
// k<i> (part of the key), o<i> (words that are not listed), l<i> (rows that count); its
// j-th word is w<i>.<j>; v.<field> is a value for all
// rows.

const zoneTarget = "marks.zone" // where the marks of a row are

var logKindWords = map[farm.Kind]string{farm.KindFirstLayer: "First layers", farm.KindCleaning: "Cleanings", farm.KindProbe: "Probes", farm.KindProbeSkipped: "Skipped probes",
	farm.KindOffsetChange: "Offset changes", farm.KindService: "Services", farm.KindFitting: "Fittings", farm.KindPlateState: "States of plates"}

// mappingWords say in short what a kept mapping does.
func mappingWords(m *farm.LogMapping) string {
	read, err := intake.ReadMapping([]byte(m.Says))
	if err != nil {
		return "cannot be read any more: " + fault.Shorten(err.Error())
	}
	words := logKindWords[read.Kind] + ", " + counted(len(read.Fields), "field", "fields")
	if len(read.Only) > 0 {
		words += ", some rows only"
	}
	return words
}

func kindOptions(chosen farm.Kind) (list []views.Option) {
	for _, k := range intake.LogKinds {
		list = append(list, views.Option{Value: string(k), Word: logKindWords[k], Chosen: k == chosen})
	}
	return list
}

func options(chosen string, pairs ...string) (list []views.Option) {
	for i := 0; i+1 < len(pairs); i += 2 {
		list = append(list, views.Option{Value: pairs[i], Word: pairs[i+1], Chosen: pairs[i] == chosen})
	}
	return list
}

// logFieldWord is what a field is called in the form.
func logFieldWord(kind farm.Kind, name string) string {
	if w := wordOf(kind, name).Label; w != "" && w != name {
		return w
	}
	return sentenceCase(strings.NewReplacer("_mm", "", "_c", "", "_", " ").Replace(name))
}

// logForm is the form of a draft over a log.
type logForm struct {
	survey *intake.Survey
	m      *intake.Mapping
	table  *intake.Table
	tags   map[farm.Kind]map[string]bool
}

func (f *logForm) names() []string {
	names := []string{"act", "name", "encoding", "delimiter", "header_row", "decimal", "unknown", "same_rows", "zone", "twice", "century", "order", "at", "severity", "zones", "between"}
	for i, c := range f.survey.Columns {
		n := strconv.Itoa(i)
		names = append(names, "c"+n, "u"+n, "k"+n, "o"+n, "l"+n)
		for j := range c.Values {
			names = append(names, "w"+n+"."+strconv.Itoa(j))
		}
	}
	for _, x := range intake.Mappable(f.table) {
		names = append(names, "v."+x.Name)
	}
	return names
}

// read makes a mapping of what was sent. What the form does not show (words and
// filters of columns that are not in this log) stays as the draft has it.
func (f *logForm) read(sent map[string]string) *intake.Mapping {
	m := *f.m
	m.Name, m.Zone, m.Twice, m.Decimal, m.SameRows = strings.TrimSpace(sent["name"]), strings.TrimSpace(sent["zone"]), sent["twice"], sent["decimal"], sent["same_rows"]
	m.Encoding, m.Delimiter = sent["encoding"], map[string]string{"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}[sent["delimiter"]]
	m.HeaderRow, _ = strconv.Atoi(strings.TrimSpace(sent["header_row"]))
	m.Century, _ = strconv.Atoi(sent["century"])
	m.Unknown, m.Key, m.Only = nil, nil, nil
	for _, o := range f.m.Only {
		if i := slices.IndexFunc(f.survey.Columns, func(c intake.ColumnSurvey) bool { return c.Heading == o.Column }); i >= 0 {
			if _, asked := sent["l"+strconv.Itoa(i)]; asked {
				continue
			}
		}
		m.Only = append(m.Only, o)
	}
	for w := range strings.SplitSeq(sent["unknown"], ",") {
		if w = strings.TrimSpace(w); w != "" {
			m.Unknown = append(m.Unknown, w)
		}
	}
	m.Fields = map[string]intake.FieldMap{}
	for i, c := range f.survey.Columns {
		n := strconv.Itoa(i)
		if sent["k"+n] == "yes" {
			m.Key = append(m.Key, c.Heading)
		}
		if is := parted(sent["l"+n]); len(is) > 0 {
			m.Only = append(m.Only, intake.Filter{Column: c.Heading, Is: is})
		}
		f.take(&m, sent, n, c)
	}
	for _, x := range intake.Mappable(f.table) {
		if v := strings.TrimSpace(sent["v."+x.Name]); v != "" {
			fm := m.Fields[x.Name]
			if len(fm.From) == 0 {
				fm.Value = v
				m.Fields[x.Name] = fm
			}
		}
		fm, there := m.Fields[x.Name]
		if !there {
			continue
		}
		switch x.Type {
		case intake.Time:
			if len(fm.From) > 0 {
				fm.Order, fm.At = sent["order"], strings.TrimSpace(sent["at"])
			}
		case intake.Marks:
			fm.Severity, _ = strconv.Atoi(sent["severity"])
			fm.Zones, fm.Between = strings.ToUpper(strings.TrimSpace(sent["zones"])), strings.TrimSpace(sent["between"])
		}
		m.Fields[x.Name] = fm
	}
	return &m
}

func (f *logForm) take(m *intake.Mapping, sent map[string]string, n string, c intake.ColumnSurvey) {
	target := sent["c"+n]
	words := func(old map[string]string) map[string]string {
		out := map[string]string{}
		for w, ours := range old {
			out[w] = ours
		}
		for j, v := range c.Values {
			given, there := sent["w"+n+"."+strconv.Itoa(j)]
			switch given = strings.TrimSpace(given); {
			case given == "-":
				out[v.Text] = ""
			case given != "":
				out[v.Text] = given
			case there:
				delete(out, v.Text)
			}
		}
		return out
	}
	if zone, ok := strings.CutPrefix(target, "reading:"); ok {
		fm := m.Fields["readings"]
		if fm.Each == nil {
			fm.Each = map[string]string{}
		}
		fm.Each[zone], fm.Unit = c.Heading, sent["u"+n]
		m.Fields["readings"] = fm
		return
	}
	name := target
	if target == zoneTarget {
		name = "marks"
	}
	if i := f.table.Field(name); target == "" || i < 0 {
		return
	}
	fm, begun := m.Fields[name]
	if !begun {
		old := f.m.Fields[name]
		fm = intake.FieldMap{Other: old.Other, Words: old.Words, ZoneWords: old.ZoneWords}
	}
	x := &f.table.Fields[f.table.Field(name)]
	switch {
	case target == zoneTarget:
		fm.ZonesFrom = append(fm.ZonesFrom, c.Heading)
		fm.ZoneWords = words(fm.ZoneWords)
	default:
		fm.From = append(fm.From, c.Heading)
		if x.Type == intake.Code || x.Type == intake.Marks || x.Ref != "" {
			fm.Words = words(fm.Words)
		}
		if other, asked := sent["o"+n]; asked && takesOther(x) {
			fm.Other = other
		}
		if intake.InMM(x) {
			fm.Unit = sent["u"+n]
		}
	}
	m.Fields[name] = fm
}

// target is what a column becomes, as the form says it.
func (f *logForm) target(heading string) string {
	for name, fm := range f.m.Fields {
		if slices.Contains(fm.From, heading) {
			return name
		}
		if slices.Contains(fm.ZonesFrom, heading) {
			return zoneTarget
		}
		for zone, h := range fm.Each {
			if h == heading {
				return "reading:" + zone
			}
		}
	}
	return ""
}

func (f *logForm) columns() (list []views.LogColumn) {
	targets := []string{"", "Leave it out"}
	for _, x := range intake.Mappable(f.table) {
		targets = append(targets, x.Name, logFieldWord(f.table.Kind, x.Name))
	}
	if f.table.Kind == farm.KindFirstLayer {
		targets = append(targets, zoneTarget, "Where the mark is")
		for col := range 3 {
			for row := range 3 {
				z := farm.Zone{Col: uint8(col), Row: uint8(row)}.Text()
				targets = append(targets, "reading:"+z, "Thickness at "+z)
			}
		}
	}
	for i, c := range f.survey.Columns {
		n, target := strconv.Itoa(i), f.target(c.Heading)
		v := views.LogColumn{ID: "column-" + n, Heading: either(c.Heading, "No heading"), Sample: sampleOf(c)}
		v.Fields = append(v.Fields, views.Field{Name: "c" + n, Label: "Becomes", Kind: "select", Options: options(target, targets...)})
		name, _, _ := strings.Cut(target, ":")
		if name == "reading" {
			name = "readings"
		}
		if at := f.table.Field(name); at >= 0 {
			x := &f.table.Fields[at]
			if intake.InMM(x) {
				v.Fields = append(v.Fields, views.Field{Name: "u" + n, Label: "Unit", Kind: "select", Options: options(either(f.m.Fields[name].Unit, "mm"), "mm", "mm", "um", "µm", "in", "inches")})
			}
			v.Words = f.words(n, c, x, f.m.Fields[name].Words)
			if takesOther(x) && name != "readings" {
				v.Fields = append(v.Fields, views.Field{Name: "o" + n, Label: "Words that are not listed", Kind: "select", Options: options(f.m.Fields[name].Other, "", "Refuse such rows", "unknown", "Nothing was noted")})
			}
		}
		if target == zoneTarget {
			for j, w := range c.Values {
				v.Words = append(v.Words, views.Field{Name: "w" + n + "." + strconv.Itoa(j), Label: wordLabel(w), Value: folded(f.m.Fields["marks"].ZoneWords, w.Text), Hint: "Zones, for example A1, or A1 B1 C1.", Optional: true, Longest: 300})
			}
		}
		v.Fields = append(v.Fields, views.Field{Name: "k" + n, Label: "Tells rows apart (a running number, say)", Kind: "check", Value: "yes", On: slices.Contains(f.m.Key, c.Heading)})
		if text, ok := f.only(c.Heading); ok {
			v.Fields = append(v.Fields, views.Field{Name: "l" + n, Label: "Only rows that say", Value: text, Optional: true, Longest: 600, Hint: "Words with | between, " + emptyWord + " for an empty cell; other rows are left out. Left empty: all rows."})
		}
		list = append(list, v)
	}
	return list
}

// emptyWord stands for an empty cell among the words that rows must have.
const emptyWord = "(empty)"

// only are the words that a column's rows must have, with | between; false where they
// cannot be written so, and stay as the draft has them.
func (f *logForm) only(heading string) (text string, ok bool) {
	var words []string
	filters := 0
	for _, o := range f.m.Only {
		if o.Column != heading {
			continue
		}
		filters++
		for _, w := range o.Is {
			if strings.Contains(w, "|") || w == emptyWord {
				return "", false
			}
			words = append(words, either(strings.TrimSpace(w), emptyWord))
		}
	}
	return strings.Join(words, " | "), filters <= 1
}

func parted(text string) (list []string) {
	for w := range strings.SplitSeq(text, "|") {
		switch w = strings.TrimSpace(w); w {
		case "":
		case emptyWord:
			list = append(list, "")
		default:
			list = append(list, w)
		}
	}
	return list
}

// takesOther tells whether words of a field that are not listed may count as nothing.
func takesOther(x *intake.Field) bool { return x.Type == intake.Code || x.Type == intake.Marks }

func wordLabel(w intake.ValueSurvey) string {
	return "“" + w.Text + "” (" + counted(w.Count, "row", "rows") + ", first in line " + count(w.Line) + ")"
}

// folded finds a word whatever its case.
func folded(words map[string]string, text string) string {
	for w, ours := range words {
		if strings.EqualFold(strings.TrimSpace(w), strings.TrimSpace(text)) {
			return ours
		}
	}
	return ""
}

func said(words map[string]string, text string) bool {
	for w := range words {
		if strings.EqualFold(strings.TrimSpace(w), strings.TrimSpace(text)) {
			return true
		}
	}
	return false
}

func (f *logForm) words(n string, c intake.ColumnSurvey, x *intake.Field, words map[string]string) (list []views.Field) {
	for j, w := range c.Values {
		v := views.Field{Name: "w" + n + "." + strconv.Itoa(j), Label: wordLabel(w), Kind: "select"}
		ours := folded(words, w.Text)
		if ours == "" && said(words, w.Text) {
			ours = "-"
		}
		pairs := []string{"", "Refuse such rows"}
		switch {
		case x.Type == intake.Code:
			if ours == "" && slices.Contains(x.Codes, strings.ToLower(w.Text)) {
				ours = strings.ToLower(w.Text)
			}
			for _, code := range x.Codes {
				pairs = append(pairs, code, either(codeWords[x.Name][code], sentenceCase(strings.ReplaceAll(code, "_", " "))))
			}
		case x.Type == intake.Marks:
			ours, _, _ = strings.Cut(ours, ":")
			for _, mark := range slices.Concat(views.CommonMarks, views.MoreMarks) {
				pairs = append(pairs, mark.Code, mark.Word)
			}
		case f.tags[x.Ref] != nil && !f.tags[x.Ref][w.Text]:
			v.Kind, v.Value, v.Optional, v.Longest = "", ours, true, 64
			v.Hint = "Not in the farm. Stands for (a tag that is), or leave it empty and create it after trying."
			list = append(list, v)
			continue
		default:
			continue
		}
		v.Options = options(ours, append(pairs, "-", "Nothing was noted")...)
		list = append(list, v)
	}
	return list
}

func sampleOf(c intake.ColumnSurvey) string {
	var parts []string
	for _, v := range c.Values[:min(len(c.Values), 4)] {
		parts = append(parts, "“"+v.Text+"”")
	}
	if len(parts) == 0 {
		return "Nothing stands in it."
	}
	if len(c.Values) > 4 || c.More {
		parts = append(parts, "…")
	}
	return strings.Join(parts, ", ") + " · " + counted(c.Filled, "row", "rows") + " filled"
}

// whole are the required fields that no column gives.
func (f *logForm) whole() (list []views.Field) {
	for _, x := range intake.Mappable(f.table) {
		fm := f.m.Fields[x.Name]
		if len(fm.From) > 0 || fm.Value == "" && !x.Required || x.Type == intake.Time {
			continue
		}
		v := views.Field{Name: "v." + x.Name, Label: logFieldWord(f.table.Kind, x.Name), Value: fm.Value, Longest: 200}
		if x.Type == intake.Code {
			pairs := []string{"", "Choose one"}
			for _, code := range x.Codes {
				pairs = append(pairs, code, either(codeWords[x.Name][code], sentenceCase(strings.ReplaceAll(code, "_", " "))))
			}
			v.Kind, v.Options = "select", options(fm.Value, pairs...)
		}
		list = append(list, v)
	}
	return list
}

func (f *logForm) marks() []views.Field {
	fm := f.m.Fields["marks"]
	if len(fm.From) == 0 {
		return nil
	}
	severity := ""
	if fm.Severity > 0 {
		severity = strconv.Itoa(fm.Severity)
	}
	return []views.Field{
		{Name: "severity", Label: "How strong, where the log does not say", Kind: "select", Options: options(severity, "", "Choose one", "1", "Slight", "2", "Clear", "3", "Strong")},
		{Name: "zones", Label: "Where, when the row does not say", Value: fm.Zones, Hint: "Zones, for example B2, or A1 A2 A3. Left empty: such rows are refused.", Optional: true, Longest: 300},
		{Name: "between", Label: "What parts several marks in a cell", Value: fm.Between, Hint: "For example / or ,", Optional: true, Longest: 3},
	}
}

func (f *logForm) general() []views.Field {
	m := f.m
	order, at := "", ""
	for _, fm := range m.Fields {
		order, at = either(order, fm.Order), either(at, fm.At)
	}
	century := ""
	if m.Century > 0 {
		century = strconv.Itoa(m.Century)
	}
	delimiter := map[string]string{",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}[either(m.Delimiter, ",")]
	return []views.Field{
		{Name: "name", Label: "Name of the mapping", Value: m.Name, Longest: 64, Hint: "Rows are known by it: under another name the same rows would be recorded a second time."},
		{Name: "order", Label: "Dates have", Kind: "select", Options: options(order, "", "Choose one", "ymd", "year, month, day", "dmy", "day, month, year", "mdy", "month, day, year", "unix", "seconds since 1970", "unix_ms", "milliseconds since 1970")},
		{Name: "zone", Label: "Time zone of times without an offset", Value: m.Zone, Optional: true, Longest: 60, Hint: "For example Europe/Berlin."},
		{Name: "twice", Label: "Times that come twice, when clocks go back", Kind: "select", Options: options(m.Twice, "", "Refuse such rows", "first", "The first of the two", "second", "The second of the two")},
		{Name: "at", Label: "Time of day of rows that have none", Value: at, Optional: true, Longest: 8, Hint: "For example 12:00. Left empty: such rows are refused."},
		{Name: "century", Label: "Years of two digits", Kind: "select", Options: options(century, "", "Refuse such rows", "20", "20__", "19", "19__")},
		{Name: "decimal", Label: "Decimal sign", Kind: "select", Options: options(either(m.Decimal, "."), ".", "Point: 0.21", ",", "Comma: 0,21")},
		{Name: "unknown", Label: "Words for nothing", Value: strings.Join(m.Unknown, ", "), Optional: true, Longest: 200, Hint: "Beside empty cells, with commas between. For example -, n/a"},
		{Name: "same_rows", Label: "Rows that say the same", Kind: "select", Options: options(either(m.SameRows, "one"), "one", "Are one record", "each", "Are a record each")},
		{Name: "encoding", Label: "Written in", Kind: "select", Options: options(either(m.Encoding, "utf-8"), "utf-8", "UTF-8", "utf-16le", "UTF-16, little end first", "utf-16be", "UTF-16, big end first", "latin-1", "Latin-1", "windows-1252", "Windows-1252")},
		{Name: "delimiter", Label: "Cells are parted by", Kind: "select", Options: options(delimiter, "comma", "Comma", "semicolon", "Semicolon", "tab", "Tab", "bar", "|")},
		{Name: "header_row", Label: "Headings stand in row", Value: fmt.Sprint(max(m.HeaderRow, 1)), Longest: 4, Hint: "Counted without empty lines."},
	}
}
