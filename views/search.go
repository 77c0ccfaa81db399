package views

import (
	"slices"
	"strings"
)

// SearchPage is what was found.
type SearchPage struct {
	Shell
	Typed    string
	Scan     Scan
	Action   string
	Examples []FilterLink // what can be searched, as links
	Wrong    string       // a tag whose check letter does not fit
	Things   []Fact       // printers and plates: where they are
	Jobs     []Link
	People   []Fact
	Layers   Table
	LayersIs string // what was looked for, in words
	Pager    Pager
	Empty    string
	Camera   bool
}

// markPhrases are the words under which each mark is found, longest first: its
// code, its screen word and the other names for it.
var markPhrases = func() (out [][2]string) {
	for _, m := range slices.Concat(CommonMarks, MoreMarks) {
		if m.Code == "other" {
			continue
		}
		for _, word := range append([]string{strings.ReplaceAll(m.Code, "_", " ")}, append(strings.FieldsFunc(m.Word, func(r rune) bool { return r == '(' || r == ')' }), m.Also...)...) {
			out = append(out, [2]string{SearchWords(word), m.Code})
		}
	}
	slices.SortStableFunc(out, func(a, b [2]string) int { return len(b[0]) - len(a[0]) })
	return out
}()

// SearchWords puts text into the form in which searches are compared: lower
// case, words with one blank between and around, dashes gone, each without a
// plural's s.
func SearchWords(text string) string {
	var b strings.Builder
	b.WriteByte(' ')
	for _, w := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(" \t\n,;:-–_.()", r) }) {
		if len(w) > 3 && !strings.HasSuffix(w, "ss") {
			w = strings.TrimSuffix(w, "s")
		}
		b.WriteString(w + " ")
	}
	return b.String()
}

// FindMarks gives the codes of the marks that text names, by any of their names,
// and the text without those words, as SearchWords writes it.
func FindMarks(text string) (codes []string, rest string) {
	rest = SearchWords(text)
	for _, p := range markPhrases {
		if i := strings.Index(rest, p[0]); i >= 0 {
			rest = rest[:i] + " " + rest[i+len(p[0]):]
			if !slices.Contains(codes, p[1]) {
				codes = append(codes, p[1])
			}
		}
	}
	return codes, rest
}

// MarkNamed is the mark that a text names as a whole, by any of its names; ""
// where it names none, or more than one.
func MarkNamed(text string) string {
	codes, rest := FindMarks(text)
	if len(codes) != 1 || strings.TrimSpace(rest) != "" {
		return ""
	}
	return codes[0]
}
