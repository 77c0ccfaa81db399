package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"basecourse/internal/fault"
)

// longestRecord bounds one record of a CSV file, so that a quote left open
// cannot swallow a whole file into memory.
const longestRecord = 4 << 20

// Row is one record of a file.
type Row struct {
	Line     int    // physical line on which the record starts; the header is 1
	Raw      string // the record as it stood, with its line end
	Problems []fault.Problem
}

// Reader reads one CSV file of the bundle. It is RFC 4180 to the byte, which
// the standard library's reader is not: that one drops a carriage return inside
// a quoted cell, and the bundle is lossless. Beyond the RFC it takes lines that
// end in LF alone, skips lines that are empty and a byte order mark.
type Reader struct {
	Table *Table

	cutter
	header  string
	columns []*Field // by position
	bad     []fault.Problem
	parser  *parser
}

// cutter cuts a text into records and records into cells.
type cutter struct {
	src     io.Reader
	comma   byte   // what parts cells
	buf     []byte // bytes read and not yet used are buf[pos:]
	pos     int
	done    bool
	readErr error

	line    int // of the next record
	cells   []string
	unbound strings.Builder
}

// NewReader reads the header of a file. now is the server's time: no time may
// lie further ahead of it than AheadLimit. A wrong header is no error here: its
// problems are Header's, and every row is refused. The error is of reading.
func NewReader(t *Table, src io.Reader, now time.Time) (*Reader, error) {
	r := &Reader{Table: t, cutter: cutter{src: src, comma: ',', line: 1}, parser: newParser(now)}
	r.skipMark()
	raw, line, problem, err := r.record()
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if raw == "" {
		r.header = t.HeaderLine()
		r.bad = []fault.Problem{{File: t.File, Line: 1, Found: "", Expected: "a header line with the columns " + t.columnNames()}}
		return r, nil
	}
	r.header = raw
	if problem != "" {
		r.bad = []fault.Problem{{File: t.File, Line: line, Found: raw, Expected: problem}}
		return r, nil
	}
	r.readHeader(line)
	return r, nil
}

func (r *Reader) readHeader(line int) {
	t := r.Table
	seen := map[string]bool{}
	for _, name := range r.cells {
		i := t.Field(name)
		switch {
		case i < 0:
			r.bad = append(r.bad, fault.Problem{File: t.File, Line: line, Column: name, Found: name, Expected: "one of the columns " + t.columnNames()})
			r.columns = append(r.columns, nil)
			continue
		case seen[name]:
			r.bad = append(r.bad, fault.Problem{File: t.File, Line: line, Column: name, Found: name + " a second time", Expected: "each column once"})
		}
		seen[name] = true
		r.columns = append(r.columns, &t.Fields[i])
	}
	for _, f := range t.Fields {
		if f.Required && !seen[f.Name] {
			r.bad = append(r.bad, fault.Problem{File: t.File, Line: line, Column: f.Name, Found: "", Expected: "the column " + f.Name + ", which is required"})
		}
	}
}

// HeaderLine is the header with every column, as exports write it.
func (t *Table) HeaderLine() string {
	names := make([]string, len(t.Fields))
	for i, f := range t.Fields {
		names[i] = f.Name
	}
	return strings.Join(names, ",") + "\r\n"
}

func (t *Table) columnNames() string {
	return strings.TrimSuffix(strings.ReplaceAll(t.HeaderLine(), ",", " "), "\r\n")
}

// Header is the header line as it stood, and what is wrong with it.
func (r *Reader) Header() (line string, problems []fault.Problem) { return r.header, r.bad }

// Present tells by field of the table whether the file has a column for it.
func (r *Reader) Present() []bool {
	present := make([]bool, len(r.Table.Fields))
	for _, f := range r.columns {
		if f != nil {
			present[r.Table.Field(f.Name)] = true
		}
	}
	return present
}

