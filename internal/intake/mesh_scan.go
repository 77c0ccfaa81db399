package intake

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// What a word of a mesh text is.
type cellIs uint8

const (
	isWord   cellIs = iota // text that says something else
	isLabel                // name of a row or column: R1, 3:, A
	isNumber               // x holds it
	isMissing
	isInfinite
	isEmpty // nothing between two delimiters
)

// meshCell is one word of a text and its place.
type meshCell struct {
	is        cellIs
	text      string
	line, col int // from 1
	x         float64
	dot       bool // written with a decimal point, comma or exponent
	boxed     bool // alone in brackets
	key       bool // a word directly before a value: x=, Z:
}

func (c *meshCell) value() bool { return c.is >= isNumber }

// meshLine is one line, or one innermost bracket of a text that has several on a
// line.
type meshLine struct {
	no      int
	cells   []meshCell // the run of values taken for a row: numbers, missing, empty
	before  []meshCell // words and labels before it
	after   []meshCell
	all     []meshCell // every word in order
	ruler   bool       // only dashes and the like, or blank
	mixed   *meshCell  // where separators change within the row
	open    bool       // a first, a last cell that may be the border: the line begins (ends) with a delimiter
	close   bool
	bracket bool
	tabs    bool // cells stand between tabs: two of them may be one step of alignment
}

// total counts names, words and cells, empty ones too.
func (l *meshLine) total() int { return len(l.before) + len(l.cells) + len(l.after) }

func (l *meshLine) words() (n int) {
	for _, list := range [][]meshCell{l.before, l.after} {
		for _, c := range list {
			if c.is == isWord {
				n++
			}
		}
	}
	return n
}

func (l *meshLine) wordsText() string {
	var out []string
	for _, list := range [][]meshCell{l.before, l.after} {
		for _, c := range list {
			if c.is == isWord {
				out = append(out, strings.ToLower(c.text))
			}
		}
	}
	return strings.Join(out, " ")
}

func (l *meshLine) values() (n int) {
	for i := range l.all {
		if l.all[i].value() && l.all[i].is != isEmpty {
			n++
		}
	}
	return n
}

func (l *meshLine) dots() bool {
	return slices.ContainsFunc(l.all, func(c meshCell) bool { return c.is == isNumber && c.dot })
}

// stamps are times and dates: they are blanked before anything else is read.
var stamps = regexp.MustCompile(`(^|[\s\[(|,;>])(\d{4}-\d{2}-\d{2}(?:[T _]\d{2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?)?|\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?|\d{1,2}/\d{1,2}/\d{2,4}|\d{1,2}\.\d{1,2}\.\d{4})($|[\s\])|,;:>])`)

func blankStamps(line string) string {
	if !strings.ContainsAny(line, ":-/.") {
		return line
	}
	out := []byte(line)
	for from := 0; ; {
		at := stamps.FindStringSubmatchIndex(line[from:])
		if at == nil {
			return string(out)
		}
		for i := from + at[4]; i < from+at[5]; i++ {
			out[i] = ' '
		}
		from += at[5] // what ends one may begin the next
	}
}

var (
	numberRE = regexp.MustCompile(`^[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$`)
	labelRE  = regexp.MustCompile(`^#?(?:[A-Za-z]{1,4}[-_#]?\d{1,4}|[A-Za-z]|\d{1,4})[.:)#]*$`)
	keyRE    = regexp.MustCompile(`^([A-Za-z_]+)[=:](.+)$`)
	numKeyRE = regexp.MustCompile(`^(\d{1,3})[=:](.*[.,].*)$`)
	infRE    = regexp.MustCompile(`(?i)^[+-]?(?:inf|infinity|∞)$`)
	nanRE    = regexp.MustCompile(`(?i)^[+-]?nan(?:\([a-z]*\))?$`)
	minusRE  = strings.NewReplacer("\u2212", "-", "\u2010", "-", "\u2011", "-", "\u2012", "-", "\u2013", "-", "\u2014", "-", "\uFE63", "-", "\uFF0D", "-", "\u2026", ".")
)

const rulerRunes = "-=_+*~.:#/\\<>→←"

