package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// Mapping says how a log with other headings, forms of dates and words becomes
// our records: one row, one record of one kind. DEVELOPERS.md describes its JSON.
type Mapping struct {
	Name      string              `json:"mapping"`            // part of the records' ids
	Kind      farm.Kind           `json:"kind"`               // one of LogKinds
	Encoding  string              `json:"encoding,omitempty"` // one of Encodings; "" utf-8. A byte order mark is stronger
	Delimiter string              `json:"delimiter,omitempty"`
	HeaderRow int                 `json:"header_row,omitempty"` // how many rows down the headings stand, from 1; 0 is 1
	Decimal   string              `json:"decimal,omitempty"`    // "." or ","; "" "."
	Unknown   []string            `json:"unknown,omitempty"`    // cells that say nothing, beside empty ones
	Only      []Filter            `json:"only,omitempty"`       // rows that count; others are left out
	Key       []string            `json:"key,omitempty"`        // headings that tell rows apart; none: all that are read
	SameRows  string              `json:"same_rows,omitempty"`  // rows whose key is the same are "one" record ("" too) or "each" one
	Zone      string              `json:"zone,omitempty"`       // of times without an offset (IANA)
	Twice     string              `json:"twice,omitempty"`      // local times that come twice: "first", "second", "" refused
	Century   int                 `json:"century,omitempty"`    // of years of two digits: 19 or 20; 0 refused
	Fields    map[string]FieldMap `json:"fields"`
}

// Filter lets in the rows that have one of some words in a column.
type Filter struct {
	Column string   `json:"column"`
	Is     []string `json:"is"`
}

// FieldMap says what one of our fields is made of: of columns (Values are joined
// by blanks), or of one value for all rows.
type FieldMap struct {
	From  []string          `json:"from,omitempty"`
	Value string            `json:"value,omitempty"`
	Words map[string]string `json:"words,omitempty"` // theirs (case does not matter) to ours; to "": unknown
	Other string            `json:"other,omitempty"` // words that are not listed: "" refused, "unknown"
	Unit  string            `json:"unit,omitempty"`  // of fields in mm: "mm" ("" too), "um", "in"

	Order string `json:"order,omitempty"` // times: one of DateOrders
	At    string `json:"at,omitempty"`    // times of rows that have a day alone: HH:MM

	Between   string            `json:"between,omitempty"`    // marks: what parts several in a cell
	Severity  int               `json:"severity,omitempty"`   // marks: 1 to 3, where the word says none
	Zones     string            `json:"zones,omitempty"`      // marks: where, when no column says it
	ZonesFrom []string          `json:"zones_from,omitempty"` // marks: columns that say where
	ZoneWords map[string]string `json:"zone_words,omitempty"` // marks: their words for zones
	Each      map[string]string `json:"each,omitempty"`       // readings: zone to heading
}

// What mappings may say.
var (
	LogKinds   = []farm.Kind{farm.KindFirstLayer, farm.KindCleaning, farm.KindProbe, farm.KindProbeSkipped, farm.KindOffsetChange, farm.KindService, farm.KindFitting, farm.KindPlateState}
	Encodings  = []string{"utf-8", "utf-16le", "utf-16be", "latin-1", "windows-1252"}
	Delimiters = []string{",", ";", "\t", "|"}
	// DateOrders: day, month, year by numbers or names of months; or seconds
	// (milliseconds) since 1970.
	DateOrders = []string{"ymd", "dmy", "mdy", "unix", "unix_ms"}
	Units      = []string{"mm", "um", "in"}
)

// LongestMapping bounds a mapping's JSON, in bytes.
const LongestMapping = 10_000

// Mappable are the fields a log may fill: all but the record's own id and what
// the store says itself.
func Mappable(t *Table) []*Field {
	var list []*Field
	for i := range t.Fields {
		f := &t.Fields[i]
		if f.Type == Ident || f.Meta && f.Name != "noted_at" && f.Name != "noted_by" {
			continue
		}
		list = append(list, f)
	}
	return list
}

