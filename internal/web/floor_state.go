package web

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"sort"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"
)

// The states of a printer on the Floor, worst need first.
var printerStates = map[string]views.State{
	"hold":      {Code: "hold", Word: "Hold", Sign: "hexagon", Tone: "act"},
	"watch":     {Code: "watch", Word: "Watch", Sign: "half", Tone: "soon"},
	"due":       {Code: "due", Word: "Due", Sign: "clock", Tone: "soon"},
	"no_record": {Code: "no_record", Word: "No record", Sign: "dots"},
	"ready":     {Code: "ready", Word: "Ready"},
	"retired":   {Code: "retired", Word: "Retired", Sign: "dashed"},
}

var printerStateOrder = []string{"hold", "watch", "due", "no_record", "ready", "retired"}

// stand is how one printer stands: state, why, what to do next.
type stand struct {
	row      store.FloorPrinter
	state    string
	why      string
	next     string
	log      string  // address under /upkeep where that is logged; "" nothing to log
	loss     float64 // expected of the next first layer, or failures avoidable over the findings' window where no risk is known
	lately   Lately
	findings []Finding     // while it is being judged
	due      []upkeep.Item // before its next start, as things stand
	soon     []upkeep.Item // after some more starts
	drawn    []drawnLine   // by lot for its next start
	ofPlate  bool          // why speaks of the plate, the figures of the printer
}

// logged is where an act is logged with its subject filled in.
func logged(act, kind, tag string) string {
	return "/upkeep/" + act + "?" + kind + "=" + url.QueryEscape(tag)
}

// standOf judges one printer by what is recorded of it at a time. ahead is
// what is due by its counts, end where the farm's records end.
func standOf(f *store.FloorPrinter, findings []Finding, lately Lately, ahead []upkeep.Item, at, end time.Time) stand {
	s := stand{row: *f, lately: lately, findings: findings}
	s.due, s.soon = dueNow(f, ahead)
	for i := range findings {
		if x := &findings[i]; x.State == "raised" && !math.IsNaN(x.Avoidable) {
			s.loss += x.Avoidable * float64(x.N) / 100
		}
	}
	rules := []func(s *stand, at, end time.Time) bool{
		retiredStand, holdStand, raisedStand, failedStand, dueStand, noRecordStand,
	}
	s.state = "ready"
	for _, rule := range rules {
		if rule(&s, at, end) {
			break
		}
	}
	s.findings = nil
	return s
}

func retiredStand(s *stand, at, _ time.Time) bool {
	if s.row.RetiredAt == nil || s.row.RetiredAt.After(at) {
		return false
	}
	s.state, s.why = "retired", "Retired "+ago(*s.row.RetiredAt, at)+"."
	return true
}

func holdStand(s *stand, at, _ time.Time) bool {
	f := &s.row
	switch {
	case f.HeldAt != nil:
		s.state, s.why = "hold", "On hold for "+duration(at.Sub(*f.HeldAt))+withReason(f.HeldReason)
		s.next = "Do not start jobs. Settle the reason, then release " + f.Printer
		s.log = logged("release", "printer", f.Printer)
	case f.PlateHeldAt != nil:
		s.state, s.why = "watch", "Plate "+f.Plate+" is on hold"+withReason(f.PlateReason)
		s.todo("Swap plate "+f.Plate+" before the next start", "")
	default:
		return false
	}
	return true
}

func withReason(reason string) string {
	if reason == "" {
		return ", no reason given."
	}
	return ": " + sentenceLower(reason)
}

func sentenceLower(s string) string {
	s = sentence(s)
	r := []rune(s)
	if len(r) > 1 && 'A' <= r[0] && r[0] <= 'Z' && 'a' <= r[1] && r[1] <= 'z' {
		r[0] += 'a' - 'A'
	}
	return string(r)
}

// raisedStand looks for raised findings of the printer or of the plate on it;
// the one that costs most speaks.
func raisedStand(s *stand, _, _ time.Time) bool {
	var worst *Finding
	for i := range s.findings {
		x := &s.findings[i]
		if x.State == "raised" && (worst == nil || x.Avoidable*float64(x.N) > worst.Avoidable*float64(worst.N)) {
			worst = x
		}
	}
	if worst == nil {
		return false
	}
	s.state = "watch"
	thing := "Failures"
	if worst.Kind == "plate" {
		thing, s.ofPlate = "Failures with "+worst.Subject, true
	}
	s.why = fmt.Sprintf("%s go with %s: about %s of 100 avoidable.", thing, wordFor(causeWords, worst.Cause), perHundred(worst.Avoidable))
	s.todo(startAsUsual, "")
	return true
}

// startAsUsual is what there is to do where nothing is.
const startAsUsual = "Start as usual: nothing is due before the next start"

// failedStand: the last layer failed and nothing was recorded since that could
// have changed anything.
func failedStand(s *stand, at, end time.Time) bool {
	f := &s.row
	failed := f.LastGrade == "failed" || f.LastShown && f.LastGrade == "marginal"
	if f.LastStart == nil || !failed || end.Sub(*f.LastStart) > floorWindow {
		return false
	}
	for _, done := range []*time.Time{f.LastProbe, f.LastCleaned, f.LastService} {
		if done != nil && done.After(*f.LastStart) {
			return false
		}
	}
	s.state, s.why = "watch", "The last first layer failed, "+ago(*f.LastStart, at)+"; nothing recorded since."
	s.todo("Look why it failed, and watch the next first layer", ", and watch the next first layer")
	return true
}

func dueStand(s *stand, _, _ time.Time) bool {
	if len(s.due) == 0 {
		return false
	}
	s.state, s.why = "due", s.due[0].Sentence()
	s.todo("", "")
	return true
}

func noRecordStand(s *stand, at, end time.Time) bool {
	f := &s.row
	if f.LastStart != nil && end.Sub(*f.LastStart) < floorWindow {
		return false
	}
	s.state = "no_record"
	if f.LastStart == nil {
		s.why = "No first layer recorded yet."
	} else {
		s.why = "Last first layer " + ago(*f.LastStart, at) + "."
	}
	return true
}

// walkingLess is the order in which somebody walks the floor: bay by bay, tag
// by tag.
func walkingLess(a, b *store.FloorPrinter) bool {
	if a.Bay != b.Bay {
		return naturalLess(a.Bay, b.Bay)
	}
	return naturalLess(a.Printer, b.Printer)
}

// worstFirst orders by need: state, then failures that could be avoided, then
// failures, then the walk.
func worstFirst(list []*stand) {
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if x, y := slices.Index(printerStateOrder, a.state), slices.Index(printerStateOrder, b.state); x != y {
			return x < y
		}
		if a.loss != b.loss {
			return a.loss > b.loss
		}
		if needs(a.state) && a.lately.Failures != b.lately.Failures {
			return a.lately.Failures > b.lately.Failures
		}
		return walkingLess(&a.row, &b.row)
	})
}

// needs tells whether a state asks somebody to do something.
func needs(state string) bool { return state == "hold" || state == "watch" || state == "due" }
