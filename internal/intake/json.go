package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// KindVoid is the kind of an API record that voids another one.
const KindVoid farm.Kind = "void"

// MostRecords is how many records one request may bring.
const MostRecords = 500

// Void says that a record was wrong. Record and ReplacedBy are ids as sent: a
// UUID, or the text under which the record came, whatever its kind.
type Void struct {
	Record     string
	VoidedAt   time.Time
	VoidedBy   string
	VoidReason string
	ReplacedBy string
}

// Item is one record of a request.
type Item struct {
	Kind   farm.Kind
	Sent   string   // the id as it was sent, for the answer; a void without id has its record's
	ID     farm.ID  // zero for a void
	Rec    any      // a pointer to the kind's struct in farm, or *Void; nil when Err is set
	Fields []string // the fields that say something, in the table's order
	Err    *fault.Error
}

var voids = table(KindVoid, "voids", Void{},
	key("record", "", func(r *Void) *string { return &r.Record }).must(),
	when("voided_at", func(r *Void) *time.Time { return &r.VoidedAt }).must(),
	key("voided_by", farm.KindPerson, func(r *Void) *string { return &r.VoidedBy }),
	text("void_reason", func(r *Void) *string { return &r.VoidReason }).must(),
	key("replaced_by", "", func(r *Void) *string { return &r.ReplacedBy }),
)

// ParseRecords reads the body of POST /api/v1/records: {"records":[{"kind", "id",
// fields…}, …]}. The error is of the whole body (not JSON, not of this form,
// too many records); what is wrong with one record stands in its Err, with
// JSON pointers into the body. now is the server's time.
func ParseRecords(body []byte, now time.Time) ([]Item, error) {
	if !utf8.Valid(body) {
		return nil, fault.New(fault.Invalid, "the body is not UTF-8")
	}
	members, err := object(body)
	if err != nil {
		return nil, fault.New(fault.Invalid, `the body cannot be read as {"records":[…]}: %s`, err)
	}
	var raw json.RawMessage
	for _, m := range members {
		if m.name != "records" {
			return nil, fault.At(fault.Problem{Pointer: "/" + escape(m.name), Found: m.name, Expected: `"records" alone`})
		}
		raw = m.raw
	}
	list, err := array(raw)
	if err != nil {
		return nil, fault.At(fault.Problem{Pointer: "/records", Found: fault.Shorten(string(raw)), Expected: "a list of 1 to 500 records"})
	}
	if n := len(list); n < 1 || n > MostRecords {
		return nil, fault.At(fault.Problem{Pointer: "/records", Found: fmt.Sprintf("%d records", n), Expected: "1 to 500 records"})
	}
	p := newParser(now)
	items := make([]Item, len(list))
	for i, raw := range list {
		items[i] = p.item(raw, "/records/"+strconv.Itoa(i))
	}
	return items, nil
}

// ParseRecord reads one record, {"kind", "id", fields…}; pointer is its place in
// the body it comes from ("" when it is the body).
func ParseRecord(raw []byte, pointer string, now time.Time) Item {
	if !utf8.Valid(raw) {
		return Item{Err: fault.At(fault.Problem{Pointer: pointer, Found: strings.ToValidUTF8(fault.Shorten(string(raw)), "\uFFFD"), Expected: "text in UTF-8"})}
	}
	return newParser(now).item(raw, pointer)
}

func (p *parser) item(raw json.RawMessage, pointer string) (item Item) {
	members, err := object(raw)
	if err != nil {
		item.Err = fault.At(fault.Problem{Pointer: pointer, Found: fault.Shorten(string(raw)), Expected: "an object with kind, id and fields: " + err.Error()})
		return item
	}
	var problems []fault.Problem
	add := func(where, found, expected string) {
		problems = append(problems, fault.Problem{Pointer: pointer + where, Found: fault.Shorten(found), Expected: expected})
	}
	find := func(name string) string {
		for _, m := range members {
			if m.name == name && string(m.raw) != "null" {
				s, err := str(m.raw)
				if err != nil {
					add("/"+name, string(m.raw), "a string")
				}
				return s
			}
		}
		return ""
	}
	item.Sent = find("id")
	item.Kind = farm.Kind(find("kind"))
	if item.Kind == KindVoid && item.Sent == "" {
		item.Sent = find("record")
		problems = nil // told once, with the fields
	}
	t := RecordTable(item.Kind)
	if t == nil {
		add("/kind", string(item.Kind), "one of "+kindNames())
		item.Err = fault.At(problems...)
		return item
	}
	rec := t.New()
	mesh := map[string]json.RawMessage{}
	for _, m := range members {
		if m.name == "kind" || m.name == "id" || string(m.raw) == "null" {
			continue
		}
		if t.Kind == farm.KindProbe && slices.Contains(meshFields, m.name) {
			mesh[m.name] = m.raw
			continue
		}
		i := t.Field(m.name)
		if i < 0 || t.Fields[i].Type == Ident && !t.Fields[i].Meta {
			add("/"+escape(m.name), m.name, "one of the fields "+fieldNames(t))
			continue
		}
		p.value(t, &t.Fields[i], m.raw, rec, "/"+m.name, add)
	}
	if t.Event {
		if id, err := farm.NewID(t.Kind, item.Sent); err != nil {
			add("/id", item.Sent, "an id of 1 to 64 characters without control characters and without blanks at its ends")
		} else {
			item.ID = id
			*t.Fields[0].at(rec).(*farm.ID) = id
		}
	}
	if probe, ok := rec.(*farm.Probe); ok {
		meshText(mesh, probe, add)
	}
	bad := func(field string) bool {
		return slices.ContainsFunc(problems, func(q fault.Problem) bool {
			where, _ := strings.CutPrefix(q.Pointer, pointer+"/")
			where, _, _ = strings.Cut(where, "/")
			return where == field || where == "id" && t.Event && field == t.Fields[0].Name
		})
	}
	for _, q := range t.finish(rec, bad) {
		name := q.Field
		if t.Event && name == t.Fields[0].Name {
			name, q.Expected = "id", "a value: id is required"
		}
		add("/"+name, q.Found, q.Expected)
	}
	if len(problems) > 0 {
		item.Err = fault.At(problems...)
		return item
	}
	for i := range t.Fields {
		if f := &t.Fields[i]; !f.Empty(rec) && (f.Type != Ident || f.Meta) {
			item.Fields = append(item.Fields, f.Name)
		}
	}
	item.Rec = rec
	return item
}