// readCell tells what a word is; one word may be two (x=15).
func readCell(text string, line, col int) []meshCell {
	c := meshCell{text: text, line: line, col: col}
	plain := minusRE.Replace(text)
	low := strings.ToLower(plain)
	switch {
	case low == "n/a" || low == "na" || low == "n.a." || low == "null" || low == "none" || nanRE.MatchString(low) || low == "." || strings.Trim(low, "-") == "":
		c.is, c.x = isMissing, math.NaN()
		return []meshCell{c}
	case infRE.MatchString(plain):
		c.is = isInfinite
		return []meshCell{c}
	}
	number := plain
	if bare, ok := strings.CutSuffix(low, "mm"); ok && bare != "" {
		number = bare
	}
	if numberRE.MatchString(number) {
		x, err := strconv.ParseFloat(strings.Replace(number, ",", ".", 1), 64)
		c.x, c.is, c.dot = x, isNumber, strings.ContainsAny(number, ".,eE")
		if err != nil || math.IsInf(x, 0) {
			c.is = isInfinite
		}
		return []meshCell{c}
	}
	if m := keyRE.FindStringSubmatch(text); m != nil {
		c.text, c.key = m[1], true
		return append([]meshCell{c}, readCell(m[2], line, col+len(m[1])+1)...)
	}
	if m := numKeyRE.FindStringSubmatch(text); m != nil {
		c.text, c.is = m[1], isLabel
		return append([]meshCell{c}, readCell(m[2], line, col+len(m[1])+1)...)
	}
	if strings.Trim(low, rulerRunes) == "" {
		return nil
	}
	if strings.HasSuffix(text, ":") || strings.HasSuffix(text, "=") {
		c.key = true
	}
	if labelRE.MatchString(text) {
		c.is = isLabel
	}
	return []meshCell{c}
}

const delimiters = ",;|\t"

func isBracket(r rune) bool { return strings.ContainsRune("[](){}", r) }

// item is a word or a delimiter of a line.
type item struct {
	delim rune // 0: a word
	cells []meshCell
}

// placed is a character with its place in the text.
type placed struct {
	r         rune
	line, col int
}

// scanLine reads the words of a stretch of text. decimalComma: a comma between
// digits belongs to the number.
func scanLine(chars []placed, decimalComma bool) *meshLine {
	l := &meshLine{ruler: true}
	if len(chars) > 0 {
		l.no = chars[0].line
	}
	var items []item
	var word []placed
	closed := false // the last character was a closing bracket
	boxedFrom := -1 // index into items of the first word since an opening bracket
	flush := func() {
		if len(word) == 0 {
			return
		}
		var text []rune
		for _, p := range word {
			text = append(text, p.r)
		}
		if cells := readCell(string(text), word[0].line, word[0].col); cells != nil {
			items = append(items, item{cells: cells})
		}
		word = word[:0]
	}
	for i, p := range chars {
		comma := decimalComma && p.r == ',' && i > 0 && i+1 < len(chars) && unicode.IsDigit(chars[i-1].r) && unicode.IsDigit(chars[i+1].r)
		switch {
		case closed && (p.r == ',' || p.r == ';'):
			flush() // "], " ends a row, not a cell
		case !comma && strings.ContainsRune(delimiters, p.r):
			flush()
			items = append(items, item{delim: p.r})
		case isBracket(p.r):
			flush()
			l.bracket = l.bracket || p.r != '(' && p.r != ')'
			if strings.ContainsRune("[({", p.r) {
				boxedFrom = len(items)
			} else if boxedFrom >= 0 && len(items) == boxedFrom+1 && items[boxedFrom].delim == 0 {
				items[boxedFrom].cells[0].boxed = true
				boxedFrom = -1
			}
		case unicode.IsSpace(p.r) || p.r == '"' || p.r == '\'' || p.r == '\u00A0' || p.r == '\u2009':
			flush()
		default:
			word = append(word, p)
		}
		if !unicode.IsSpace(p.r) {
			closed = strings.ContainsRune("])}", p.r)
		}
	}
	flush()
	l.take(items)
	return l
}

