package assess

import (
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"
)

// longest is how many characters a summary may have.
const longest = 200

// Words for how sure, by the share of findings at least as strong that would be
// false: likely is 80 % and more, may be 50 to 80 %, else it cannot be told.
const (
	likely = 0.20
	maybe  = 0.50
)

// fewOnASide is how few layers on one side of a comparison are said to be what
// is missing.
const fewOnASide = 10

// settle says how many further graded layers would settle a question. It is a
// rough figure, and said as one; beyond what the thing gets graded in a year at
// the window's pace it stands for "never by waiting".
func settle(needs, graded int, window time.Duration) string {
	const year = 365 * 24 * time.Hour
	if pace := float64(graded) * float64(year) / float64(max(window, time.Hour)); graded > 0 && float64(needs) > pace {
		return "more graded layers than it gets in a year"
	}
	switch {
	case needs == 1:
		return "about 1 more graded layer"
	case needs > 9999:
		return "many thousands of graded layers"
	case needs >= 1000:
		needs = (needs + 50) / 100 * 100
	case needs >= 100:
		needs = (needs + 5) / 10 * 10
	}
	return fmt.Sprintf("about %d more graded layers", needs)
}

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
	case f.Chosen != nil && f.Chosen.Disagree:
		return f.thin(cause)
	case f.State == "too_little_data":
		seen := fmt.Sprintf("%d of %d graded layers failed", f.Failures, f.N)
		switch {
		case f.Starts == 0:
			seen = "no first layer started"
		case f.Graded == 0:
			seen = fmt.Sprintf("none of %d first layers graded", f.Starts)
		case f.N == 0 && probing:
			seen = fmt.Sprintf("of %d graded layers none is known to be probed or skipped", f.Graded)
		case f.N == 0:
			seen = fmt.Sprintf("of %d graded layers none has a known cleaning", f.Graded)
		case f.NExposed < fewOnASide && probing:
			seen += fmt.Sprintf(", but only %d of the layers came after a skip", f.NExposed)
		case f.NExposed < fewOnASide:
			seen += fmt.Sprintf(", but only %d of the layers had a long gap", f.NExposed)
		case rest.n < fewOnASide && probing:
			seen += fmt.Sprintf(", but only %d of the layers came after a valid probe", rest.n)
		case rest.n < fewOnASide:
			seen += fmt.Sprintf(", but only %d of the layers had a short gap", rest.n)
		}
		return fmt.Sprintf(": too little data on %s: %s; %s would settle it.", cause, seen, f.Settle)
	case f.Reverse:
		return fmt.Sprintf(": failures go with %s: %s; %s.", other, compared, look)
	case f.State == "raised" && f.Lot.Causes():
		return fmt.Sprintf(": failures caused by %s, as the lot shows: %s; about %.1f of 100 avoidable (%.1f to %.1f).", cause, compared, f.Avoidable, f.AvoidableLow, f.AvoidableHigh)
	case f.State == "raised":
		return fmt.Sprintf(": failures go with %s: %s; about %.1f of 100 avoidable (%.1f to %.1f).", cause, compared, f.Avoidable, f.AvoidableLow, f.AvoidableHigh)
	case f.State == "watching" && f.Q <= FalseDiscoveryRate:
		return fmt.Sprintf(": failures go with %s, but few are avoidable: %s; about %.1f of 100 (%.1f to %.1f).", cause, compared, f.Avoidable, f.AvoidableLow, f.AvoidableHigh)
	case f.State == "watching" && f.Q <= likely:
		return fmt.Sprintf(": failures likely go with %s: %s; not sure enough to raise.", cause, compared)
	case f.State == "watching" && f.Q <= maybe:
		return fmt.Sprintf(": failures may go with %s: %s; not sure enough to raise.", cause, compared)
	case f.State == "watching":
		return fmt.Sprintf(": cannot tell whether failures go with %s: %s; worth watching.", cause, compared)
	default:
		return fmt.Sprintf(": no sign that failures go with %s: %s.", cause, compared)
	}
}
