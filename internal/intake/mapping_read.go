package intake

import (
	"crypto/sha1" // UUIDv5 is made with it
	"crypto/sha256"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// Log is a foreign log beside its mapping, as a source of one file.
type Log struct {
	Mapping *Mapping
	Name    string // as problems call the file
	Size    int64  // bytes
	Bytes   func() (io.ReadCloser, error)
	Most    int // rows that are read; 0 all
}

// Files lists the log alone.
func (l *Log) Files() []SourceFile { return []SourceFile{{l.Name, l.Size}} }

// Open opens it.
func (l *Log) Open(string) (io.ReadCloser, error) { return l.Bytes() }

// RowReader reads the records of one file.
type RowReader interface {
	Header() (line string, problems []fault.Problem)
	Present() []bool
	Next(row *Row, rec any) (bool, error)
}

// ReaderOf reads a file of a source: a bundle's as it stands, a log's by its
// mapping.
func ReaderOf(s Source, t *Table, src io.Reader, now time.Time) (RowReader, error) {
	if l, ok := s.(*Log); ok {
		return NewLogReader(l, src, now)
	}
	return NewReader(t, src, now)
}

// FileOf is what reports call the file of a table.
func FileOf(s Source, t *Table) string {
	if l, ok := s.(*Log); ok {
		return l.Name
	}
	return t.File
}

// decoded reads a text in any of Encodings as UTF-8. A byte order mark is
// stronger than what is said.
func decoded(src io.Reader, name string) io.Reader {
	var e encoding.Encoding = unicode.UTF8
	switch name {
	case "utf-16le":
		e = unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM)
	case "utf-16be":
		e = unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM)
	case "latin-1":
		e = charmap.ISO8859_1
	case "windows-1252":
		e = charmap.Windows1252
	}
	d := transform.Transformer(e.NewDecoder())
	if e == unicode.UTF8 {
		d = transform.Nop // its own decoder would hide what is no UTF-8
	}
	return transform.NewReader(src, unicode.BOMOverride(d))
}

// LogReader reads a log by its mapping: the records are those our own files
// would give, the places those of the log. Rows that Only leaves out are
// counted.
type LogReader struct {
	mapping *Mapping
	table   *Table
	file    string
	cutter
	parser  *parser
	header  string
	bad     []fault.Problem
	present []bool

	width   int
	fields  []*logField
	only    []onlyColumn
	key     []int
	names   []string // of the key's columns
	unknown map[string]bool
	seen    map[[16]byte]int // rows by key, where each is a record
	leftOut int
	most    int
	read    int
}

type onlyColumn struct {
	column int
	is     map[string]bool
}

// logField makes one field.
type logField struct {
	*Field
	FieldMap
	from, zones []int
	each        []eachZone
	time        *logTime
	words       map[string]string
	zoneWords   map[string]string
}

type eachZone struct {
	zone   string
	column int
}

// NewLogReader reads a log's headings. What is wrong with them (or with the
// mapping) is no error here: its problems are Header's, and every row is refused.
func NewLogReader(l *Log, src io.Reader, now time.Time) (*LogReader, error) {
	m := l.Mapping
	comma := byte(',')
	if m.Delimiter != "" {
		comma = m.Delimiter[0]
	}
	r := &LogReader{mapping: m, file: l.Name, table: m.Table(), most: l.Most, cutter: cutter{src: decoded(src, m.Encoding), comma: comma, line: 1}, parser: newParser(now)}
	if r.bad = m.Problems(); len(r.bad) > 0 {
		return r, nil
	}
	r.skipMark()
	raw, line, problem := "", 1, ""
	for range max(m.HeaderRow, 1) {
		var err error
		if raw, line, problem, err = r.record(); err == io.EOF {
			r.refuse(1, "", "", "a line with the log's headings")
			return r, nil
		} else if err != nil {
			return nil, err
		}
	}
	r.header = raw
	if problem != "" {
		r.refuse(line, "", fault.Shorten(raw), problem)
		return r, nil
	}
	r.bind(line)
	return r, nil
}

