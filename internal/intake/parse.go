package intake

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// Longest texts, in characters.
const (
	longestKey  = 64
	longestText = 10000
)

// AheadLimit is how far ahead of the server a time may lie: a tablet's clock is
// wrong, but a day is a mistake.
const AheadLimit = 24 * time.Hour

// fieldProblem is a problem whose place is a field; file and line (or pointer)
// are added by who knows them.
type fieldProblem struct{ Field, Found, Expected string }

// parser holds what parsing needs beside the cell.
type parser struct {
	latest time.Time         // no time beyond it
	names  map[string]string // one copy of each name, so that rows do not pin their text
}

func newParser(now time.Time) *parser {
	return &parser{latest: now.Add(AheadLimit), names: map[string]string{}}
}

func (p *parser) name(s string) string {
	if known, ok := p.names[s]; ok {
		return known
	}
	if len(p.names) > 100_000 {
		clear(p.names)
	}
	s = strings.Clone(s)
	p.names[s] = s
	return s
}

// parse reads one cell that is not empty into a field of a record. When it
// cannot, expected says what should stand there and found what stood there.
func (p *parser) parse(t *Table, f *Field, s string, rec any) (found, expected string) {
	switch f.Type {
	case Text:
		if most := max(longestText, f.Long); !validText(s, most) {
			return s, "text in UTF-8 without NUL, up to " + strconv.Itoa(most) + " characters"
		}
		*f.at(rec).(*string) = s
	case Key:
		if !farm.ValidKey(s, longestKey) {
			return s, "a name of 1 to 64 characters without control characters and without blanks at its ends"
		}
		*f.at(rec).(*string) = p.name(s)
	case Code:
		for _, c := range f.Codes {
			if c == s {
				*f.at(rec).(*string) = c
				return "", ""
			}
		}
		return s, "one of " + strings.Join(f.Codes, " ")
	case Number:
		x, ok := farm.ParseNumber(s)
		if !ok || x < f.Min || x > f.Max || f.Above && x == f.Min {
			return s, f.numberExpected()
		}
		*f.at(rec).(*float64) = x
	case Whole:
		n, err := strconv.Atoi(s)
		if err != nil || float64(n) < f.Min || float64(n) > f.Max || s[0] == '+' {
			return s, fmt.Sprintf("a whole number from %.0f to %.0f", f.Min, f.Max)
		}
		*f.at(rec).(*int) = n
	case Time:
		when, ok := ParseTime(s)
		if !ok {
			return s, "a time like 2026-03-11T20:42:59+01:00 or 2026-03-11T19:42:59Z, with its offset"
		}
		if !f.Ahead && when.After(p.latest) {
			return s, "a time at most 24 h ahead of the server (up to " + Stamp(p.latest) + ")"
		}
		*f.at(rec).(*time.Time) = when
	case Marks:
		marks, bad, expected := farm.ParseMarks(s)
		if bad != "" {
			return bad, expected
		}
		*f.at(rec).(*[]farm.Mark) = marks
	case Readings:
		readings, bad, expected := farm.ParseReadings(s)
		if bad != "" {
			return bad, expected
		}
		*f.at(rec).(*[]farm.Reading) = readings
	case Zones:
		zones, bad, expected := farm.ParseZones(s)
		if bad != "" {
			return bad, expected
		}
		*f.at(rec).(*[]farm.Zone) = zones
	case Heights:
		dst := f.at(rec).(*[]float64)
		heights, bad := parseHeights((*dst)[:0], s, f.Min, f.Max)
		if bad != "" {
			return bad, heightsExpected
		}
		*dst = heights
	case Ident:
		id, err := farm.NewID(t.Kind, s)
		if err != nil {
			return s, "an id of 1 to 64 characters without control characters and without blanks at its ends"
		}
		*f.at(rec).(*farm.ID) = id
	}
	return "", ""
}

func (f *Field) numberExpected() string {
	least, most := farm.AppendNumber(nil, f.Min), farm.AppendNumber(nil, f.Max)
	switch {
	case f.Above && f.Max >= 1e9:
		return fmt.Sprintf("a number above %s", least)
	case f.Above:
		return fmt.Sprintf("a number above %s, up to %s", least, most)
	case f.Max >= 1e9:
		return fmt.Sprintf("a number of %s or more", least)
	}
	return fmt.Sprintf("a number from %s to %s", least, most)
}

// validText tells whether a text may be stored: valid UTF-8, no NUL, not too
// long.
func validText(s string, most int) bool {
	return len(s) <= 4*most && strings.IndexByte(s, 0) < 0 && utf8.ValidString(s) && (len(s) <= most || utf8.RuneCountInString(s) <= most)
}

const heightsExpected = "heights from -5 to 5 mm by spaces, nan where missing"

func parseHeights(dst []float64, s string, least, most float64) (heights []float64, bad string) {
	if cap(dst) == 0 {
		dst = make([]float64, 0, strings.Count(s, " ")+1)
	}
	for start := 0; start < len(s); {
		if s[start] == ' ' {
			start++
			continue
		}
		end := start + 1
		for end < len(s) && s[end] != ' ' {
			end++
		}
		word := s[start:end]
		start = end
		x, ok := farm.ParseNumber(word)
		if !ok && word == "nan" {
			x, ok = math.NaN(), true
		}
		if !ok || x < least || x > most {
			return nil, word
		}
		dst = append(dst, x)
	}
	return dst, ""
}

