package web

import (
	"encoding/json"
	"math"
	"strconv"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
)

// appendRecord writes a record as the API answers it: the fields of its file in
// their order, the first column of an event as id (UUID) and ref (text or null),
// unknown as null, lists as arrays.
func appendRecord(b []byte, t *intake.Table, rec any) []byte {
	b = append(b, '{')
	for i := range t.Fields {
		f := &t.Fields[i]
		if i > 0 {
			b = append(b, ',')
		}
		if id, ok := f.At(rec).(*farm.ID); ok && !f.Meta {
			b = appendID(b, *id)
			continue
		}
		b = strconv.AppendQuote(b, f.Name)
		b = append(b, ':')
		b = appendField(b, f, rec)
	}
	return append(b, '}')
}

func appendID(b []byte, id farm.ID) []byte {
	b = append(b, `"id":"`...)
	b = append(b, id.UUID.String()...)
	b = append(b, `","ref":`...)
	if id.Ref == "" {
		return append(b, "null"...)
	}
	return appendText(b, id.Ref)
}

func appendText(b []byte, s string) []byte {
	quoted, err := json.Marshal(s)
	if err != nil {
		return append(b, "null"...)
	}
	return append(b, quoted...)
}

func appendField(b []byte, f *intake.Field, rec any) []byte {
	switch p := f.At(rec).(type) {
	case *[]farm.Mark:
		b = append(b, '[')
		for i, m := range *p {
			b = comma(b, i)
			b = append(b, `{"zone":"`+m.Zone.Text()+`","mark":"`+m.Mark+`","severity":`+strconv.Itoa(int(m.Severity))+"}"...)
		}
		return append(b, ']')
	case *[]farm.Reading:
		b = append(b, '[')
		for i, r := range *p {
			b = comma(b, i)
			b = append(b, `{"zone":"`+r.Zone.Text()+`","mm":`...)
			b = farm.AppendNumber(b, r.MM)
			b = append(b, `,"patch":`+strconv.FormatBool(r.Patch)+"}"...)
		}
		return append(b, ']')
	case *[]farm.Zone:
		b = append(b, '[')
		for i, z := range *p {
			b = comma(b, i)
			b = append(b, `"`+z.Text()+`"`...)
		}
		return append(b, ']')
	case *[]float64:
		b = append(b, '[')
		for i, x := range *p {
			b = comma(b, i)
			if math.IsNaN(x) {
				b = append(b, "null"...)
			} else {
				b = farm.AppendNumber(b, x)
			}
		}
		return append(b, ']')
	case *float64, *int:
		if f.Empty(rec) {
			return append(b, "null"...)
		}
		return f.Append(b, rec)
	default:
		if f.Empty(rec) {
			return append(b, "null"...)
		}
		return appendText(b, f.Text(rec))
	}
}

func comma(b []byte, i int) []byte {
	if i > 0 {
		b = append(b, ',')
	}
	return b
}

// listAnswer is one page of a list: {"items":[…],"next":CURSOR|null}.
func listAnswer(t *intake.Table, records []any, next string) []byte {
	b := append([]byte(nil), `{"items":[`...)
	for i, rec := range records {
		b = comma(b, i)
		b = appendRecord(b, t, rec)
	}
	b = append(b, `],"next":`...)
	if next == "" {
		b = append(b, "null"...)
	} else {
		b = appendText(b, next)
	}
	return append(b, "}\n"...)
}
