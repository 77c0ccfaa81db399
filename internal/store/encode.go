package store

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// The binary form of COPY (PostgreSQL documentation, COPY, "Binary Format").
var (
	copyHeader  = append([]byte("PGCOPY\n\xff\r\n\x00"), 0, 0, 0, 0, 0, 0, 0, 0)
	copyTrailer = []byte{0xff, 0xff}
)

// PostgreSQL counts microseconds from 2000-01-01.
const epoch2000 = 946_684_800_000_000

func pgMicros(t time.Time) int64 { return t.UnixMicro() - epoch2000 }

func fromPgMicros(n int64) time.Time { return time.UnixMicro(n + epoch2000).UTC() }

func putNull(b []byte) []byte { return append(b, 0xff, 0xff, 0xff, 0xff) }

func putInt2(b []byte, n int) []byte {
	b = binary.BigEndian.AppendUint32(b, 2)
	return binary.BigEndian.AppendUint16(b, uint16(n))
}

func putInt4(b []byte, n int32) []byte {
	b = binary.BigEndian.AppendUint32(b, 4)
	return binary.BigEndian.AppendUint32(b, uint32(n))
}

func putInt8(b []byte, n int64) []byte {
	b = binary.BigEndian.AppendUint32(b, 8)
	return binary.BigEndian.AppendUint64(b, uint64(n))
}

func putText(b []byte, s string) []byte {
	if s == "" {
		return putNull(b)
	}
	b = binary.BigEndian.AppendUint32(b, uint32(len(s)))
	return append(b, s...)
}

func putTime(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return putNull(b)
	}
	return putInt8(b, pgMicros(t))
}

func putUUID(b []byte, u uuid.UUID) []byte {
	b = binary.BigEndian.AppendUint32(b, 16)
	return append(b, u[:]...)
}

// putWritten writes text made by an appender.
func putWritten(b []byte, write func([]byte) []byte) []byte {
	at := len(b)
	b = write(append(b, 0, 0, 0, 0))
	n := len(b) - at - 4
	if n == 0 {
		return putNull(b[:at])
	}
	binary.BigEndian.PutUint32(b[at:], uint32(n))
	return b
}

const float8OID = 701

// putHeights writes a float8[] with NULL where a height is missing.
func putHeights(b []byte, heights []float64) []byte {
	if len(heights) == 0 {
		return putNull(b)
	}
	at := len(b)
	missing := uint32(0)
	if slices.ContainsFunc(heights, math.IsNaN) {
		missing = 1
	}
	b = append(b, 0, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, 1) // dimensions
	b = binary.BigEndian.AppendUint32(b, missing)
	b = binary.BigEndian.AppendUint32(b, float8OID)
	b = binary.BigEndian.AppendUint32(b, uint32(len(heights)))
	b = binary.BigEndian.AppendUint32(b, 1) // lower bound
	for _, h := range heights {
		if math.IsNaN(h) {
			b = putNull(b)
			continue
		}
		b = binary.BigEndian.AppendUint32(b, 8)
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(h))
	}
	binary.BigEndian.PutUint32(b[at:], uint32(len(b)-at-4))
	return b
}

// putField writes one field as its column or columns; thing is the number of
// the thing a Key field names, 0 for none.
func putField(b []byte, f *intake.Field, rec any, thing int32) []byte {
	switch p := f.At(rec).(type) {
	case *string:
		switch {
		case f.Ref == intake.Subject && thing < 0: // a plate, see resolve
			return putInt4(putNull(b), -thing)
		case f.Ref == intake.Subject:
			return putNull(putInt4(b, thing))
		case f.Type == intake.Key && thing == 0:
			return putNull(b)
		case f.Type == intake.Key:
			return putInt4(b, thing)
		}
		return putText(b, *p)
	case *float64:
		if math.IsNaN(*p) {
			return putNull(b)
		}
		return putInt8(b, int64(math.Float64bits(*p)))
	case *int:
		if *p == 0 {
			return putNull(b)
		}
		return putInt2(b, *p)
	case *time.Time:
		return putTime(b, *p)
	case *[]farm.Mark:
		if len(*p) == 0 {
			return putNull(b)
		}
		return putWritten(b, func(b []byte) []byte { return farm.AppendMarks(b, *p) })
	case *[]farm.Reading:
		if len(*p) == 0 {
			return putNull(b)
		}
		return putWritten(b, func(b []byte) []byte { return farm.AppendReadings(b, *p) })
	case *[]farm.Zone:
		if len(*p) == 0 {
			return putNull(b)
		}
		return putWritten(b, func(b []byte) []byte { return farm.AppendZones(b, *p) })
	case *[]float64:
		return putHeights(b, *p)
	case *farm.ID:
		if p.IsZero() {
			return putNull(putNull(b))
		}
		return putText(putUUID(b, p.UUID), p.Ref)
	}
	return putNull(b)
}

// rowForm is which columns a run of rows is written with: a file that has no
// column for a field need not send its NULLs.
type rowForm struct {
	*layout
	fields  []int // head, then tail
	tail    int   // where the tail begins in fields
	columns int
	void    bool // void_arrived_at is among them
	copySQL string
}

