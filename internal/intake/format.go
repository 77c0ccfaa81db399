package intake

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
)

// Empty tells whether the field says nothing in this record.
func (f *Field) Empty(rec any) bool {
	switch p := f.at(rec).(type) {
	case *string:
		return *p == ""
	case *float64:
		return math.IsNaN(*p)
	case *int:
		return *p == 0
	case *time.Time:
		return p.IsZero()
	case *[]farm.Mark:
		return len(*p) == 0
	case *[]farm.Reading:
		return len(*p) == 0
	case *[]farm.Zone:
		return len(*p) == 0
	case *[]float64:
		return len(*p) == 0
	case *farm.ID:
		return p.IsZero()
	}
	return true
}

// Append writes the field in the bundle's canonical text: the shortest number
// that reads back the same, UTC with Z, lists in order. Empty writes nothing.
func (f *Field) Append(b []byte, rec any) []byte {
	switch p := f.at(rec).(type) {
	case *string:
		return append(b, *p...)
	case *float64:
		if !math.IsNaN(*p) {
			return farm.AppendNumber(b, *p)
		}
	case *int:
		if *p != 0 {
			return strconv.AppendInt(b, int64(*p), 10)
		}
	case *time.Time:
		if !p.IsZero() {
			return AppendStamp(b, *p)
		}
	case *[]farm.Mark:
		return farm.AppendMarks(b, *p)
	case *[]farm.Reading:
		return farm.AppendReadings(b, *p)
	case *[]farm.Zone:
		return farm.AppendZones(b, *p)
	case *[]float64:
		for i, x := range *p {
			if i > 0 {
				b = append(b, ' ')
			}
			if math.IsNaN(x) {
				b = append(b, "nan"...)
			} else {
				b = farm.AppendNumber(b, x)
			}
		}
	case *farm.ID:
		return append(b, p.Text()...)
	}
	return b
}

// Text is the field's canonical text.
func (f *Field) Text(rec any) string { return string(f.Append(nil, rec)) }

// Copy sets the field of one record to that of another.
func (f *Field) Copy(to, from any) {
	switch p := f.at(to).(type) {
	case *string:
		*p = *f.at(from).(*string)
	case *float64:
		*p = *f.at(from).(*float64)
	case *int:
		*p = *f.at(from).(*int)
	case *time.Time:
		*p = *f.at(from).(*time.Time)
	case *[]farm.Mark:
		*p = *f.at(from).(*[]farm.Mark)
	case *[]farm.Reading:
		*p = *f.at(from).(*[]farm.Reading)
	case *[]farm.Zone:
		*p = *f.at(from).(*[]farm.Zone)
	case *[]float64:
		*p = *f.at(from).(*[]float64)
	case *farm.ID:
		*p = *f.at(from).(*farm.ID)
	}
}

// Same tells whether the field says the same in both records, after
// normalising: times as instants, numbers as numbers, lists as sets (their
// parsers and Normalise put them in order).
func (f *Field) Same(a, b any) bool {
	switch p := f.at(a).(type) {
	case *string:
		return *p == *f.at(b).(*string)
	case *float64:
		q := f.at(b).(*float64)
		return *p == *q || math.IsNaN(*p) && math.IsNaN(*q)
	case *int:
		return *p == *f.at(b).(*int)
	case *time.Time:
		return p.Equal(*f.at(b).(*time.Time))
	case *[]farm.Mark:
		return slices.Equal(*p, *f.at(b).(*[]farm.Mark))
	case *[]farm.Reading:
		return slices.Equal(*p, *f.at(b).(*[]farm.Reading))
	case *[]farm.Zone:
		return slices.Equal(*p, *f.at(b).(*[]farm.Zone))
	case *[]float64:
		return slices.EqualFunc(*p, *f.at(b).(*[]float64), func(x, y float64) bool { return cmp.Compare(x, y) == 0 })
	case *farm.ID:
		return p.UUID == f.at(b).(*farm.ID).UUID
	}
	return false
}