// Next reads the next record into rec (which is emptied first) and row. It
// returns false at the end, and an error when the file cannot be read. After a
// wrong header rows are only counted: they have no problems of their own.
func (r *Reader) Next(row *Row, rec any) (bool, error) {
	r.Table.reset(rec)
	row.Problems = row.Problems[:0]
	raw, line, problem, err := r.record()
	if errors.Is(err, io.EOF) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("%s, line %d: %w", r.Table.File, r.line, err)
	}
	row.Line, row.Raw = line, raw
	if len(r.bad) > 0 {
		return true, nil
	}
	if problem != "" {
		r.add(row, "", fault.Shorten(raw), problem)
		return true, nil
	}
	if len(r.cells) != len(r.columns) {
		r.add(row, "", fmt.Sprintf("%d cells", len(r.cells)), fmt.Sprintf("%d cells, as in the header", len(r.columns)))
		return true, nil
	}
	for i, cell := range r.cells {
		if cell == "" {
			continue
		}
		f := r.columns[i]
		if found, expected := r.parser.parse(r.Table, f, cell, rec); expected != "" {
			r.add(row, f.Name, found, expected)
		}
	}
	for _, p := range r.Table.finish(rec, func(field string) bool {
		return slices.ContainsFunc(row.Problems, func(p fault.Problem) bool { return p.Column == field })
	}) {
		r.add(row, p.Field, p.Found, p.Expected)
	}
	return true, nil
}

func (r *Reader) add(row *Row, column, found, expected string) {
	row.Problems = append(row.Problems, fault.Problem{File: r.Table.File, Line: row.Line, Column: column,
		Found: strings.ToValidUTF8(strings.Clone(found), "\uFFFD"), Expected: expected})
}

// record cuts the next record into r.cells. problem is set when it is no
// RFC 4180 record; then the cells mean nothing. The error is io.EOF at the end.
func (r *cutter) record() (raw string, line int, problem string, err error) {
	for {
		raw, newlines, err := r.cut()
		if err != nil {
			return "", 0, "", err
		}
		line = r.line
		r.line += newlines
		body := strings.TrimSuffix(strings.TrimSuffix(raw, "\n"), "\r")
		if !strings.HasSuffix(raw, "\n") {
			body = raw
		}
		if body == "" {
			continue
		}
		return raw, line, r.split(body), nil
	}
}

// cut takes the bytes of the next record, with its line end, and counts its
// line ends. A line end inside quotes belongs to the record.
func (r *cutter) cut() (raw string, newlines int, err error) {
	scanned, inQuotes := 0, false
	for {
		rest := r.buf[r.pos+scanned:]
		nl := bytes.IndexByte(rest, '\n')
		if nl >= 0 {
			inQuotes = endsInQuotes(rest[:nl], inQuotes, r.comma)
			scanned += nl + 1
			newlines++
			if inQuotes && scanned < longestRecord {
				continue
			}
			raw = string(r.buf[r.pos : r.pos+scanned])
			r.pos += scanned
			return raw, newlines, nil
		}
		if r.done || len(r.buf)-r.pos > longestRecord {
			if r.readErr != nil {
				return "", 0, r.readErr
			}
			raw = string(r.buf[r.pos:])
			r.pos = len(r.buf)
			if raw == "" {
				return "", 0, io.EOF
			}
			return raw, newlines, nil
		}
		r.fill()
	}
}

// endsInQuotes tells whether a physical line ends inside a quoted cell. A quote
// opens a cell only where the cell begins; anywhere else it is a mistake of that
// record, which must not swallow the records after it.
func endsInQuotes(line []byte, inQuotes bool, comma byte) bool {
	if bytes.IndexByte(line, '"') < 0 {
		return inQuotes
	}
	cellStart := !inQuotes
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case inQuotes && c == '"' && i+1 < len(line) && line[i+1] == '"':
			i++
		case inQuotes && c == '"':
			inQuotes = false
		case inQuotes:
		case c == '"' && cellStart:
			inQuotes = true
		}
		cellStart = !inQuotes && line[i] == comma
	}
	return inQuotes
}