// ReadMapping reads a mapping and says, by place, all that is wrong with it.
func ReadMapping(b []byte) (*Mapping, error) {
	if len(b) > LongestMapping {
		return nil, fault.New(fault.TooLarge, "a mapping has at most %d bytes", LongestMapping)
	}
	var m Mapping
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		where := fault.Problem{Found: fault.Shorten(strings.ToValidUTF8(err.Error(), "\uFFFD")), Expected: "a mapping: one JSON object with mapping, kind and fields"}
		var wrong *json.UnmarshalTypeError
		if errors.As(err, &wrong) {
			where.Column, where.Found, where.Expected = wrong.Field, "a "+wrong.Value, "a "+wrong.Type.String()
		}
		return nil, fault.At(where)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, fault.At(fault.Problem{Found: "more after the mapping", Expected: "one JSON object"})
	}
	if problems := m.Problems(); len(problems) > 0 {
		return nil, fault.At(problems...)
	}
	return &m, nil
}

// JSON is the mapping as it is kept and handed out.
func (m *Mapping) JSON() []byte {
	b, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		panic(err) // strings and numbers alone
	}
	return append(b, '\n')
}

// Table is the kind's table; nil where a log cannot be of the kind.
func (m *Mapping) Table() *Table {
	if !slices.Contains(LogKinds, m.Kind) {
		return nil
	}
	return TableOf(m.Kind)
}

// Problems is all that is wrong with a mapping by itself, whatever the log. The
// place stands in Column.
func (m *Mapping) Problems() []fault.Problem {
	var list []fault.Problem
	add := func(column, found, expected string) {
		list = append(list, fault.Problem{Column: column, Found: fault.Shorten(strings.ToValidUTF8(found, "\uFFFD")), Expected: expected})
	}
	oneOf := func(column, found string, allowed ...string) {
		if found != "" && !slices.Contains(allowed, found) {
			add(column, found, "one of "+strings.Join(allowed, " "))
		}
	}
	if !farm.ValidKey(m.Name, longestKey) {
		add("mapping", m.Name, "a name of 1 to 64 characters without control characters and without blanks at its ends")
	}
	t := m.Table()
	if t == nil {
		kinds := make([]string, len(LogKinds))
		for i, k := range LogKinds {
			kinds[i] = string(k)
		}
		add("kind", string(m.Kind), "one of "+strings.Join(kinds, " "))
		return list
	}
	oneOf("encoding", m.Encoding, Encodings...)
	if m.Delimiter != "" && !slices.Contains(Delimiters, m.Delimiter) {
		add("delimiter", m.Delimiter, "a comma, a semicolon, a tab or |")
	}
	if m.HeaderRow < 0 || m.HeaderRow > 1000 {
		add("header_row", fmt.Sprint(m.HeaderRow), "a whole number from 1 to 1000")
	}
	oneOf("decimal", m.Decimal, ".", ",")
	oneOf("same_rows", m.SameRows, "one", "each")
	oneOf("twice", m.Twice, "first", "second")
	if m.Century != 0 && m.Century != 19 && m.Century != 20 {
		add("century", fmt.Sprint(m.Century), "19 or 20")
	}
	if m.Zone != "" {
		if _, err := LoadZone(m.Zone); err != nil {
			add("zone", m.Zone, "a time zone such as Europe/Berlin")
		}
	}
	for i, f := range m.Only {
		if f.Column == "" || len(f.Is) == 0 {
			add(fmt.Sprintf("only[%d]", i), f.Column, "a heading and the words of the rows that count")
		}
	}
	for _, name := range slices.Sorted(maps.Keys(m.Fields)) {
		i := t.Field(name)
		if i < 0 || !slices.Contains(Mappable(t), &t.Fields[i]) {
			add("fields", name, "one of "+mappableNames(t))
			continue
		}
		m.fieldProblems(&t.Fields[i], m.Fields[name], func(part, found, expected string) { add("fields."+name+part, found, expected) })
	}
	for i := range t.Fields {
		f := &t.Fields[i]
		fm, given := m.Fields[f.Name]
		if f.Required && f.Type != Ident && (!given || len(fm.From) == 0 && fm.Value == "") {
			add("fields."+f.Name, "", "a column, or a value for all rows: every "+string(t.Kind)+" has one")
		}
	}
	return list
}