// form gives the row form for the fields that are present; nil is all of them.
func (l *layout) form(present []bool) *rowForm {
	has := func(i int) bool { return present == nil || present[i] }
	f := &rowForm{layout: l}
	var columns []string
	add := func(i int) {
		f.fields = append(f.fields, i)
		columns = append(columns, columnsOf(&l.Fields[i])...)
	}
	for _, i := range l.head {
		if has(i) {
			add(i)
		}
	}
	f.tail = len(f.fields)
	for _, i := range l.tail {
		name := l.Fields[i].Name
		if has(i) || name != "underside" || has(l.job) {
			add(i)
		}
	}
	if f.void = has(l.voided); f.void {
		columns = append(columns, "void_arrived_at")
	}
	f.columns = len(columns)
	f.copySQL = fmt.Sprintf("COPY %s (%s) FROM STDIN BINARY", l.Name, strings.Join(columns, ", "))
	return f
}

// putRow writes an event and gives its digest, which is of what was given;
// complete sets what the store adds, before the tail is written.
func (f *rowForm) putRow(b []byte, rec any, things []int32, scratch *[]byte, complete func() (voidArrived time.Time)) ([]byte, int64) {
	b = binary.BigEndian.AppendUint16(b, uint16(f.columns))
	given := (*scratch)[:0]
	for _, i := range f.fields[:f.tail] {
		from := len(b)
		b = putField(b, &f.Fields[i], rec, things[i])
		if !f.Fields[i].Empty(rec) {
			given = append(append(given, byte(i)), b[from:]...)
		}
	}
	for _, i := range f.fields[f.tail:] {
		if !f.Fields[i].Empty(rec) {
			given = putField(append(given, byte(i)), &f.Fields[i], rec, things[i])
		}
	}
	*scratch = given
	sum := sha256.Sum256(given)
	voidArrived := complete()
	for _, i := range f.fields[f.tail:] {
		b = putField(b, &f.Fields[i], rec, things[i])
	}
	if f.void {
		b = putTime(b, voidArrived)
	}
	return b, digestOf(sum)
}

// takeRow reads a row of readNames or readIDs into a record. nameOf gives the
// name of a thing by its number.
func (l *layout) takeRow(raw [][]byte, fields []pgconn.FieldDescription, rec any, nameOf func(kind farm.Kind, id int32) string) error {
	c := 0
	for i := range l.Fields {
		f := &l.Fields[i]
		v := raw[c]
		oid := fields[c].DataTypeOID
		c++
		if p, ok := f.At(rec).(*farm.ID); ok {
			if v != nil {
				copy(p.UUID[:], v)
				p.Ref = string(raw[c])
			}
			c++
			continue
		}
		if v == nil {
			continue
		}
		switch p := f.At(rec).(type) {
		case *string:
			if f.Ref != "" && oid == int4OID {
				kind := f.Ref
				if kind == intake.Subject {
					kind = rec.(intake.Subjected).KindOfSubject()
				}
				*p = nameOf(kind, int32(binary.BigEndian.Uint32(v)))
				continue
			}
			*p = codeOrText(f, v)
		case *float64:
			*p = math.Float64frombits(binary.BigEndian.Uint64(v))
		case *int:
			if len(v) == 2 {
				*p = int(binary.BigEndian.Uint16(v))
			} else {
				*p = int(binary.BigEndian.Uint32(v))
			}
		case *time.Time:
			*p = fromPgMicros(int64(binary.BigEndian.Uint64(v)))
		case *[]farm.Mark:
			marks, bad, _ := farm.ParseMarks(string(v))
			if bad != "" {
				return fmt.Errorf("stored marks %q", v)
			}
			*p = marks
		case *[]farm.Reading:
			readings, bad, _ := farm.ParseReadings(string(v))
			if bad != "" {
				return fmt.Errorf("stored readings %q", v)
			}
			*p = readings
		case *[]farm.Zone:
			zones, bad, _ := farm.ParseZones(string(v))
			if bad != "" {
				return fmt.Errorf("stored zones %q", v)
			}
			*p = zones
		case *[]float64:
			*p = takeHeights(v)
		}
	}
	return nil
}

const int4OID = 23

// codeOrText gives the list's own copy of a code, which saves an allocation a
// field.
func codeOrText(f *intake.Field, v []byte) string {
	for _, c := range f.Codes {
		if c == string(v) {
			return c
		}
	}
	return string(v)
}

func takeHeights(v []byte) []float64 {
	if len(v) < 20 {
		return nil
	}
	heights := make([]float64, 0, binary.BigEndian.Uint32(v[12:]))
	for v = v[20:]; len(v) >= 4; {
		n := int32(binary.BigEndian.Uint32(v))
		v = v[4:]
		if n < 0 {
			heights = append(heights, math.NaN())
			continue
		}
		heights = append(heights, math.Float64frombits(binary.BigEndian.Uint64(v)))
		v = v[n:]
	}
	return heights
}
