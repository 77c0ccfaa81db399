package assess

import "time"

// caseKey names the finding that a case is about.
type caseKey struct{ kind, subject, cause string }

// caseMark is where a case stands from a time on.
type caseMark struct {
	at   time.Time
	step string
}

// settleCases puts where cases stand at a time into findings. What somebody decided stands,
// whatever the evidence says since; a raised finding without a step is suspected.
func (v *view) settleCases(items []Finding, at time.Time) {
	for i := range items {
		f := &items[i]
		f.Case = ""
		if f.State == "raised" {
			f.Case = "suspected"
		}
		for _, m := range v.cases[caseKey{f.Kind, f.Subject, f.Cause}] {
			if !m.at.After(at) {
				f.Case = m.step
			}
		}
	}
}

// movedSince tells whether a case took a step after a time and by another.
func (v *view) movedSince(from, to time.Time) bool {
	for _, marks := range v.cases {
		for _, m := range marks {
			if m.at.After(from) && !m.at.After(to) {
				return true
			}
		}
	}
	return false
}
