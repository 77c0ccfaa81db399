package farm

import "strings"

// checkLetters are the letters that may stand behind a tag. I, O and Q are left
// out: on paper and steel they read as 1 and 0. They are 23, a prime.
const checkLetters = "ABCDEFGHJKLMNPRSTUVWXYZ"

// checkRadix is the step from one place of a tag to the next; digitsFrom is the
// value of the digit 0. They are chosen so that no digit has the value of a
// letter it looks like (0 D, 1 L, 2 Z, 5 S, 6 G, 8 B).
const (
	checkRadix = 6
	digitsFrom = 12
)

// CheckLetter gives the letter that goes behind a tag on labels, "K" for L-203;
// "" for a tag without a letter of A to Z or digit. It is a pure system in the
// sense of ISO/IEC 7064, with the prime modulus 23 and the radix 6: a tag and its
// letter are congruent to 1. Only letters (of either case) and digits count, so
// dashes and blanks may be left out; zeros count.
//
// It tells every letter typed for another letter, every digit for another digit
// and every swap of two neighbouring letters or two neighbouring digits. One
// letter of 23 cannot tell all 33 characters apart at one place: a digit and the
// one letter that shares its value (0 N, 1 P, 2 R, 3 S, 4 T, 5 U, 6 V, 7 W, 8 X,
// 9 Y) are not told apart; of the pairs that look alike none is among them. I, O
// and Q count as the digits they read as.
func CheckLetter(tag string) string {
	var values []int
	for _, r := range strings.ToUpper(tag) {
		if v := checkValue(r); v >= 0 {
			values = append(values, v)
		}
	}
	if len(values) == 0 {
		return ""
	}
	return checkLetters[pureCheck(len(checkLetters), checkRadix, values):][:1]
}

func checkValue(r rune) int {
	switch {
	case '0' <= r && r <= '9':
		return (int(r-'0') + digitsFrom) % len(checkLetters)
	case r == 'I':
		return checkValue('1')
	case r == 'O' || r == 'Q':
		return checkValue('0')
	case 'A' <= r && r <= 'Z':
		return strings.IndexRune(checkLetters, r)
	}
	return -1
}

// pureCheck gives the check value of a pure system of ISO/IEC 7064 with one check
// character: the one that makes the sum of the values, each times the radix to
// the power of its place from the right, congruent to 1.
func pureCheck(modulus, radix int, values []int) int {
	p := 0
	for _, v := range values {
		p = (p + v) * radix % modulus
	}
	return (modulus + 1 - p) % modulus
}

// LabelTag is a tag as it stands on a label: with its check letter, "L-203.K".
func LabelTag(tag string) string {
	if letter := CheckLetter(tag); letter != "" {
		return tag + "." + letter
	}
	return tag
}

// ShortTag is a tag as it is engraved and typed: letters and digits with the
// check letter behind, without dashes and without the zeros before a number,
// "L203K"; a tag with anything else in it stands as it is.
func ShortTag(tag string) string {
	var b strings.Builder
	inside := false // a number that has begun
	for i, r := range tag {
		switch {
		case r == '-' || r == ' ' || r == '_':
			inside = false
			continue
		case r > 'z' || !digit(byte(r)) && (r|32 < 'a' || r|32 > 'z'):
			return LabelTag(tag)
		case r == '0' && !inside && i+1 < len(tag) && digit(tag[i+1]):
			continue
		}
		inside = digit(byte(r))
		b.WriteRune(r)
	}
	return strings.ToUpper(b.String()) + CheckLetter(tag)
}

func digit(b byte) bool { return '0' <= b && b <= '9' }
