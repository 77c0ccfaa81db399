package store

import (
	"bytes"
	"encoding/binary"
	"errors"
)

// copyRows takes the rows of COPY's binary form one by one. The server sends
// each row as one message (PostgreSQL documentation, "COPY Operations"), the
// header together with the first and the trailer at the end.
type copyRows struct {
	take  func(row *copyRow) error
	begun bool
	row   copyRow
}

// copyRow is a row that is read field by field, without copying.
type copyRow struct {
	rest []byte
	bad  bool // ended before its last field
}

var errCopyRow = errors.New("a row of COPY is not in the form that was asked for")

// Write takes one message.
func (c *copyRows) Write(message []byte) (int, error) {
	b := message
	if !c.begun {
		c.begun = true
		if len(b) < len(copyHeader) || !bytes.Equal(b[:len(copyHeader)], copyHeader) {
			return 0, errCopyRow
		}
		b = b[len(copyHeader):]
	}
	if len(b) < 2 || bytes.Equal(b, copyTrailer) {
		return len(message), nil
	}
	c.row = copyRow{rest: b[2:]}
	if err := c.take(&c.row); err != nil {
		return 0, err
	}
	return len(message), nil
}

// next is the next field; nil is null.
func (r *copyRow) next() []byte {
	if len(r.rest) < 4 {
		r.bad = true
		return nil
	}
	n := int32(binary.BigEndian.Uint32(r.rest))
	b := r.rest[4:]
	if n < 0 {
		r.rest = b
		return nil
	}
	if int(n) > len(b) {
		r.bad = true
		return nil
	}
	r.rest = b[n:]
	return b[:n:n]
}

// time is the next field as microseconds since 1970 UTC.
func (r *copyRow) time() int64 {
	b := r.next()
	if len(b) != 8 {
		r.bad = true
		return 0
	}
	return int8Micros(b)
}

func int8Micros(b []byte) int64 { return int64(binary.BigEndian.Uint64(b)) + epoch2000 }

func int4(b []byte) int32 { return int32(binary.BigEndian.Uint32(b)) }

// see takes marks in their stored form (zone:mark:severity by blanks) in
// place. What it does not know counts as other.
func (l *StartLabel) see(marks []byte) {
	for len(marks) > 0 {
		one := marks
		if i := bytes.IndexByte(marks, ' '); i >= 0 {
			one, marks = marks[:i], marks[i+1:]
		} else {
			marks = nil
		}
		if len(one) < 6 { // A1:x:1
			continue
		}
		severity := one[len(one)-1] - '0'
		bit, group := 13, &l.Else
		switch string(one[3 : len(one)-2]) {
		case "nozzle_low":
			bit, group = 0, &l.Height
		case "nozzle_high":
			bit, group = 1, &l.Height
		case "blobs":
			bit, group = 2, &l.Grip
		case "dragged":
			bit, group = 3, &l.Grip
		case "contamination":
			bit, group = 4, &l.Dirt
		case "lifting":
			bit, group = 5, &l.Grip
		case "no_start":
			bit = 6
		case "under_fed":
			bit = 7
		case "over_fed":
			bit = 8
		case "striping":
			bit = 9
		case "moisture":
			bit = 10
		case "plate_mark":
			bit = 11
		case "debris":
			bit = 12
		}
		l.Marks |= 1 << bit
		*group = max(*group, severity)
	}
}
