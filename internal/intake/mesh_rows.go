package intake

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"basecourse/internal/fault"
)

// meshFromLines reads a grid from rows of numbers. whole: no height was written
// with decimals.
func meshFromLines(text string) (m *MeshText, whole bool, err error) {
	places := place(text)
	comma, err := decimalComma(places)
	if err != nil {
		return nil, false, err
	}
	lines, err := meshLines(places, comma)
	if err != nil {
		return nil, false, err
	}
	for _, l := range lines {
		for i := range l.all {
			if l.all[i].is == isInfinite {
				return nil, false, refuseMesh(l.all[i].line, l.all[i].col, l.all[i].text, "a height from -5 to 5 mm")
			}
		}
	}
	if pts, err := keyedPoints(lines); pts != nil || err != nil {
		return gridOf(pts, err)
	}
	block, err := findRows(lines)
	if err != nil {
		return nil, false, err
	}
	if pts, err := block.points(); pts != nil || err != nil {
		return gridOf(pts, err)
	}
	return block.grid()
}

var (
	pointRE = regexp.MustCompile(`\d\.\d|(^|[^\d.])\.\d`)
	commaRE = regexp.MustCompile(`\d,\d`)
	boxedRE = regexp.MustCompile(`^\s*\[\s*\d+\.\d+\s*\]`) // seconds since the start
	chainRE = regexp.MustCompile(`\d,\d+,\d`)
)

// decimalComma tells whether commas between digits are decimal commas: where no
// number has a point.
func decimalComma(places [][]placed) (bool, error) {
	comma, chain := false, 0
	for i, line := range places {
		s := boxedRE.ReplaceAllString(plain(line), "")
		if pointRE.MatchString(s) {
			return false, nil
		}
		comma = comma || commaRE.MatchString(s)
		if chain == 0 && chainRE.MatchString(s) {
			chain = i + 1
		}
	}
	if chain > 0 {
		return false, refuseMesh(chain, 0, strings.TrimSpace(plain(places[chain-1])), "commas as decimal signs or between numbers, not what may be either: write decimals with a point, or put semicolons between numbers")
	}
	return comma, nil
}

func plain(line []placed) string {
	out := make([]rune, len(line))
	for i, p := range line {
		out[i] = p.r
	}
	return string(out)
}

// meshLines reads the text line by line, or bracket by bracket where lines do
// not follow the brackets.
func meshLines(places [][]placed, comma bool) ([]*meshLine, error) {
	var all []placed
	for i, line := range places {
		all = append(all, line...)
		all = append(all, placed{'\n', i + 1, len(line) + 1})
	}
	groups, depth, balanced := brackets(all)
	var inner [][2]int
	apart := false // two groups on a line, or one over several
	seen := map[int]bool{}
	for _, g := range groups {
		l := scanLine(all[g[0]:g[1]], comma)
		if l.values() < 2 {
			continue
		}
		first, last := all[g[0]].line, all[g[1]].line
		apart = apart || seen[first] || l.last() != l.first() || first != last && len(inner) > 0
		seen[last] = true
		inner = append(inner, g)
	}
	if apart && len(inner) > 1 {
		if !balanced {
			return nil, refuseMesh(len(places), 0, "brackets that are not closed", "a bracket closed for each that is opened")
		}
		return bracketLines(all, inner, comma)
	}
	var lines []*meshLine
	square := false
	for i, line := range places {
		l := scanLine(line, comma)
		l.no = i + 1
		square = square || l.bracket && l.values() > 1
		lines = append(lines, l)
	}
	if square && (!balanced || depth != 0) {
		return nil, refuseMesh(len(places), 0, "brackets that are not closed", "a bracket closed for each that is opened")
	}
	return lines, nil
}

func (l *meshLine) first() int { return l.all[0].line }
func (l *meshLine) last() int  { return l.all[len(l.all)-1].line }