func mappableNames(t *Table) string {
	var names []string
	for _, f := range Mappable(t) {
		names = append(names, f.Name)
	}
	return strings.Join(names, " ")
}

func (m *Mapping) fieldProblems(f *Field, fm FieldMap, add func(part, found, expected string)) {
	switch {
	case len(fm.From) > 0 && fm.Value != "":
		add("", fm.Value, "columns, or one value for all rows, not both")
	case len(fm.From) == 0 && fm.Value == "" && len(fm.Each) == 0:
		add("", "", "columns, or a value for all rows")
	}
	for _, c := range slices.Concat(fm.From, fm.ZonesFrom, slices.Collect(maps.Values(fm.Each))) {
		if strings.TrimSpace(c) == "" {
			add(".from", c, "headings of the log")
		}
	}
	only := func(part string, set bool, types ...Type) {
		if set && !slices.Contains(types, f.Type) {
			add(part, f.Name, "nothing: it says something of other fields")
		}
	}
	only(".order", fm.Order != "", Time)
	only(".at", fm.At != "", Time)
	only(".unit", fm.Unit != "", Number, Whole, Readings, Heights)
	only(".other", fm.Other != "", Code, Marks)
	only(".between", fm.Between != "", Marks)
	only(".severity", fm.Severity != 0, Marks)
	only(".zones", fm.Zones != "" || len(fm.ZonesFrom) > 0 || len(fm.ZoneWords) > 0, Marks)
	only(".each", len(fm.Each) > 0, Readings)
	if fm.Unit != "" && (!slices.Contains(Units, fm.Unit) || !InMM(f)) {
		add(".unit", fm.Unit, "mm, um or in, for fields in mm")
	}
	if fm.Other != "" && fm.Other != "unknown" {
		add(".other", fm.Other, "unknown, or nothing: then such a row is refused")
	}
	p := newParser(time.Now().AddDate(100, 0, 0))
	rec := m.Table().New()
	check := func(part, text string) {
		if text == "" {
			return
		}
		if found, expected := p.parse(m.Table(), f, text, rec); expected != "" {
			add(part, found, expected)
		}
	}
	if f.Type != Marks {
		check(".value", fm.Value)
		for _, w := range slices.Sorted(maps.Keys(fm.Words)) {
			check(".words."+w, fm.Words[w])
		}
	}
	switch f.Type {
	case Time:
		if len(fm.From) > 0 && !slices.Contains(DateOrders, fm.Order) {
			add(".order", fm.Order, "one of "+strings.Join(DateOrders, " ")+": in which order day, month and year stand")
		}
		if _, _, ok := clockOf(fm.At); fm.At != "" && !ok {
			add(".at", fm.At, "a time of day such as 12:00")
		}
	case Marks:
		m.markProblems(fm, add)
	case Readings:
		for _, z := range slices.Sorted(maps.Keys(fm.Each)) {
			if _, ok := farm.ParseZone(z); !ok {
				add(".each", z, "a zone such as A1")
			}
		}
	}
}