// RecordTable gives the fields of a kind of record that POST /api/v1/records
// takes, voidings too; nil when there is no such kind.
func RecordTable(kind farm.Kind) *Table {
	if kind == KindVoid {
		return voids
	}
	if t := TableOf(kind); t != nil && t.Event {
		return t
	}
	return nil
}

func kindNames() string {
	s := ""
	for _, k := range farm.EventKinds {
		s += string(k) + " "
	}
	return s + string(KindVoid)
}

func fieldNames(t *Table) string {
	s := "kind id"
	for _, f := range t.Fields {
		if f.Type != Ident || f.Meta {
			s += " " + f.Name
		}
	}
	return s
}

// value reads one JSON value into a field.
func (p *parser) value(t *Table, f *Field, raw json.RawMessage, rec any, where string, add func(where, found, expected string)) {
	switch raw[0] {
	case '"':
		s, err := str(raw)
		if err != nil {
			add(where, string(raw), "a string that is valid Unicode")
			return
		}
		if s == "" {
			return
		}
		if found, expected := p.parse(t, f, s, rec); expected != "" {
			add(where, found, expected)
		}
		return
	case '[':
		if f.Type >= Marks && f.Type <= Heights {
			p.list(f, raw, rec, where, add)
			return
		}
	case '-', '0', '1', '2', '3', '4', '5', '6', '7', '8', '9':
		if f.Type == Number || f.Type == Whole {
			if found, expected := p.parse(t, f, string(raw), rec); expected != "" {
				add(where, found, expected)
			}
			return
		}
	}
	add(where, string(raw), f.jsonExpected())
}

func (f *Field) jsonExpected() string {
	switch f.Type {
	case Number:
		return f.numberExpected()
	case Whole:
		return fmt.Sprintf("a whole number from %.0f to %.0f", f.Min, f.Max)
	case Time:
		return "a string with a time like 2026-03-11T19:42:59Z"
	case Marks:
		return `a list of {"zone","mark","severity"}, or text like A1:nozzle_low:2`
	case Readings:
		return `a list of {"zone","mm","patch"}, or text like A1=0.18`
	case Zones:
		return "a list of zones, or text like A1 B2"
	case Heights:
		return "a list of numbers and null, or " + heightsExpected
	case Code:
		return "one of " + strings.Join(f.Codes, " ")
	}
	return "a string"
}

func (p *parser) list(f *Field, raw json.RawMessage, rec any, where string, add func(where, found, expected string)) {
	elements, err := array(raw)
	if err != nil {
		add(where, string(raw), f.jsonExpected())
		return
	}
	sound := true
	fail := func(at, found, expected string) {
		sound = false
		add(where+at, found, expected)
	}
	var marks []farm.Mark
	var readings []farm.Reading
	var zones []farm.Zone
	var heights []float64
	for i, e := range elements {
		at := "/" + strconv.Itoa(i)
		switch f.Type {
		case Marks:
			marks = append(marks, markOf(e, at, fail))
		case Readings:
			readings = append(readings, readingOf(e, at, fail))
		case Zones:
			zones = append(zones, zoneOf(e, at, fail))
		case Heights:
			x, ok := math.NaN(), true
			if string(e) != "null" {
				x, ok = farm.ParseNumber(string(e))
			}
			if !ok || x < f.Min || x > f.Max {
				fail(at, string(e), "a height from -5 to 5 mm, or null where missing")
			}
			heights = append(heights, x)
		}
	}
	if !sound {
		return
	}
	switch f.Type {
	case Marks:
		if again, found := farm.SortMarks(marks); found {
			add(where, again.Zone.Text()+" "+again.Mark+" twice", "each mark once in a zone")
			return
		}
		*f.at(rec).(*[]farm.Mark) = marks
	case Readings:
		farm.SortReadings(readings)
		*f.at(rec).(*[]farm.Reading) = readings
	case Zones:
		slices.SortFunc(zones, farm.Zone.Compare)
		*f.at(rec).(*[]farm.Zone) = slices.Compact(zones)
	case Heights:
		*f.at(rec).(*[]float64) = heights
	}
}

