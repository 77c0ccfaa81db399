package assess

import (
	"fmt"
	"strconv"
	"unicode/utf8"
)

// longest is how many characters a summary may have.
const longest = 200

// sentence says a finding in one sentence: what goes with what, counts before
// rates, and where to look.
func (f *Finding) sentence(gapSplit float64) string {
	say := f.words(gapSplit)
	subject := f.Subject
	if over := utf8.RuneCountInString(subject) + utf8.RuneCountInString(say) - longest; over > 0 {
		tag := []rune(subject)
		subject = string(tag[:max(1, len(tag)-over-1)]) + "…"
	}
	return subject + say
}

func (f *Finding) words(gapSplit float64) string {
	probing := f.Cause == "skipped_probing"
	cause, other, look := "long cleaning gaps", "fresh cleaning", "look at rinse, cloth and release layer"
	if probing {
		cause, other, look = "skipped probing", "probing", "look at the probe and the nozzle tip"
	}
	rest := arm{f.N - f.NExposed - f.void.n, f.Failures - f.FailuresExposed - f.void.failures}
	compared := fmt.Sprintf("%d of %d failed after a skip, %d of %d after a probe", f.FailuresExposed, f.NExposed, rest.failures, rest.n)
	if !probing {
		split := strconv.FormatFloat(gapSplit, 'g', 6, 64)
		compared = fmt.Sprintf("%d of %d failed more than %s prints after cleaning, %d of %d before", f.FailuresExposed, f.NExposed, split, rest.failures, rest.n)
	}
	switch {
	case f.State == "too_little_data":
		more := "layers"
		if f.Needs == 1 {
			more = "layer"
		}
		return fmt.Sprintf(": too little data on %s: %d of %d graded layers failed; about %d more graded %s would settle it.", cause, f.Failures, f.N, f.Needs, more)
	case f.Reverse:
		return fmt.Sprintf(": failures go with %s: %s; %s.", other, compared, look)
	case f.State == "raised":
		return fmt.Sprintf(": failures go with %s: %s; about %.1f of 100 avoidable (%.1f to %.1f).", cause, compared, f.Avoidable, f.AvoidableLow, f.AvoidableHigh)
	case f.State == "watching":
		return fmt.Sprintf(": failures may go with %s: %s; not sure enough to raise.", cause, compared)
	default:
		return fmt.Sprintf(": no sign that failures go with %s: %s.", cause, compared)
	}
}
