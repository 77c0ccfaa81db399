package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Survey is what a log shows before any mapping: how it is written, its headings
// and what stands below them.
type Survey struct {
	Encoding, Delimiter string
	HeaderRow           int
	Reasons             []Reason
	Columns             []ColumnSurvey
	Rows                int
}

// Reason says why something is suggested, or what has to be said. Ask: nothing
// in the log decides it.
type Reason struct {
	Field string // of the kind; "" the log as a whole
	Words string
	Ask   bool
}

// ColumnSurvey is one column.
type ColumnSurvey struct {
	Heading string
	Values  []ValueSurvey // different ones, as they first came; the first mostValues
	More    bool          // there are more different ones
	Filled  int           // cells that say something

	dates   dateSurvey
	numbers int // cells that are numbers with either decimal sign
	comma   int // line of the first number with a decimal comma
	point   int
}

// ValueSurvey is one text of a column.
type ValueSurvey struct {
	Text  string
	Count int
	Line  int // where it first stands
}

const (
	mostValues   = 100
	mostSurveyed = 200_000 // rows
	longestValue = 100
)

type dateSurvey struct {
	dates, clocks, offsets, twoDigits, yearFirst, seconds, millis int
	dayFirst, monthFirst                                          string // the text that shows it
	dayLine, monthLine, day, month                                int
}

// Look reads a log as it stands. What is said already (encoding, delimiter, row
// of the headings; "" and 0 are found out) is kept.
func Look(src io.Reader, encoding, delimiter string, headerRow int) (*Survey, error) {
	s := &Survey{Encoding: encoding, Delimiter: delimiter, HeaderRow: max(headerRow, 1)}
	head := make([]byte, 64<<10)
	n, err := io.ReadFull(src, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return nil, err
	}
	head = head[:n]
	if s.Encoding == "" {
		s.encoding(head, n == 64<<10)
	}
	if s.Delimiter == "" {
		text, _ := io.ReadAll(decoded(bytes.NewReader(head), s.Encoding))
		s.delimiter(string(text), s.HeaderRow)
	}
	r := &cutter{src: decoded(io.MultiReader(bytes.NewReader(head), src), s.Encoding), comma: s.Delimiter[0], line: 1}
	r.skipMark()
	for range s.HeaderRow {
		if _, _, _, err = r.record(); errors.Is(err, io.EOF) {
			return s, nil
		} else if err != nil {
			return nil, err
		}
	}
	for _, h := range r.cells {
		s.Columns = append(s.Columns, ColumnSurvey{Heading: strings.ToValidUTF8(strings.TrimSpace(h), "\uFFFD")})
	}
	places := make([]map[string]int, len(s.Columns))
	for s.Rows < mostSurveyed {
		_, line, problem, err := r.record()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		s.Rows++
		if problem != "" {
			continue
		}
		for i := range min(len(r.cells), len(s.Columns)) {
			if places[i] == nil {
				places[i] = map[string]int{}
			}
			s.Columns[i].take(strings.TrimSpace(r.cells[i]), line, places[i])
		}
	}
	return s, nil
}

func (s *Survey) encoding(head []byte, cut bool) {
	set := func(name, words string) {
		s.Encoding = name
		s.Reasons = append(s.Reasons, Reason{Words: words})
	}
	zeros := [2]int{}
	for i, b := range head {
		if b == 0 {
			zeros[i&1]++
		}
	}
	valid := head
	for range 3 { // the last character may be cut
		if cut && len(valid) > 0 && !utf8.Valid(valid) {
			valid = valid[:len(valid)-1]
		}
	}
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		set("utf-8", "UTF-8: the file begins with its mark.")
	case bytes.HasPrefix(head, []byte("\xff\xfe")):
		set("utf-16le", "UTF-16: the file begins with its mark.")
	case bytes.HasPrefix(head, []byte("\xfe\xff")):
		set("utf-16be", "UTF-16: the file begins with its mark.")
	case zeros[1] > len(head)/4 && zeros[0] < len(head)/20:
		set("utf-16le", "UTF-16: every second byte is zero.")
	case zeros[0] > len(head)/4 && zeros[1] < len(head)/20:
		set("utf-16be", "UTF-16: every second byte is zero.")
	case utf8.Valid(valid):
		set("utf-8", "UTF-8: every character is one.")
	default:
		at := 0
		for at < len(head) {
			c, n := utf8.DecodeRune(head[at:])
			if c == utf8.RuneError && n <= 1 {
				break
			}
			at += n
		}
		line := 1 + bytes.Count(head[:at], []byte("\n"))
		set("windows-1252", fmt.Sprintf("Western European (Windows-1252): a byte in line %d is no UTF-8. Look at its letters in the preview.", line))
	}
}