func zoneOf(raw json.RawMessage, at string, fail func(at, found, expected string)) farm.Zone {
	s, err := str(raw)
	z, ok := farm.ParseZone(s)
	if err != nil || !ok {
		fail(at, string(raw), "a zone from A1 to I9")
	}
	return z
}

func markOf(raw json.RawMessage, at string, fail func(at, found, expected string)) (m farm.Mark) {
	parts := partsOf(raw, at, []string{"zone", "mark", "severity"}, 3, fail)
	if parts == nil {
		return m
	}
	m.Zone = zoneOf(parts[0], at+"/zone", fail)
	s, err := str(parts[1])
	code, ok := farm.MarkCode(s)
	if err != nil || !ok {
		fail(at+"/mark", string(parts[1]), "one of "+strings.Join(farm.Marks, " "))
	}
	m.Mark = code
	severity, ok := farm.ParseNumber(string(parts[2]))
	if !ok || severity != 1 && severity != 2 && severity != 3 {
		fail(at+"/severity", string(parts[2]), "1, 2 or 3")
		return m
	}
	m.Severity = uint8(severity)
	return m
}

func readingOf(raw json.RawMessage, at string, fail func(at, found, expected string)) (r farm.Reading) {
	parts := partsOf(raw, at, []string{"zone", "mm", "patch"}, 2, fail)
	if parts == nil {
		return r
	}
	r.Zone = zoneOf(parts[0], at+"/zone", fail)
	mm, ok := farm.ParseNumber(string(parts[1]))
	if !ok || mm < farm.LeastReadingMM || mm > farm.MostReadingMM {
		fail(at+"/mm", string(parts[1]), "a thickness from 0.05 to 1 mm")
	}
	r.MM = mm
	switch string(parts[2]) {
	case "true":
		r.Patch = true
	case "", "false", "null":
	default:
		fail(at+"/patch", string(parts[2]), "true or false")
	}
	return r
}

// partsOf takes an object apart by names, the first few of them required.
func partsOf(raw json.RawMessage, at string, names []string, required int, fail func(at, found, expected string)) []json.RawMessage {
	members, err := object(raw)
	if err != nil {
		fail(at, string(raw), "an object with "+strings.Join(names, ", "))
		return nil
	}
	parts := make([]json.RawMessage, len(names))
	for _, m := range members {
		i := slices.Index(names, m.name)
		if i < 0 {
			fail(at+"/"+escape(m.name), m.name, "one of "+strings.Join(names, ", "))
			return nil
		}
		parts[i] = m.raw
	}
	for i := range required {
		if parts[i] == nil {
			fail(at+"/"+names[i], "", "a value: "+names[i]+" is required")
			return nil
		}
	}
	return parts
}

type member struct {
	name string
	raw  json.RawMessage
}

// object takes a JSON object apart, in order. Unlike the standard library it
// refuses a name that stands twice and anything behind the object, and it tells
// upper from lower case.
func object(raw []byte) ([]member, error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	open, err := d.Token()
	if err != nil || open != json.Delim('{') {
		return nil, fmt.Errorf("it is no JSON object")
	}
	var members []member
	for d.More() {
		token, err := d.Token()
		if err != nil {
			return nil, err
		}
		m := member{name: token.(string)}
		if slices.ContainsFunc(members, func(o member) bool { return o.name == m.name }) {
			return nil, fmt.Errorf("%s stands twice", fault.Quote(m.name))
		}
		if err := d.Decode(&m.raw); err != nil {
			return nil, err
		}
		members = append(members, m)
	}
	if _, err := d.Token(); err != nil {
		return nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, fmt.Errorf("something stands behind it")
	}
	return members, nil
}

func array(raw []byte) ([]json.RawMessage, error) {
	if len(raw) == 0 || raw[0] != '[' {
		return nil, fmt.Errorf("it is no list")
	}
	var list []json.RawMessage
	err := json.Unmarshal(raw, &list)
	return list, err
}

// str reads a JSON string. The standard library turns half of a surrogate pair
// into U+FFFD; here it is refused, because text is kept as it was sent.
func str(raw json.RawMessage) (string, error) {
	var s string
	if len(raw) == 0 || raw[0] != '"' {
		return "", fmt.Errorf("no string")
	}
	if err := json.Unmarshal(raw, &s); err != nil {
		return "", err
	}
	if strings.ContainsRune(s, utf8.RuneError) && !bytes.Contains(raw, []byte("\uFFFD")) && !bytes.Contains(bytes.ToLower(raw), []byte(`\ufffd`)) {
		return "", fmt.Errorf("half a surrogate pair")
	}
	return s, nil
}

// escape writes a name for a JSON pointer (RFC 6901 section 3).
func escape(name string) string {
	return fault.Shorten(strings.NewReplacer("~", "~0", "/", "~1").Replace(name))
}
