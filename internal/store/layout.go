package store

import (
	"fmt"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
)

// layout says how a kind's fields lie in its table. Columns carry the names of
// the fields, with four exceptions: the record's own id is id and ref, replaces
// is replaces and replaces_ref, a subject is printer or plate, and a
// thing's own name is found under its id.
type layout struct {
	*intake.Table
	head, tail []int // the tail's fields are completed by the store
	owner      int   // the field that names the printer or plate in whose history the event stands; -1: in nobody's
	all        *rowForm

	noted, arrived, voided, job int    // fields of these names; -1 where there is none
	readNames                   string // select list with names of things, for a few rows
	readIDs                     string // the same with their numbers, for many
	fills                       bool   // has filled_at
}

// thing says where a kind of thing stands and under which column its name.
var thingColumn = map[farm.Kind][2]string{
	farm.KindPrinter:    {"printers", "printer"},
	farm.KindPlate:      {"plates", "plate"},
	farm.KindMaterial:   {"materials", "material"},
	farm.KindPerson:     {"people", "person"},
	farm.KindJob:        {"jobs", "job"},
	farm.KindInstrument: {"instruments", "instrument"},
}

var layouts = func() map[farm.Kind]*layout {
	m := map[farm.Kind]*layout{}
	for _, t := range intake.Tables {
		if t.Event {
			m[t.Kind] = layEvent(t)
		} else {
			m[t.Kind] = &layout{Table: t, readNames: selectList(t, true)}
		}
	}
	return m
}()

// Fields the store completes: what was given goes into the digest, what is
// stored into the row.
func completed(name string) bool {
	return name == "underside" || name == "noted_at" || name == "arrived_at"
}

func layEvent(t *intake.Table) *layout {
	l := &layout{Table: t, owner: -1, noted: t.Field("noted_at"), arrived: t.Field("arrived_at"), voided: t.Field("voided_at"), job: t.Field("job")}
	for i, f := range t.Fields {
		if completed(f.Name) {
			l.tail = append(l.tail, i)
		} else {
			l.head = append(l.head, i)
		}
		if l.owner < 0 && f.Required && (f.Ref == farm.KindPrinter || f.Ref == farm.KindPlate || f.Ref == intake.Subject) {
			l.owner = i
		}
		if f.Fill && !f.Meta {
			l.fills = true
		}
	}
	// A fitting stands in its plate's history, as its first column says.
	l.all = l.form(nil)
	l.readNames = selectList(t, true)
	l.readIDs = selectList(t, false)
	return l
}

func columnsOf(f *intake.Field) []string {
	switch {
	case f.Type == intake.Ident && f.Meta:
		return []string{f.Name, f.Name + "_ref"}
	case f.Type == intake.Ident:
		return []string{"id", "ref"}
	case f.Ref == intake.Subject:
		return []string{"printer", "plate"}
	}
	return []string{f.Name}
}

// selectList reads the fields in the table's order from the table under the
// alias t.
func selectList(t *intake.Table, names bool) string {
	var list []string
	for i := range t.Fields {
		f := &t.Fields[i]
		switch {
		case f.Ref == intake.Subject && names:
			list = append(list, "coalesce((SELECT printer FROM printers WHERE id = t.printer), (SELECT plate FROM plates WHERE id = t.plate))")
		case f.Ref == intake.Subject:
			list = append(list, "coalesce(t.printer, t.plate)")
		case f.Ref != "" && names:
			thing := thingColumn[f.Ref]
			list = append(list, fmt.Sprintf("(SELECT %s FROM %s WHERE id = t.%s)", thing[1], thing[0], f.Name))
		default:
			for _, c := range columnsOf(f) {
				list = append(list, "t."+c)
			}
		}
	}
	return strings.Join(list, ", ")
}

func (l *layout) whenColumn() string { return l.Fields[l.When].Name }

// ownerOf is the number of the printer or plate in whose history an event stands, by
// the things it names; a plate's may be negative, 0 is nobody's.
func (l *layout) ownerOf(things []int32) int32 {
	if l.owner < 0 {
		return 0
	}
	return things[l.owner]
}

// ownerMatch is the condition that a row belongs to owner $n.
func (l *layout) ownerMatch(owner string) string {
	if l.owner < 0 {
		return owner + " = 0"
	}
	if f := l.Fields[l.owner]; f.Ref != intake.Subject {
		return "t." + f.Name + " = " + owner
	}
	return "(t.printer = " + owner + " OR t.plate = " + owner + ")"
}
