package web

import (
	"net/url"
	"slices"
	"strings"
	"unicode"

	"basecourse/internal/farm"
)

// plainTag is a tag as people find it whatever way they write it: with or
// without dash, dot and zeros.
func plainTag(s string) string {
	var b strings.Builder
	s = strings.ToLower(strings.TrimSpace(s))
	fresh := true // no digit of this number yet
	for i, r := range s {
		switch {
		case r == '-' || r == '_' || r == ' ' || r == '.':
			continue
		case r == '0' && fresh && i+1 < len(s) && unicode.IsDigit(rune(s[i+1])):
			continue
		}
		fresh = !unicode.IsDigit(r)
		b.WriteRune(r)
	}
	return b.String()
}

// tagBook finds tags by what people type.
type tagBook struct {
	exact map[string]bool
	plain map[string][]string
	bare  map[string][]string // by the number alone: 203 for L-203
}

func newTagBook(tags []string) tagBook {
	b := tagBook{map[string]bool{}, map[string][]string{}, map[string][]string{}}
	for _, t := range tags {
		b.exact[t] = true
		p := plainTag(t)
		b.plain[p] = append(b.plain[p], t)
		if n := strings.TrimLeftFunc(p, unicode.IsLetter); n != p && allDigits(n) {
			b.bare[n] = append(b.bare[n], t)
		}
	}
	return b
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// find gives the tag meant; when several may be meant, those. A check letter
// behind the tag must fit it. A number alone finds the tag that ends in it where
// no other does.
func (b tagBook) find(typed string) (tag string, several []string) {
	typed = scanned(typed)
	if typed == "" || b.exact[typed] {
		return typed, nil
	}
	p := plainTag(typed)
	list := b.plain[p]
	if len(list) == 0 {
		list = b.checked(typed, true)
	}
	if len(list) == 0 {
		list = b.bare[p]
	}
	switch len(list) {
	case 0:
		return "", nil
	case 1:
		return list[0], nil
	}
	for _, t := range list {
		if strings.EqualFold(t, typed) {
			return t, nil
		}
	}
	return "", list
}

// scanned is what was typed, or the tag in a label's address when a scanner typed
// that.
func scanned(typed string) string {
	typed = strings.TrimSpace(typed)
	if i := strings.LastIndex(typed, "/s/"); i >= 0 && strings.Contains(typed[:i], "://") {
		if tag, err := url.PathUnescape(typed[i+3:]); err == nil {
			return tag
		}
	}
	return typed
}

// checked gives the tags that what was typed names with a check letter behind:
// those it fits, or those it does not.
func (b tagBook) checked(typed string, fits bool) []string {
	p := plainTag(typed)
	if p == "" || p[len(p)-1] < 'a' || p[len(p)-1] > 'z' {
		return nil
	}
	base, letter := p[:len(p)-1], strings.ToUpper(p[len(p)-1:])
	list := b.plain[base]
	if len(list) == 0 {
		list = b.bare[base]
	}
	var out []string
	for _, t := range list {
		if (farm.CheckLetter(t) == letter) == fits {
			out = append(out, t)
		}
	}
	return out
}

// near gives what a mistyped tag with a check letter may have been: the tags it
// names, were it for the letter, and those one slip away to which the letter
// belongs. At most four.
func (b tagBook) near(typed string) []string {
	out := slices.Clone(b.checked(typed, false))
	p := plainTag(typed)
	if len(out) == 0 && len(p) < 3 || len(p) < 2 {
		return out
	}
	base, letter := p[:len(p)-1], strings.ToUpper(p[len(p)-1:])
	if len(out) == 0 && b.bare[base] == nil && !strings.ContainsAny(base, "0123456789") {
		return out
	}
	var slips []string
	for plain, tags := range b.plain {
		if oneSlip(base, plain) {
			for _, t := range tags {
				if farm.CheckLetter(t) == letter && !slices.Contains(out, t) {
					slips = append(slips, t)
				}
			}
		}
	}
	slices.Sort(slips)
	out = append(out, slips...)
	return out[:min(len(out), 4)]
}

// oneSlip tells whether one character typed for another or two neighbours
// swapped make a into b.
func oneSlip(a, b string) bool {
	if len(a) != len(b) || a == b {
		return false
	}
	i := 0
	for a[i] == b[i] {
		i++
	}
	return a[i+1:] == b[i+1:] || i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
}

// refuses says why what was typed finds no tag: several may be meant, its check
// letter belongs to another, or there is none.
func (b tagBook) refuses(typed, kind string, several []string) string {
	if several != nil {
		return fq(typed) + " may be " + strings.Join(several[:min(len(several), 6)], " or ") + ". Write the tag as it stands on the label."
	}
	if near := b.near(typed); len(near) > 0 {
		return "The check letter of " + fq(typed) + " does not fit. Did you mean " + strings.Join(near, " or ") + "?"
	}
	return "There is no " + kind + " " + fq(typed) + ". Check the tag on its label."
}
