package intake

import (
	"fmt"
	"regexp"
	"strings"
)

var (
	otherUnits = regexp.MustCompile(`(?i)([µμ]m|(^|[^a-z])(um|microns?|micromet(er|re)s?|inch|inches|mils?|thou|cm)($|[^a-z]))`)
	statedMM   = regexp.MustCompile(`(?i)(^|[^a-z])(mm|millimet(er|re)s?)($|[^a-z])`)
)

// meshUnits refuses units that are not mm and tells whether mm is stated.
func meshUnits(text string) (mm bool, err error) {
	for i, line := range strings.Split(text, "\n") {
		if at := otherUnits.FindStringIndex(line); at != nil {
			word := strings.Trim(line[at[0]:at[1]], " \t,;:()[]\"'=_|0123456789.")
			return false, refuseMesh(i+1, len([]rune(line[:at[0]]))+1, word, "heights in mm, and no other unit")
		}
		mm = mm || statedMM.MatchString(line)
	}
	return mm, nil
}

// Words that say which row comes first. Each needs a row, a line or an order
// beside it, so that "tilt front to back" says nothing.
var (
	notWord    = regexp.MustCompile(`[^a-z]+`)
	rowsAlone  = `(?:rows?|lines?)`
	orderWords = []struct {
		re   *regexp.Regexp
		back string // the group holding front, back or rear is the text's first row
	}{
		{regexp.MustCompile(`\b(front|back|rear) (?:` + rowsAlone + ` )?(?:is |comes )?(?:the )?(?:first|at the top|on top)\b`), ""},
		{regexp.MustCompile(`\b(front|back|rear) (?:` + rowsAlone + ` )?(?:is |comes )?(?:the )?(?:last|at the bottom)\b`), "turned"},
		{regexp.MustCompile(`\b(?:first|top) ` + rowsAlone + ` (?:is )?(?:the |at the |in )?(?:bed s )?(front|back|rear)\b`), ""},
		{regexp.MustCompile(`\b(?:last|bottom) ` + rowsAlone + ` (?:is )?(?:the |at the |in )?(?:bed s )?(front|back|rear)\b`), "turned"},
		{regexp.MustCompile(`\b(?:` + rowsAlone + `|order|listed)(?: \w+)? (?:from )?(?:the )?(front) to (?:the )?(?:back|rear)\b`), ""},
		{regexp.MustCompile(`\b(?:` + rowsAlone + `|order|listed)(?: \w+)? (?:from )?(?:the )?(back|rear) to (?:the )?front\b`), ""},
		{regexp.MustCompile(`\b(?:from )?(front) to (?:the )?(?:back|rear) (?:order|` + rowsAlone + `)\b`), ""},
		{regexp.MustCompile(`\b(?:from )?(back|rear) to (?:the )?front (?:order|` + rowsAlone + `)\b`), ""},
	}
)

// meshOrder reads which row the text says is its first, and on which line; ""
// where it says nothing. Contradictions are refused.
func meshOrder(text string) (first string, line int, err error) {
	say := func(at int, row string) error {
		if first != "" && first != row {
			return refuseMesh(at, 0, row+" as the first row", fmt.Sprintf("one order: line %d says the first row is the %s", line, first))
		}
		if first == "" {
			first, line = row, at
		}
		return nil
	}
	lines := strings.Split(text, "\n")
	firstNumbers, lastNumbers := -1, -1
	for i, s := range lines {
		if numberLike.MatchString(s) {
			if firstNumbers < 0 {
				firstNumbers = i
			}
			lastNumbers = i
		}
	}
	for i, s := range lines {
		words := " " + strings.TrimSpace(notWord.ReplaceAllString(strings.ToLower(s), " ")) + " "
		for _, o := range orderWords {
			for _, found := range o.re.FindAllStringSubmatch(words, -1) {
				row := RowFront
				if (found[1] != "front") != (o.back == "turned") {
					row = RowBack
				}
				if err := say(i+1, row); err != nil {
					return "", 0, err
				}
			}
		}
		// A line FRONT or BACK by itself at an end of the numbers.
		alone := strings.TrimSpace(words)
		if !numberLike.MatchString(s) && (alone == "front" || alone == "back" || alone == "rear") && firstNumbers >= 0 && (i < firstNumbers || i > lastNumbers) {
			row := RowFront
			if (alone != "front") != (i > lastNumbers) {
				row = RowBack
			}
			if err := say(i+1, row); err != nil {
				return "", 0, err
			}
		}
	}
	return first, line, nil
}

var numberLike = regexp.MustCompile(`\d[.,]\d`)