// ParseTime reads RFC 3339 with an offset (an upper or lower case T and Z, any
// number of decimals), in the years 1970 to 9999, and cuts it to the
// microsecond. The result is in UTC.
func ParseTime(s string) (time.Time, bool) {
	// 2026-03-11T20:42:59 is 19 bytes, an offset at least one more.
	if len(s) < 20 || s[4] != '-' || s[7] != '-' || s[10]|0x20 != 't' || s[13] != ':' || s[16] != ':' {
		return time.Time{}, false
	}
	year, ok1 := digits(s[0:4])
	month, ok2 := digits(s[5:7])
	day, ok3 := digits(s[8:10])
	hour, ok4 := digits(s[11:13])
	minute, ok5 := digits(s[14:16])
	second, ok6 := digits(s[17:19])
	if !ok1 || !ok2 || !ok3 || !ok4 || !ok5 || !ok6 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) ||
		hour > 23 || minute > 59 || second > 59 {
		return time.Time{}, false
	}
	rest := s[19:]
	micros := 0
	if rest[0] == '.' {
		n := 1
		for scale := 100_000; n < len(rest) && rest[n] >= '0' && rest[n] <= '9'; n++ {
			micros += int(rest[n]-'0') * scale
			scale /= 10
		}
		if n == 1 || n > 30 || n == len(rest) {
			return time.Time{}, false
		}
		rest = rest[n:]
	}
	offset := 0
	switch {
	case rest == "Z" || rest == "z":
	case len(rest) == 6 && (rest[0] == '+' || rest[0] == '-') && rest[3] == ':':
		h, okh := digits(rest[1:3])
		m, okm := digits(rest[4:6])
		if !okh || !okm || h > 23 || m > 59 {
			return time.Time{}, false
		}
		offset = h*3600 + m*60
		if rest[0] == '-' {
			offset = -offset
		}
	default:
		return time.Time{}, false
	}
	t := time.Unix(daysBefore(year, month, day)*86400+int64(hour*3600+minute*60+second-offset), int64(micros)*1000).UTC()
	if y := t.Year(); y < 1970 || y > 9999 {
		return time.Time{}, false
	}
	return t, true
}

func digits(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

func daysIn(year, month int) int {
	switch month {
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// daysBefore counts days from 1970-01-01 in the proleptic Gregorian calendar,
// with the year taken to begin in March so that the leap day comes last.
func daysBefore(year, month, day int) int64 {
	y, m := int64(year), int64(month)
	if m <= 2 {
		y--
		m += 12
	}
	return 365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + int64(day) - 719469
}

// Stamp writes a time as it goes out: RFC 3339, UTC, with Z, decimals only
// where there are any.
func Stamp(t time.Time) string { return string(AppendStamp(nil, t)) }

// AppendStamp appends a time as it goes out.
func AppendStamp(b []byte, t time.Time) []byte {
	return t.UTC().AppendFormat(b, "2006-01-02T15:04:05.999999Z07:00")
}

// finish checks what takes the whole record: required fields, orders of times,
// fields that need each other. given tells which required fields need no second
// problem because their cell has one already.
func (t *Table) finish(rec any, bad func(field string) bool) []fieldProblem {
	var problems []fieldProblem
	for i := range t.Fields {
		f := &t.Fields[i]
		if f.Required && f.Empty(rec) && !bad(f.Name) {
			problems = append(problems, fieldProblem{f.Name, "", "a value: " + f.Name + " is required"})
		}
	}
	if t.check != nil {
		problems = append(problems, t.check(rec)...)
	}
	if t.Event {
		at, by, why := t.Field("voided_at"), t.Field("voided_by"), t.Field("void_reason")
		if t.Fields[at].Empty(rec) && (!t.Fields[by].Empty(rec) || !t.Fields[why].Empty(rec)) && !bad("voided_at") {
			problems = append(problems, fieldProblem{"voided_at", "", "the time of the voiding, since voided_by or void_reason is given"})
		}
	}
	return problems
}

// Problems is the whole-record check for a record put together in memory (such
// as one that was filled): required fields, orders of times, fields that need
// each other. The field stands in Column.
func (t *Table) Problems(rec any) []fault.Problem {
	var list []fault.Problem
	for _, p := range t.finish(rec, func(string) bool { return false }) {
		list = append(list, fault.Problem{Column: p.Field, Found: p.Found, Expected: p.Expected})
	}
	return list
}

func inOrder(first string, a time.Time, second string, b time.Time) []fieldProblem {
	if a.IsZero() || b.IsZero() || !b.Before(a) {
		return nil
	}
	return []fieldProblem{{second, Stamp(b), "a time not before " + first + " (" + Stamp(a) + ")"}}
}

func checkProbe(r *farm.Probe) []fieldProblem {
	var problems []fieldProblem
	if n := len(r.HeightsMM); n > 0 {
		if r.Columns == 0 {
			problems = append(problems, fieldProblem{"columns", "", "the number of columns, since heights_mm is given"})
		}
		if r.Rows == 0 {
			problems = append(problems, fieldProblem{"rows", "", "the number of rows, since heights_mm is given"})
		}
		if r.Columns > 0 && r.Rows > 0 && n != r.Columns*r.Rows {
			problems = append(problems, fieldProblem{"heights_mm", fmt.Sprintf("%d heights", n),
				fmt.Sprintf("%d heights: %d columns times %d rows", r.Columns*r.Rows, r.Columns, r.Rows)})
		}
	}
	for _, p := range []struct {
		field       string
		least, most float64
	}{{"x_max_mm", r.XMinMM, r.XMaxMM}, {"y_max_mm", r.YMinMM, r.YMaxMM}} {
		if p.most < p.least {
			problems = append(problems, fieldProblem{p.field, string(farm.AppendNumber(nil, p.most)),
				"not less than " + strings.Replace(p.field, "max", "min", 1) + " (" + string(farm.AppendNumber(nil, p.least)) + ")"})
		}
	}
	return problems
}
