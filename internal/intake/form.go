package intake

import (
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// ParseFields reads what was typed into a form into a record, by field: an empty
// text empties the field, a field without a text stays as it is. The rules are
// those of the bundle's columns; a problem's Column is the field. now is the
// server's time.
func ParseFields(t *Table, rec any, texts map[string]string, now time.Time) []fault.Problem {
	p := newParser(now)
	blank := t.New()
	var problems []fault.Problem
	bad := map[string]bool{}
	for i := range t.Fields {
		f := &t.Fields[i]
		text, given := texts[f.Name]
		if !given {
			continue
		}
		f.Copy(rec, blank)
		if text == "" {
			continue
		}
		if found, expected := p.parse(t, f, text, rec); expected != "" {
			problems = append(problems, fault.Problem{Column: f.Name, Found: found, Expected: expected})
			bad[f.Name] = true
		}
	}
	for _, q := range t.finish(rec, func(field string) bool { return bad[field] }) {
		problems = append(problems, fault.Problem{Column: q.Field, Found: q.Found, Expected: q.Expected})
	}
	return problems
}

// NumberExpected says which numbers a field takes, "" for other fields.
func (f *Field) NumberExpected() string {
	switch f.Type {
	case Number:
		return f.numberExpected()
	case Whole:
		return "a whole number from " + string(farm.AppendNumber(nil, f.Min)) + " to " + string(farm.AppendNumber(nil, f.Max))
	}
	return ""
}
