package farm

import (
	"slices"
	"strconv"
	"strings"
)

// Text is the zone as people write it: column letter from the left, row number
// from the front ("A1" front left).
func (z Zone) Text() string { return string([]byte{'A' + z.Col, '1' + z.Row}) }

// In tells whether the zone lies on a grid of cols by rows.
func (z Zone) In(cols, rows int) bool { return int(z.Col) < cols && int(z.Row) < rows }

// Compare orders zones as their texts: by column, then by row.
func (z Zone) Compare(o Zone) int {
	if z.Col != o.Col {
		return int(z.Col) - int(o.Col)
	}
	return int(z.Row) - int(o.Row)
}

// ParseZone reads a zone from A1 to I9.
func ParseZone(s string) (Zone, bool) {
	if len(s) != 2 || s[0] < 'A' || s[0] > 'I' || s[1] < '1' || s[1] > '9' {
		return Zone{}, false
	}
	return Zone{s[0] - 'A', s[1] - '1'}, true
}

// MarkCode tells whether a text is one of the marks, and gives the list's own
// copy of it.
func MarkCode(s string) (string, bool) {
	for _, m := range Marks {
		if m == s {
			return m, true
		}
	}
	return "", false
}

// ParseMarks reads marks from the bundle's text, "A1:nozzle_low:2" by spaces,
// and orders them. When it cannot, bad is the word at fault and expected says
// what should stand there.
func ParseMarks(s string) (marks []Mark, bad, expected string) {
	for word := range strings.SplitSeq(s, " ") {
		if word == "" {
			continue
		}
		m, ok := parseMark(word)
		if !ok {
			return nil, word, "ZONE:MARK:SEVERITY with a zone A1 to I9, one of the marks " + strings.Join(Marks, " ") + " and a severity 1 to 3"
		}
		marks = append(marks, m)
	}
	if again, ok := SortMarks(marks); ok {
		return nil, again.Zone.Text() + ":" + again.Mark, "each mark once in a zone"
	}
	return marks, "", ""
}

func parseMark(word string) (Mark, bool) {
	n := len(word)
	if n < 6 || word[2] != ':' || word[n-2] != ':' || word[n-1] < '1' || word[n-1] > '3' {
		return Mark{}, false
	}
	z, ok := ParseZone(word[:2])
	code, known := MarkCode(word[3 : n-2])
	return Mark{z, code, word[n-1] - '0'}, ok && known
}

// SortMarks orders marks by zone and mark, and gives a mark that stands twice
// in one zone, if any.
func SortMarks(marks []Mark) (again Mark, found bool) {
	slices.SortFunc(marks, func(a, b Mark) int {
		if c := a.Zone.Compare(b.Zone); c != 0 {
			return c
		}
		return strings.Compare(a.Mark, b.Mark)
	})
	for i := 1; i < len(marks); i++ {
		if marks[i].Zone == marks[i-1].Zone && marks[i].Mark == marks[i-1].Mark {
			return marks[i], true
		}
	}
	return Mark{}, false
}

// AppendMarks writes marks in the bundle's text.
func AppendMarks(b []byte, marks []Mark) []byte {
	for i, m := range marks {
		if i > 0 {
			b = append(b, ' ')
		}
		b = append(b, 'A'+m.Zone.Col, '1'+m.Zone.Row, ':')
		b = append(b, m.Mark...)
		b = append(b, ':', '0'+m.Severity)
	}
	return b
}

// Range of a reading in mm.
const (
	LeastReadingMM = 0.05
	MostReadingMM  = 1.00
)

// ParseReadings reads readings from the bundle's text, "A1=0.18" or "A1=0.21p"
// (a patch) by spaces, and orders them. When it cannot, bad is the word at
// fault and expected says what should stand there.
func ParseReadings(s string) (readings []Reading, bad, expected string) {
	for word := range strings.SplitSeq(s, " ") {
		if word == "" {
			continue
		}
		r, ok := parseReading(word)
		if !ok {
			return nil, word, "ZONE=MM with a zone A1 to I9 and 0.05 to 1 mm, with p behind for a patch"
		}
		readings = append(readings, r)
	}
	SortReadings(readings)
	return readings, "", ""
}