func (m *Mapping) markProblems(fm FieldMap, add func(part, found, expected string)) {
	if fm.Severity < 0 || fm.Severity > 3 {
		add(".severity", fmt.Sprint(fm.Severity), "1 slight, 2 clear or 3 strong")
	}
	for _, w := range slices.Sorted(maps.Keys(fm.Words)) {
		if _, expected := markWord(fm.Words[w], fm.Severity); fm.Words[w] != "" && expected != "" {
			add(".words."+w, fm.Words[w], expected)
		}
	}
	zones := func(part, text string) {
		if _, bad, expected := farm.ParseZones(text); bad != "" {
			add(part, bad, expected)
		}
	}
	zones(".zones", fm.Zones)
	for _, w := range slices.Sorted(maps.Keys(fm.ZoneWords)) {
		zones(".zone_words."+w, fm.ZoneWords[w])
	}
	if len(fm.From) > 0 && len(fm.Words) > 0 && fm.Zones == "" && len(fm.ZonesFrom) == 0 {
		add(".zones", "", "where the marks are: zones for all rows, or the columns that say it in zones_from")
	}
}

// markWord reads one of our marks as a mapping writes it: nozzle_low or
// nozzle_low:2.
func markWord(text string, severity int) (farm.Mark, string) {
	mark, rest, said := strings.Cut(text, ":")
	switch {
	case said && len(rest) == 1 && rest[0] >= '1' && rest[0] <= '3':
		severity = int(rest[0] - '0')
	case said:
		return farm.Mark{}, "a mark with its severity from 1 to 3, such as nozzle_low:2"
	case severity == 0:
		return farm.Mark{}, "a mark with its severity, such as nozzle_low:2, or severity for all of them"
	}
	marks, bad, expected := farm.ParseMarks(fmt.Sprintf("A1:%s:%d", mark, severity))
	if bad != "" || len(marks) != 1 {
		return farm.Mark{}, either(expected, "one mark")
	}
	return marks[0], ""
}

func either(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// InMM tells whether a field's numbers are in mm.
func InMM(f *Field) bool {
	return strings.HasSuffix(f.Name, "_mm") && (f.Type == Number || f.Type == Heights) || f.Type == Readings
}

// columns are the headings a mapping reads, in order, each once.
func (m *Mapping) columns() []string {
	var list []string
	for _, name := range slices.Sorted(maps.Keys(m.Fields)) {
		f := m.Fields[name]
		list = append(list, f.From...)
		list = append(list, f.ZonesFrom...)
		for _, z := range slices.Sorted(maps.Keys(f.Each)) {
			list = append(list, f.Each[z])
		}
	}
	for _, f := range m.Only {
		list = append(list, f.Column)
	}
	list = append(list, m.Key...)
	slices.Sort(list)
	return slices.Compact(list)
}

// mappings are the mappings that are kept by name.
func mappings() *Table {
	type R = farm.LogMapping
	return table(farm.KindMapping, "mappings", R{},
		key("mapping", "", func(r *R) *string { return &r.Mapping }).must(),
		text("says", func(r *R) *string { return &r.Says }).must(),
		when("retired_at", func(r *R) *time.Time { return &r.RetiredAt }),
	)
}

// What a mapping may say follows from the tables, so its check joins them last.
func init() { TableOf(farm.KindMapping).checked(checkKept) }

func checkKept(rec any) []fieldProblem {
	r := rec.(*farm.LogMapping)
	if r.Says == "" {
		return nil
	}
	m, err := ReadMapping([]byte(r.Says))
	if err != nil {
		return []fieldProblem{{"says", fault.Shorten(r.Says), "a mapping as JSON: " + err.Error()}}
	}
	if m.Name != r.Mapping {
		return []fieldProblem{{"says", m.Name, "a mapping of the name " + fault.Quote(r.Mapping)}}
	}
	return nil
}

// Kept is a mapping as it is kept by its name.
func (m *Mapping) Kept() *farm.LogMapping {
	b, err := json.Marshal(m)
	if err != nil {
		panic(err) // strings and numbers alone
	}
	return &farm.LogMapping{Mapping: m.Name, Says: string(b)}
}