func (r *LogReader) refuse(line int, column, found, expected string) {
	r.bad = append(r.bad, fault.Problem{File: r.file, Line: line, Column: column, Found: fault.Shorten(found), Expected: expected})
}

// bind finds the columns the mapping names.
func (r *LogReader) bind(line int) {
	m, at := r.mapping, map[string]int{}
	var headings []string
	for i, h := range r.cells {
		h = strings.TrimSpace(h)
		if _, again := at[h]; again && slices.Contains(m.columns(), h) {
			r.refuse(line, h, h+" a second time", "each heading the mapping reads once")
		}
		at[h] = i
		headings = append(headings, h)
	}
	r.width = len(r.cells)
	missing := map[string]bool{}
	find := func(h string) int {
		i, ok := at[strings.TrimSpace(h)]
		if !ok && !missing[h] {
			missing[h] = true
			r.refuse(line, h, "", "the heading "+h+", which the mapping reads; the log has "+fault.Shorten(strings.Join(headings, ", ")))
		}
		return i
	}
	zone, _ := LoadZone(m.Zone)
	r.present = make([]bool, len(r.table.Fields))
	r.present[0] = true
	for _, name := range slices.Sorted(maps.Keys(m.Fields)) {
		fm := m.Fields[name]
		f := &logField{Field: &r.table.Fields[r.table.Field(name)], FieldMap: fm, words: folded(fm.Words), zoneWords: folded(fm.ZoneWords)}
		for _, h := range fm.From {
			f.from = append(f.from, find(h))
		}
		for _, h := range fm.ZonesFrom {
			f.zones = append(f.zones, find(h))
		}
		for _, z := range slices.Sorted(maps.Keys(fm.Each)) {
			f.each = append(f.each, eachZone{z, find(fm.Each[z])})
		}
		if f.Type == Time {
			f.time = &logTime{order: fm.Order, zone: zone, twice: m.Twice, century: m.Century, at: fm.At}
		}
		r.fields = append(r.fields, f)
		r.present[r.table.Field(name)] = true
	}
	for _, o := range m.Only {
		is := map[string]bool{}
		for _, w := range o.Is {
			is[fold(w)] = true
		}
		r.only = append(r.only, onlyColumn{find(o.Column), is})
	}
	keys := m.Key
	if len(keys) == 0 {
		keys = m.columns()
	}
	for _, h := range keys {
		r.key, r.names = append(r.key, find(h)), append(r.names, h)
	}
	r.unknown = map[string]bool{"": true}
	for _, w := range m.Unknown {
		r.unknown[fold(w)] = true
	}
	if m.SameRows == "each" {
		r.seen = map[[16]byte]int{}
	}
}

func fold(s string) string { return strings.ToLower(strings.TrimSpace(s)) }

func folded(words map[string]string) map[string]string {
	out := make(map[string]string, len(words))
	for w, ours := range words {
		out[fold(w)] = ours
	}
	return out
}

// Header is the line of headings and what is wrong with it or with the mapping.
func (r *LogReader) Header() (line string, problems []fault.Problem) { return r.header, r.bad }

// Present tells by field whether the mapping fills it.
func (r *LogReader) Present() []bool {
	if r.present == nil && r.table != nil {
		return make([]bool, len(r.table.Fields))
	}
	return r.present
}

// LeftOut counts the rows so far that the mapping leaves out.
func (r *LogReader) LeftOut() int { return r.leftOut }