func parseReading(word string) (Reading, bool) {
	if len(word) < 4 || word[2] != '=' {
		return Reading{}, false
	}
	z, ok := ParseZone(word[:2])
	number, patch := strings.CutSuffix(word[3:], "p")
	mm, isNumber := ParseNumber(number)
	return Reading{z, mm, patch}, ok && isNumber && mm >= LeastReadingMM && mm <= MostReadingMM
}

// SortReadings orders readings by zone, thickness and sort.
func SortReadings(readings []Reading) {
	slices.SortFunc(readings, func(a, b Reading) int {
		switch c := a.Zone.Compare(b.Zone); {
		case c != 0:
			return c
		case a.MM != b.MM && a.MM < b.MM:
			return -1
		case a.MM != b.MM:
			return 1
		case a.Patch == b.Patch:
			return 0
		case b.Patch:
			return -1
		default:
			return 1
		}
	})
}

// AppendReadings writes readings in the bundle's text.
func AppendReadings(b []byte, readings []Reading) []byte {
	for i, r := range readings {
		if i > 0 {
			b = append(b, ' ')
		}
		b = append(b, 'A'+r.Zone.Col, '1'+r.Zone.Row, '=')
		b = AppendNumber(b, r.MM)
		if r.Patch {
			b = append(b, 'p')
		}
	}
	return b
}

// ParseZones reads zones by spaces, orders them and drops repeats. When it
// cannot, bad is the word at fault.
func ParseZones(s string) (zones []Zone, bad, expected string) {
	for word := range strings.SplitSeq(s, " ") {
		if word == "" {
			continue
		}
		z, ok := ParseZone(word)
		if !ok {
			return nil, word, "zones A1 to I9 by spaces"
		}
		zones = append(zones, z)
	}
	slices.SortFunc(zones, Zone.Compare)
	return slices.Compact(zones), "", ""
}

// AppendZones writes zones by spaces.
func AppendZones(b []byte, zones []Zone) []byte {
	for i, z := range zones {
		if i > 0 {
			b = append(b, ' ')
		}
		b = append(b, 'A'+z.Col, '1'+z.Row)
	}
	return b
}

var tens = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// ParseNumber reads a finite decimal number with a dot: digits, at most one
// dot, an optional sign and an optional exponent; nothing else (no hexadecimal,
// no "inf", no "nan", no separators).
func ParseNumber(s string) (float64, bool) {
	// A mantissa below 2^53 over a power of ten up to 10^15 is one correctly
	// rounded division, because both are exact.
	var mantissa uint64
	digits, decimals, i := 0, -1, 0
	negative := false
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		negative = s[i] == '-'
		i++
	}
	for ; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			mantissa = mantissa*10 + uint64(c-'0')
			digits++
			if decimals >= 0 {
				decimals++
			}
		case c == '.' && decimals < 0:
			decimals = 0
		default:
			return parseSlowly(s)
		}
		if digits > 15 {
			return parseSlowly(s)
		}
	}
	if digits == 0 {
		return 0, false
	}
	x := float64(mantissa)
	if decimals > 0 {
		x /= tens[decimals]
	}
	if negative && x != 0 {
		x = -x
	}
	return x, true
}

func parseSlowly(s string) (float64, bool) {
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, false
	}
	return x + 0, true // no negative zero
}

// AppendNumber writes a number so that it reads back as the same number.
func AppendNumber(b []byte, x float64) []byte {
	if a := max(x, -x); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.AppendFloat(b, x, 'e', -1, 64)
	}
	return strconv.AppendFloat(b, x+0, 'f', -1, 64)
}