// brackets finds the innermost pairs, as from (behind the opening one) and to
// (the closing one).
func brackets(all []placed) (inner [][2]int, depth int, balanced bool) {
	var open []int
	var kinds []rune
	leaf := false
	balanced = true
	for i, p := range all {
		switch p.r {
		case '[', '{', '(':
			open, kinds, leaf = append(open, i+1), append(kinds, p.r), true
		case ']', '}', ')':
			if len(open) == 0 || kinds[len(kinds)-1] != map[rune]rune{']': '[', '}': '{', ')': '('}[p.r] {
				balanced = balanced && p.r == ')'
				continue
			}
			if leaf {
				inner = append(inner, [2]int{open[len(open)-1], i})
			}
			open, kinds, leaf = open[:len(open)-1], kinds[:len(kinds)-1], false
		}
	}
	return inner, len(open), balanced && len(open) == 0
}

// bracketLines takes each innermost bracket for a row. Heights between brackets
// are refused.
func bracketLines(all []placed, inner [][2]int, comma bool) ([]*meshLine, error) {
	var lines []*meshLine
	from := 0
	for i, g := range append(inner, [2]int{len(all), len(all)}) {
		between := scanLine(all[from:min(g[0], len(all))], comma)
		for j := range between.all {
			if c := &between.all[j]; c.is == isNumber && c.dot && i > 0 && i < len(inner) {
				return nil, refuseMesh(c.line, c.col, c.text, "no number between the brackets of two rows")
			}
		}
		if i < len(inner) {
			l := scanLine(all[g[0]:g[1]], comma)
			l.no = l.first()
			lines = append(lines, l)
			from = g[1]
		}
	}
	return lines, nil
}

// meshBlock is the rows of the one grid of a text.
type meshBlock struct {
	lines  []*meshLine
	header *meshLine // the line of column names, numbers or positions before or behind the rows; nil
	above  *meshLine // the line of words right above the rows; nil
	totals []int     // names, words and cells of each row as it came
	width  int
	rows   [][]meshCell
}

// asLong tells whether a line has as many words as one of the rows.
func (b *meshBlock) asLong(l *meshLine) bool {
	return l.total() >= slices.Min(b.totals) && l.total() <= slices.Max(b.totals)
}

const (
	joined = iota // next line
	spaced        // blank lines or rulers between
	parted        // words between
)