// Next reads the next row that counts; see Reader.Next.
func (r *LogReader) Next(row *Row, rec any) (bool, error) {
	for {
		r.table.reset(rec)
		row.Problems = row.Problems[:0]
		if r.most > 0 && r.read >= r.most {
			return false, nil
		}
		raw, line, problem, err := r.record()
		if err == io.EOF {
			return false, nil
		}
		if err != nil {
			return false, fmt.Errorf("%s, line %d: %w", r.file, r.line, err)
		}
		row.Line, row.Raw = line, raw
		switch {
		case len(r.bad) > 0:
			return true, nil
		case problem != "":
			r.add(row, "", fault.Shorten(raw), problem)
			return true, nil
		case len(r.cells) != r.width:
			r.add(row, "", fmt.Sprintf("%d cells", len(r.cells)), fmt.Sprintf("%d cells, as in the headings", r.width))
			return true, nil
		case strings.ContainsRune(raw, '\uFFFD') && r.mapping.Encoding != "" && r.mapping.Encoding != "utf-8":
			r.add(row, "", fault.Shorten(raw), "text in "+r.mapping.Encoding+", as the mapping says")
			return true, nil
		}
		if !r.counts() {
			r.leftOut++
			continue
		}
		r.read++
		r.fill(row, rec)
		return true, nil
	}
}

func (r *LogReader) counts() bool {
	for _, o := range r.only {
		if !o.is[fold(r.cells[o.column])] {
			return false
		}
	}
	return true
}

func (r *LogReader) add(row *Row, column, found, expected string) {
	row.Problems = append(row.Problems, fault.Problem{File: r.file, Line: row.Line, Column: column,
		Found: strings.ToValidUTF8(strings.Clone(found), "\uFFFD"), Expected: expected})
}

// fill makes the record of the row that was cut.
func (r *LogReader) fill(row *Row, rec any) {
	wrong := map[string]bool{}
	for _, f := range r.fields {
		text, found, expected := r.text(f)
		if expected == "" && text != "" {
			if _, expected = r.parser.parse(r.table, f.Field, text, rec); expected != "" && found == "" {
				found = text
			}
		}
		if expected != "" {
			wrong[f.Name] = true
			r.add(row, r.heading(f), found, expected)
		}
	}
	*r.table.Fields[0].At(rec).(*farm.ID) = r.id()
	for _, p := range r.table.finish(rec, func(field string) bool { return wrong[field] }) {
		column := p.Field
		for _, f := range r.fields {
			if f.Name == p.Field {
				column = r.heading(f)
			}
		}
		r.add(row, column, p.Found, p.Expected)
	}
}

// id is the same for the same row, whichever file it comes in: UUIDv5 of the
// mapping's name, the kind, and the cells that tell rows apart.
func (r *LogReader) id() farm.ID {
	h := sha256.New()
	_, _ = fmt.Fprintf(h, "%q %q", r.mapping.Name, r.mapping.Kind)
	for i, c := range r.key {
		_, _ = fmt.Fprintf(h, " %q=%q", r.names[i], strings.TrimSpace(r.cells[c]))
	}
	if r.seen != nil {
		var key [16]byte
		copy(key[:], h.Sum(nil))
		r.seen[key]++
		_, _ = fmt.Fprintf(h, " %d", r.seen[key])
	}
	sum := sha1.Sum(append(append(farm.Namespace.Bytes(), "log/"...), h.Sum(nil)...))
	u := uuid.UUID(sum[:16])
	u.SetVersion(uuid.V5)
	u.SetVariant(uuid.VariantRFC9562)
	return farm.ID{UUID: u}
}

// Place is where a field stands in the log: its headings, or its own name.
func (l *Log) Place(field string) string {
	fm := l.Mapping.Fields[field]
	if list := slices.Concat(fm.From, fm.ZonesFrom); len(list) > 0 {
		return strings.Join(list, " + ")
	}
	return field
}

// Above is what a file of some of the log's rows has above them, so that the
// same mapping reads it: a byte order mark, where the log is not in UTF-8, and
// lines in the place of those above the headings.
func (l *Log) Above() string {
	above := strings.Repeat("-\r\n", max(l.Mapping.HeaderRow, 1)-1)
	if e := l.Mapping.Encoding; e != "" && e != "utf-8" {
		above = "\ufeff" + above
	}
	return above
}
