// Package intake reads what comes into the farm: the CSV bundle and the records
// of the API. It says exactly what is wrong and where.
//
// What a file's columns (and a record's fields) are, what may stand in them and
// where they go in the record is told once, by the tables in tables.go: the
// reader of CSV, the reader of JSON, the writer of exports and the database's
// writer all go by them.
package intake

import (
	"basecourse/internal/farm"
)

// Type is what may stand in a field and which Go type it has in the record.
type Type uint8

// The types of fields.
const (
	Text     Type = iota // string: any text but NUL, kept byte for byte
	Key                  // string: the name of a thing (Ref), or of the record itself
	Code                 // string: one of Codes
	Number               // float64: NaN unknown
	Whole                // int: 0 unknown
	Time                 // time.Time: zero unknown
	Marks                // []farm.Mark
	Readings             // []farm.Reading
	Zones                // []farm.Zone
	Heights              // []float64: NaN missing
	Ident                // farm.ID
)

// Field is one column of a file and one field of a record.
type Field struct {
	Name     string
	Type     Type
	Ref      farm.Kind // Key: the thing named; "" when the record is known by it itself
	Codes    []string  // Code: the closed list
	Min, Max float64   // Number, Whole, Heights: the range, both ends allowed
	Above    bool      // Number: Min itself is not allowed
	Required bool
	Ahead    bool // Time: may lie ahead of the server without limit
	Meta     bool // one of the columns every event may carry
	Fill     bool // may be filled later where it was empty
	Long     int  // Text: characters it may have; 0: as any other

	at func(rec any) any
}

// At gives a pointer to the field in a record (a pointer to the table's struct):
// *string, *float64, *int, *time.Time, *[]farm.Mark, *[]farm.Reading,
// *[]farm.Zone, *[]float64 or *farm.ID, by Type.
func (f *Field) At(rec any) any { return f.at(rec) }

// Table is one file of the bundle and one kind of record.
type Table struct {
	Kind   farm.Kind
	File   string // name of the file
	Name   string // the file's name without .csv, and the database table's
	Fields []Field
	Event  bool
	When   int // Event: the field that says when it happened

	reset  func(rec any)
	make   func(n int) []any
	check  func(rec any) []fieldProblem
	byName map[string]int
}

// Field finds a field by name; -1 when there is none.
func (t *Table) Field(name string) int {
	if i, ok := t.byName[name]; ok {
		return i
	}
	return -1
}

// New gives an empty record: a pointer to the table's struct with every field
// unknown.
func (t *Table) New() any { return t.Batch(1)[0] }

// Batch gives n empty records that lie side by side in memory.
func (t *Table) Batch(n int) []any { return t.make(n) }

// Reset makes a record empty again.
func (t *Table) Reset(rec any) { t.reset(rec) }

// TableOf finds the table of a kind, nil when there is none.
func TableOf(kind farm.Kind) *Table {
	for _, t := range Tables {
		if t.Kind == kind {
			return t
		}
	}
	return nil
}

func tableOfFile(file string) *Table {
	for _, t := range Tables {
		if t.File == file {
			return t
		}
	}
	return nil
}

// table builds a Table over struct R, whose empty value is blank.
func table[R any](kind farm.Kind, name string, blank R, fields ...Field) *Table {
	t := &Table{Kind: kind, File: name + ".csv", Name: name, Fields: fields, When: -1, byName: map[string]int{},
		reset: func(rec any) { *rec.(*R) = blank },
		make: func(n int) []any {
			block, list := make([]R, n), make([]any, n)
			for i := range block {
				block[i] = blank
				list[i] = &block[i]
			}
			return list
		},
	}
	for i, f := range fields {
		t.byName[f.Name] = i
	}
	return t
}

func (t *Table) checked(check func(rec any) []fieldProblem) *Table {
	t.check = check
	return t
}

// event marks a table of events: it gets the columns every event may carry and
// the place of its time.
func event[R any](t *Table, when string, meta func(*R) *farm.Meta) *Table {
	m := func(rec any) *farm.Meta { return meta(rec.(*R)) }
	t.Event = true
	t.When = t.Field(when)
	for _, f := range []Field{
		{Name: "noted_at", Type: Time, at: func(r any) any { return &m(r).NotedAt }},
		{Name: "noted_by", Type: Key, Ref: farm.KindPerson, at: func(r any) any { return &m(r).NotedBy }},
		{Name: "arrived_at", Type: Time, at: func(r any) any { return &m(r).ArrivedAt }},
		{Name: "voided_at", Type: Time, Fill: true, at: func(r any) any { return &m(r).VoidedAt }},
		{Name: "voided_by", Type: Key, Ref: farm.KindPerson, Fill: true, at: func(r any) any { return &m(r).VoidedBy }},
		{Name: "void_reason", Type: Text, Fill: true, at: func(r any) any { return &m(r).VoidReason }},
		{Name: "replaces", Type: Ident, at: func(r any) any { return &m(r).Replaces }},
	} {
		f.Meta = true
		t.byName[f.Name] = len(t.Fields)
		t.Fields = append(t.Fields, f)
	}
	return t
}

func at[R, V any](get func(*R) *V) func(any) any { return func(rec any) any { return get(rec.(*R)) } }

func text[R any](name string, get func(*R) *string) Field {
	return Field{Name: name, Type: Text, at: at(get)}
}

func key[R any](name string, ref farm.Kind, get func(*R) *string) Field {
	return Field{Name: name, Type: Key, Ref: ref, at: at(get)}
}

func code[R any](name string, codes []string, get func(*R) *string) Field {
	return Field{Name: name, Type: Code, Codes: codes, at: at(get)}
}

func num[R any](name string, least, most float64, get func(*R) *float64) Field {
	return Field{Name: name, Type: Number, Min: least, Max: most, at: at(get)}
}

func whole[R any](name string, least, most float64, get func(*R) *int) Field {
	return Field{Name: name, Type: Whole, Min: least, Max: most, at: at(get)}
}

func when[R, V any](name string, get func(*R) *V) Field {
	return Field{Name: name, Type: Time, at: at(get)}
}

func list[R, V any](name string, typ Type, get func(*R) *V) Field {
	return Field{Name: name, Type: typ, at: at(get)}
}

func ident[R any](name string, get func(*R) *farm.ID) Field {
	return Field{Name: name, Type: Ident, Required: true, at: at(get)}
}

func (f Field) must() Field  { f.Required = true; return f }
func (f Field) above() Field { f.Above = true; return f }
func (f Field) ahead() Field { f.Ahead = true; return f }
func (f Field) fill() Field  { f.Fill = true; return f }

// long lets a text have so many characters.
func (f Field) long(n int) Field { f.Long = n; return f }