// delimiter takes the sign that parts most lines into the same number of cells.
func (s *Survey) delimiter(text string, headerRow int) {
	lines := strings.Split(text, "\n")
	if len(lines) > 1 {
		lines = lines[:len(lines)-1]
	}
	lines = lines[min(headerRow-1, len(lines)-1):]
	lines = lines[:min(len(lines), 20)]
	best, bestLines, bestCount := "", 0, 0
	for _, d := range Delimiters {
		n := countOutside(lines[0], d[0])
		same := 0
		for _, l := range lines {
			if n > 0 && countOutside(l, d[0]) == n {
				same++
			}
		}
		if same > bestLines || same == bestLines && n > bestCount {
			best, bestLines, bestCount = d, same, n
		}
	}
	if best == "" {
		s.Delimiter = ","
		s.Reasons = append(s.Reasons, Reason{Words: "The first line has one heading: nothing parts cells in it.", Ask: true})
		return
	}
	s.Delimiter = best
	s.Reasons = append(s.Reasons, Reason{Words: fmt.Sprintf("Cells are parted by a %s: %d of the first %d lines have %d of them.", commaWord(best[0]), bestLines, len(lines), bestCount)})
}

func countOutside(line string, c byte) int {
	n, quoted := 0, false
	for i := range len(line) {
		switch {
		case line[i] == '"':
			quoted = !quoted
		case line[i] == c && !quoted:
			n++
		}
	}
	return n
}

func (c *ColumnSurvey) take(cell string, line int, places map[string]int) {
	if cell == "" {
		return
	}
	c.Filled++
	c.dates.take(cell, line)
	if sign, ok := numberSign(cell); ok {
		c.numbers++
		switch {
		case sign == ',' && c.comma == 0:
			c.comma = line
		case sign == '.' && c.point == 0:
			c.point = line
		}
	}
	if len(cell) > longestValue {
		c.More = true
		return
	}
	if i, known := places[cell]; known {
		c.Values[i].Count++
		return
	}
	if len(c.Values) == mostValues {
		c.More = true
		return
	}
	cell = strings.ToValidUTF8(strings.Clone(cell), "\uFFFD")
	places[cell] = len(c.Values)
	c.Values = append(c.Values, ValueSurvey{cell, 1, line})
}

// numberSign tells whether a cell is a number with one decimal sign or none,
// and which.
func numberSign(s string) (sign byte, ok bool) {
	s = strings.TrimSpace(strings.TrimRight(s, "mMµμu \u00a0"))
	s = strings.TrimLeft(s, "+-\u2212")
	if s == "" {
		return 0, false
	}
	for i := range len(s) {
		switch b := s[i]; {
		case b >= '0' && b <= '9':
		case (b == '.' || b == ',') && sign == 0:
			sign = b
		default:
			return 0, false
		}
	}
	return sign, true
}

func (d *dateSurvey) take(cell string, line int) {
	if n, ok := digits(cell); ok && (len(cell) == 10 || len(cell) == 13) && n > 0 {
		if len(cell) == 10 {
			d.seconds++
		} else {
			d.millis++
		}
		return
	}
	date, clock := splitDate(cell)
	if c, ok := readClock(either(clock, cell)); ok {
		d.clocks++
		if c.offset != nil {
			d.offsets++
		}
	}
	parts := dateParts(date)
	if len(parts) == 4 && notNumber(parts[0]) {
		parts = parts[1:]
	}
	if len(parts) == 1 && len(date) == 8 && !notNumber(date) && (date[:2] == "19" || date[:2] == "20") {
		d.dates++
		d.yearFirst++
		return
	}
	if len(parts) != 3 {
		return
	}
	first, isFirst := digits(parts[0])
	second, isSecond := digits(parts[1])
	_, isThird := digits(parts[2])
	if !isThird || !isFirst && monthOf(parts[0]) == 0 || !isSecond && monthOf(parts[1]) == 0 {
		return
	}
	d.dates++
	if len(parts[0]) == 4 && isFirst {
		d.yearFirst++
		return
	}
	if len(parts[2]) == 2 {
		d.twoDigits++
	}
	switch {
	case (isFirst && first > 12 && len(parts[2]) == 4 || !isSecond) && d.dayFirst == "":
		d.dayFirst, d.dayLine, d.day = strings.Clone(cell), line, first
	case (isSecond && second > 12 || !isFirst) && d.monthFirst == "":
		d.monthFirst, d.monthLine, d.month = strings.Clone(cell), line, second
	}
}