// take finds the line's delimiter, its cells and its run of values.
func (l *meshLine) take(items []item) {
	for _, it := range items {
		l.all = append(l.all, it.cells...)
	}
	l.ruler = len(l.all) == 0 || !slices.ContainsFunc(l.all, func(c meshCell) bool {
		return c.is != isMissing || strings.Trim(c.text, "-–—−.") != "" || len([]rune(c.text)) == 1
	})
	if l.ruler {
		l.all = nil
		return
	}
	fields, d := l.splitFields(items)
	l.tabs = d == '\t'
	var cells []meshCell
	for i, f := range fields {
		numbers := 0
		for j := range f {
			if f[j].value() {
				numbers++
			}
		}
		switch {
		case len(f) == 0:
			c := meshCell{is: isEmpty, line: l.no, x: math.NaN()}
			if len(cells) > 0 {
				c.col = cells[len(cells)-1].col + 1
			}
			cells = append(cells, c)
			l.open = l.open || i == 0
			l.close = l.close || i == len(fields)-1 && i > 0
			continue
		case d != 0 && numbers > 1 && i > 0:
			l.mixed = &f[1]
		case d != 0 && numbers > 1:
			// "1 0.1, 0.2": what stands before the first field's last number is a label
			for j := range f[:len(f)-1] {
				l.demote(&f[j])
			}
		}
		cells = append(cells, f...)
	}
	// The run with most values.
	from, to, most := 0, 0, 0
	for i := 0; i < len(cells); {
		if !cells[i].value() {
			i++
			continue
		}
		j, n := i, 0
		for ; j < len(cells) && cells[j].value(); j++ {
			if cells[j].is != isEmpty {
				n++
			}
		}
		if n > most {
			from, to, most = i, j, n
		}
		i = j
	}
	l.open, l.close = l.open && from == 0, l.close && to == len(cells)
	l.before, l.cells, l.after = cells[:from:from], cells[from:to:to], cells[to:]
	if len(l.cells) > 1 && l.cells[0].boxed && !l.cells[1].boxed {
		if l.demote(&l.cells[0]); l.mixed == nil {
			l.before, l.cells = append(l.before, l.cells[0]), l.cells[1:]
		}
	}
}

// demote makes a value that stands apart before a row a label; what could be a
// height itself makes the row one nobody can read.
func (l *meshLine) demote(c *meshCell) {
	switch {
	case !c.value():
	case c.dot && math.Abs(c.x) <= MostHeightMM || c.is != isNumber:
		held := *c
		l.mixed = &held
	default:
		c.is = isLabel
	}
}

// splitFields splits a line's words at its delimiter; 0 is blanks, each word a
// field.
func (l *meshLine) splitFields(items []item) (fields [][]meshCell, delim rune) {
	by := func(d rune) [][]meshCell {
		out := [][]meshCell{nil}
		for _, it := range items {
			switch {
			case it.delim == d:
				out = append(out, nil)
			case it.delim == 0:
				out[len(out)-1] = append(out[len(out)-1], it.cells...)
			}
		}
		return out
	}
	crowded := func(fields [][]meshCell) bool {
		for _, f := range fields[1:] {
			n := 0
			for i := range f {
				if f[i].value() {
					n++
				}
			}
			if n > 1 {
				return true
			}
		}
		return false
	}
	has := func(d rune) bool { return slices.ContainsFunc(items, func(it item) bool { return it.delim == d }) }
	for _, d := range []rune{';', '|', '\t', ','} {
		if !has(d) {
			continue
		}
		f := by(d)
		if d == ';' || d == ',' || !crowded(f) && (len(f) > 2 || slices.ContainsFunc(f[0], func(c meshCell) bool { return c.is == isNumber && c.dot || c.is == isMissing })) {
			if (d == '|' || d == '\t') && has(',') {
				continue // a wall before a list
			}
			return f, d
		}
	}
	// Blanks; a wall marks what stands before it as no height.
	last := -1
	for i, it := range items {
		if it.delim == '|' && slices.ContainsFunc(items[i+1:], func(it item) bool { return it.delim == 0 }) {
			last = i
		}
	}
	for i, it := range items {
		for _, c := range it.cells {
			if i < last {
				l.demote(&c)
			}
			fields = append(fields, []meshCell{c})
		}
	}
	return fields, 0
}

// place gives every character its line and column.
func place(text string) (lines [][]placed) {
	for i, s := range strings.Split(text, "\n") {
		var out []placed
		col := 0
		for _, r := range blankStamps(s) {
			col++
			out = append(out, placed{r, i + 1, col})
		}
		lines = append(lines, out)
	}
	return lines
}