// findRows finds the lines that are rows of one grid.
func findRows(lines []*meshLine) (*meshBlock, error) {
	dots := slices.ContainsFunc(lines, (*meshLine).dots)
	type candidate struct {
		l    *meshLine
		gap  int  // to the candidate before
		head bool // may be column numbers or positions
	}
	points := slices.ContainsFunc(lines, func(l *meshLine) bool { _, _, ok := l.names(); return ok })
	var list []candidate
	gap := parted
	for _, l := range lines {
		switch {
		case l.ruler:
			gap = max(gap, spaced)
		case l.values() == 0:
			gap = parted
		default:
			list = append(list, candidate{l, gap, !points && (dots && l.numbers() || l.positions())})
			gap = joined
		}
	}
	if len(list) == 0 {
		return nil, refuseMesh(1, 0, "no numbers", "a grid of heights in mm")
	}
	// Rows may all be a blank line apart.
	every := true
	for i, c := range list {
		if i > 0 && !c.head && !list[i-1].head && len(c.l.cells) > 1 && c.gap != spaced {
			every = false
		}
	}
	same := func(a, b *meshLine) bool {
		switch {
		case a.words() != b.words():
			return placeWordsOnly(a) && placeWordsOnly(b) && len(a.cells) == len(b.cells)
		case len(a.cells) == len(b.cells):
			return true
		}
		return a.wordsText() == b.wordsText()
	}
	var segments [][]int
	for i, c := range list {
		starts := i == 0 || c.gap != joined || len(list[i-1].l.cells) < 2
		ends := i+1 == len(list) || list[i+1].gap != joined
		if c.head && (starts && !ends || starts && i+1 < len(list) && list[i+1].gap == spaced || ends && c.l.numbers()) {
			continue
		}
		if n := len(segments); n > 0 && segments[n-1][len(segments[n-1])-1] == i-1 && (c.gap == joined || c.gap == spaced && every) && same(list[i-1].l, c.l) {
			segments[n-1] = append(segments[n-1], i)
		} else {
			segments = append(segments, []int{i})
		}
	}
	main := -1
	for s, seg := range segments {
		wide := 0
		for _, i := range seg {
			wide = max(wide, len(list[i].l.cells))
		}
		if len(seg) < 2 || wide < 2 {
			continue
		}
		if main >= 0 {
			return nil, refuseMesh(list[seg[0]].l.no, 0, fmt.Sprintf("a second grid, after that of line %d", list[segments[main][0]].l.no), "one grid, its rows together")
		}
		main = s
	}
	if main < 0 {
		for i, c := range list {
			if c.head && c.l.positions() && i+1 < len(list) && len(list[i+1].l.cells) == len(c.l.bare()) {
				at := c.l.bare()[0]
				return nil, refuseMesh(at.line, at.col, at.text, "a height from -5 to 5 mm")
			}
		}
		return nil, noGrid(segments, func(i int) *meshLine { return list[i].l })
	}
	b := &meshBlock{}
	seg := segments[main]
	for _, i := range seg {
		b.lines = append(b.lines, list[i].l)
		b.totals = append(b.totals, list[i].l.total())
	}
	first, last := seg[0], seg[len(seg)-1]
	if len(seg) > MostMeshSide*MostMeshSide {
		return nil, fault.New(fault.TooLarge, "a mesh has at most %d points; this text has %d rows", MostMeshSide*MostMeshSide, len(seg))
	}
	top, bottom := slices.Index(lines, b.lines[0]), slices.Index(lines, b.lines[len(b.lines)-1])
	above := top - 1
	for above > 0 && lines[above].ruler {
		above--
	}
	if above >= 0 && lines[above].values() == 0 && !lines[above].ruler {
		b.above = lines[above]
	}
	if first > 0 && list[first-1].head && list[first].gap != parted {
		b.header = list[first-1].l
	} else if last+1 < len(list) && list[last+1].head && list[last+1].gap != parted {
		b.header = list[last+1].l
	}
	if err := b.settle(); err != nil {
		return nil, err
	}
	// Nothing that may be a row of this grid is left out.
	for _, i := range []int{top - 1, bottom + 1} {
		if i < 0 || i >= len(lines) || !b.asLong(lines[i]) || lines[i].values() > 0 {
			continue
		}
		for _, c := range lines[i].all {
			if strings.ContainsAny(c.text, ".,") && strings.ContainsAny(c.text, "0123456789") {
				return nil, lines[i].oddBeside(b.lines[0])
			}
		}
	}
	for i, c := range list {
		if i >= first && i <= last || c.l == b.header {
			continue
		}
		beside := i == first-1 && list[first].gap != parted || i == last+1 && c.gap != parted
		if odd := c.l.couldBelong(b, beside, c.head); odd != nil {
			return nil, refuseMesh(odd.line, odd.col, odd.text, fmt.Sprintf("a row of %d heights beside those of line %d, or none that looks like one", b.width, b.lines[0].no))
		}
	}
	return b, nil
}

// odd is the first thing in a line that is no height.
func (l *meshLine) odd() *meshCell {
	for i := range l.all {
		if l.all[i].is == isWord {
			return &l.all[i]
		}
	}
	if len(l.cells) == 0 {
		return &l.all[0]
	}
	return &l.cells[0]
}

func (l *meshLine) oddBeside(rows *meshLine) error {
	odd := l.odd()
	return refuseMesh(odd.line, odd.col, odd.text, fmt.Sprintf("a row of %d heights beside those of line %d, or none that looks like one", len(rows.cells), rows.no))
}

// bare is the values of a line of column numbers or positions: an empty corner
// is none.
func (l *meshLine) bare() []meshCell {
	c := l.cells
	for len(c) > 0 && c[0].is == isEmpty {
		c = c[1:]
	}
	for len(c) > 0 && c[len(c)-1].is == isEmpty {
		c = c[:len(c)-1]
	}
	return c
}

