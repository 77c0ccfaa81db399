package assess

import (
	"fmt"

	"basecourse/internal/findings"
	"basecourse/internal/store"
)

// Where a farm looks at some of its first layers only, whoever grades chooses: what
// looks bad is graded more often, and after a skipped probe oftener still. A finding
// then rests on the layers that a look list drew: its chances follow from printer,
// plate, material and exposure, which the model knows, never from how a layer looks,
// so that the likelihood needs no weights (Rubin 1976; Pfeffermann 1993, section 3).
// What was graded outside the list stays in histories (what had just failed) and in
// counts, and a second fit to all that was graded stands beside the first: where the
// two disagree, nothing is raised.

// leastSaid is the least share of graded layers that a list kept elsewhere must have
// drawn for the farm to go by it.
const leastSaid = 0.05

// byChoice tells which of the starts first to end were graded outside a look list in
// use; nil: no list is in use, or nothing was graded outside it. Starts from before the
// list was in use were drawn for by none and count as ever. share is the setting.
func byChoice(labels []store.StartLabel, first, end int, share float64) func(i int) bool {
	graded, left, said := 0, 0, 0
	drawn := false
	for i := first; i < end; i++ {
		l := &labels[i]
		drawn = drawn || l.Look == store.LookListed || l.Look == store.LookLeft
		if !l.Graded {
			continue
		}
		graded++
		switch l.Look {
		case store.LookLeft:
			left++
		case store.LookSaid:
			said++
		}
	}
	switch {
	case drawn && left > 0:
		return func(i int) bool { return labels[i].Look == store.LookLeft }
	case !drawn && share < 100 && said < graded && float64(said) >= leastSaid*float64(graded):
		return func(i int) bool { return labels[i].Look != store.LookSaid }
	}
	return nil
}

// Chosen is what all that was graded says of a finding, by choice too, where the
// finding itself rests on the look list. Numbers are NaN with too little data.
type Chosen struct {
	State                                  string
	Avoidable, AvoidableLow, AvoidableHigh float64
	// Listed counts the layers of the list whose exposure is known, and the exposed
	// among them; ListedFailures and ListedExposedFailures those that failed.
	Listed, ListedFailures, ListedExposed, ListedExposedFailures int
	Disagree                                                     bool // one would raise it, the other not
}

// beside puts what all that was graded says beside a finding by the list, and takes
// back what only one of them raises.
func (f *Finding) beside(q, all *findings.Question) {
	c := &Chosen{State: all.State.String(), Avoidable: all.Avoidable, AvoidableLow: all.AvoidableLow, AvoidableHigh: all.AvoidableHigh,
		Listed: q.N, ListedFailures: q.Failures, ListedExposed: q.NExposed, ListedExposedFailures: q.FailuresExposed,
		Disagree: (q.State == findings.Raised) != (all.State == findings.Raised)}
	if all.State == findings.TooLittleData {
		c.Avoidable, c.AvoidableLow, c.AvoidableHigh = unknown, unknown, unknown
	}
	if c.Disagree && f.State == "raised" {
		f.State, f.Case = "watching", ""
	}
	f.Chosen = c
}

// thin says a finding on which list and choice disagree.
func (f *Finding) thin(cause string) string {
	c := f.Chosen
	return fmt.Sprintf(": graded by choice, too thin to say whether failures go with %s: %d of %d failed, by the look list %d of %d.", cause, f.Failures, f.N, c.ListedFailures, c.Listed)
}

// lookWords sets both side by side for the evidence; "" where no list is in use.
func (f *Finding) lookWords() string {
	c := f.Chosen
	if c == nil {
		return ""
	}
	said := func(state string, v, low, high float64) string {
		if v != v {
			return "too little data"
		}
		return fmt.Sprintf("%.1f of 100 avoidable (%.1f to %.1f), %s", v, low, high, state)
	}
	listState := f.State
	if c.Disagree && c.State != "raised" {
		listState = "raised by itself"
	}
	words := fmt.Sprintf("The figures rest on the look list, %d layers of which %d failed (of those exposed %d of %d): %s. All that was graded, by choice too, %d of %d failed: %s.",
		c.Listed, c.ListedFailures, c.ListedExposedFailures, c.ListedExposed, said(listState, f.Avoidable, f.AvoidableLow, f.AvoidableHigh),
		f.Failures, f.N, said(c.State, c.Avoidable, c.AvoidableLow, c.AvoidableHigh))
	if c.Disagree {
		words += " They disagree: graded by choice, too thin to say."
	}
	return words + " "
}