// fill reads more bytes behind those not yet used.
func (r *cutter) fill() {
	const step = 256 << 10
	if r.pos > 0 {
		n := copy(r.buf, r.buf[r.pos:])
		r.buf, r.pos = r.buf[:n], 0
	}
	r.buf = slices.Grow(r.buf, step)
	n, err := r.src.Read(r.buf[len(r.buf):cap(r.buf)])
	r.buf = r.buf[:len(r.buf)+n]
	if err != nil {
		r.done = true
		if !errors.Is(err, io.EOF) {
			r.readErr = err
		}
	}
}

// skipMark skips a byte order mark.
func (r *cutter) skipMark() {
	r.fillTo(3)
	if bytes.HasPrefix(r.buf[r.pos:], []byte("\xef\xbb\xbf")) {
		r.pos += 3
	}
}

func (r *cutter) fillTo(n int) {
	for !r.done && len(r.buf)-r.pos < n {
		r.fill()
	}
}

// split cuts a record's body into cells.
func (r *cutter) split(body string) (problem string) {
	r.cells = r.cells[:0]
	if len(body) >= longestRecord {
		return "a record of at most 4 MB: is a quote left open?"
	}
	if strings.IndexByte(body, 0) >= 0 {
		return "text without NUL"
	}
	if !utf8.ValidString(body) {
		return "text in UTF-8"
	}
	for {
		if body != "" && body[0] == '"' {
			cell, rest, ok := r.quoted(body)
			if !ok {
				return "a quoted cell that ends with a quote before the next " + commaWord(r.comma) + " or line end"
			}
			r.cells = append(r.cells, cell)
			if rest == "" {
				return ""
			}
			body = rest[1:]
			continue
		}
		cell, rest, more := cutByte(body, r.comma)
		if strings.IndexByte(cell, '"') >= 0 || strings.IndexByte(cell, '\r') >= 0 {
			return "quotes and carriage returns only inside a cell that is quoted as a whole, quotes there twice"
		}
		r.cells = append(r.cells, cell)
		if !more {
			return ""
		}
		body = rest
	}
}

// quoted takes a quoted cell off the front; rest is empty or begins with a
// comma.
func (r *cutter) quoted(body string) (cell, rest string, ok bool) {
	end := strings.IndexByte(body[1:], '"')
	if end < 0 {
		return "", "", false
	}
	cell, rest = body[1:1+end], body[end+2:]
	if rest != "" && rest[0] == '"' { // a doubled quote inside
		r.unbound.Reset()
		for rest != "" && rest[0] == '"' {
			r.unbound.WriteString(cell)
			r.unbound.WriteByte('"')
			end = strings.IndexByte(rest[1:], '"')
			if end < 0 {
				return "", "", false
			}
			cell, rest = rest[1:1+end], rest[end+2:]
		}
		r.unbound.WriteString(cell)
		cell = strings.Clone(r.unbound.String())
	}
	return cell, rest, rest == "" || rest[0] == r.comma
}

// AppendCell writes one cell by RFC 4180, quoted only where it must be.
func AppendCell(b []byte, cell []byte) []byte {
	if !bytes.ContainsAny(cell, "\",\r\n") {
		return append(b, cell...)
	}
	b = append(b, '"')
	for _, c := range cell {
		if c == '"' {
			b = append(b, '"')
		}
		b = append(b, c)
	}
	return append(b, '"')
}

func cutByte(s string, c byte) (before, after string, found bool) {
	if i := strings.IndexByte(s, c); i >= 0 {
		return s[:i], s[i+1:], true
	}
	return s, "", false
}

func commaWord(c byte) string {
	switch c {
	case ';':
		return "semicolon"
	case '\t':
		return "tab"
	case '|':
		return "|"
	}
	return "comma"
}