// couldBelong tells whether a line outside the rows may be one of them, and
// gives what is odd about it.
func (l *meshLine) couldBelong(b *meshBlock, beside, head bool) *meshCell {
	odd := l.odd()
	wide := len(l.cells) >= 2
	switch {
	case head && l.dots():
		return odd // numbers like positions, but not those of this grid
	case head && !beside:
		return nil
	case wide && len(l.cells) == len(b.lines[0].cells) && (beside || l.words() == b.lines[0].words()):
		return odd
	case beside && b.asLong(l):
		return odd
	case l.words() == 0 && l.dots() && beside:
		return odd
	case l.words() == 0 && wide && l.dots():
		return odd
	}
	return nil
}

func placeWordsOnly(l *meshLine) bool {
	for _, list := range [][]meshCell{l.before, l.after} {
		for _, c := range list {
			if c.is == isWord && !slices.Contains([]string{"front", "back", "rear", "middle", "row", "left", "right", "mm", "first", "last", "top", "bottom"}, strings.Trim(strings.ToLower(c.text), "():,;")) {
				return false
			}
		}
	}
	return true
}

// noGrid says why no line belongs to a grid.
func noGrid(segments [][]int, line func(int) *meshLine) error {
	heights, wide := 0, (*meshLine)(nil)
	for _, seg := range segments {
		for _, i := range seg {
			heights += line(i).values()
			if len(line(i).cells) > 1 && (wide == nil || len(line(i).cells) > len(wide.cells)) {
				wide = line(i)
			}
		}
	}
	switch {
	case heights == 0:
		return refuseMesh(1, 0, "no heights", "a grid of heights in mm")
	case heights == 1:
		l := line(segments[0][0])
		return refuseMesh(l.no, l.all[0].col, "one number", "a grid of heights in mm: at least 2 rows of at least 2")
	case wide != nil:
		for _, seg := range segments {
			for _, i := range seg {
				if l := line(i); l != wide && l.total() == wide.total() && l.words() != wide.words() {
					if wide.words() > l.words() {
						l, wide = wide, l
					}
					return l.oddBeside(wide)
				}
			}
		}
		return refuseMesh(wide.no, wide.cells[0].col, fmt.Sprintf("%d numbers, and no second row of its kind", len(wide.cells)), "at least 2 rows, one beneath the other")
	}
	l := line(segments[0][0])
	return refuseMesh(l.no, l.all[0].col, fmt.Sprintf("%d numbers, none beside another", heights), "rows of at least 2 heights each")
}

// numbers tells whether a line counts columns: 0 1 2 or 1 2 3, or back.
func (l *meshLine) numbers() bool {
	cells := l.bare()
	if len(cells) < 2 || l.dots() {
		return false
	}
	step := cells[1].x - cells[0].x
	for i := range cells {
		if cells[i].is != isNumber || math.Abs(step) != 1 || i > 0 && cells[i].x-cells[i-1].x != step {
			return false
		}
	}
	lo := min(cells[0].x, cells[len(cells)-1].x)
	return lo == 0 || lo == 1
}

// positions tells whether a line holds what may be positions, mm: rising or
// falling, beyond what a height may be.
func (l *meshLine) positions() bool {
	cells, far := l.bare(), 0
	for _, c := range cells {
		if math.Abs(c.x) > MostHeightMM {
			far++
		}
	}
	return far > 1 && rising(cells, func(c meshCell) bool { return c.is == isNumber }) && beyondHeight(cells, 4*MostHeightMM)
}

func rising(cells []meshCell, good func(meshCell) bool) bool {
	for i, c := range cells {
		if !good(c) || i > 0 && (c.x-cells[i-1].x)*(cells[1].x-cells[0].x) <= 0 {
			return false
		}
	}
	return true
}

func beyondHeight(cells []meshCell, most float64) bool {
	return slices.ContainsFunc(cells, func(c meshCell) bool { return math.Abs(c.x) > most })
}
