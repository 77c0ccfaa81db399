package web

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"sort"
	"time"

	"basecourse/internal/store"
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

// A plate or a probe is due by comparison with the rest of the farm until a
// policy is set: beyond this many times the farm's usually count, and never
// before the least (common practice, no source).
const (
	dueCleanTimes, dueCleanLeast = 2, 10
	dueProbeTimes, dueProbeLeast = 3, 5
)

// stand is how one printer stands: state, why, what to do next.
type stand struct {
	row      store.FloorPrinter
	state    string
	why      string
	next     string
	log      string  // address under /upkeep where that is logged; "" nothing to log
	loss     float64 // expected of the next first layer, or failures avoidable over the findings' window where no risk is known
	lately   Lately
	findings []Finding // while it is being judged
	ofPlate  bool      // why speaks of the plate, the figures of the printer
}

// logged is where an act is logged with its subject filled in.
func logged(act, kind, tag string) string {
	return "/upkeep/" + act + "?" + kind + "=" + url.QueryEscape(tag)
}

// usually is what the farm does as a rule, to compare a printer with.
type usually struct {
	sinceProbe float64 // median over printers; NaN unknown
	gapSplit   float64 // median prints since cleaning of graded layers; NaN unknown
}

func usualOf(list []store.FloorPrinter, gapSplit float64) usually {
	var since []int
	for i := range list {
		if f := &list[i]; f.SinceProbe != nil && f.RetiredAt == nil {
			since = append(since, *f.SinceProbe)
		}
	}
	u := usually{sinceProbe: math.NaN(), gapSplit: gapSplit}
	if len(since) > 0 {
		slices.Sort(since)
		u.sinceProbe = float64(since[len(since)/2])
	}
	return u
}

// standOf judges one printer by what is recorded of it at a time. end is where
// the farm's records end.
func standOf(f *store.FloorPrinter, findings []Finding, lately Lately, u usually, at, end time.Time) stand {
	s := stand{row: *f, lately: lately, findings: findings}
	for i := range findings {
		if x := &findings[i]; x.State == "raised" && !math.IsNaN(x.Avoidable) {
			s.loss += x.Avoidable * float64(x.N) / 100
		}
	}
	rules := []func(s *stand, u usually, at, end time.Time) bool{
		retiredStand, holdStand, raisedStand, failedStand, dueStand, noRecordStand,
	}
	s.state = "ready"
	for _, rule := range rules {
		if rule(&s, u, at, end) {
			break
		}
	}
	s.findings = nil
	return s
}

func retiredStand(s *stand, _ usually, at, _ time.Time) bool {
	if s.row.RetiredAt == nil || s.row.RetiredAt.After(at) {
		return false
	}
	s.state, s.why = "retired", "Retired "+ago(*s.row.RetiredAt, at)+"."
	return true
}

func holdStand(s *stand, _ usually, at, _ time.Time) bool {
	f := &s.row
	switch {
	case f.HeldAt != nil:
		s.state, s.why = "hold", "On hold for "+duration(at.Sub(*f.HeldAt))+withReason(f.HeldReason)
		s.next = "Do not start jobs. Settle the reason, then release " + f.Printer
		s.log = logged("release", "printer", f.Printer)
	case f.PlateHeldAt != nil:
		s.state, s.why = "watch", "Plate "+f.Plate+" is on hold"+withReason(f.PlateReason)
		s.next = "Swap plate " + f.Plate + " before the next start"
		s.log = logged("fit", "printer", f.Printer)
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
func raisedStand(s *stand, u usually, _, _ time.Time) bool {
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
	f := &s.row
	s.state = "watch"
	thing := "Failures"
	if worst.Kind == "plate" {
		thing, s.ofPlate = "Failures with "+worst.Subject, true
	}
	s.why = fmt.Sprintf("%s go with %s: about %s of 100 avoidable.", thing, wordFor(causeWords, worst.Cause), perHundred(worst.Avoidable))
	if worst.Cause == "skipped_probing" {
		s.next, s.log = "Probe before the next start", logged("probe", "printer", f.Printer)
		if f.SinceProbe != nil && *f.SinceProbe == 0 {
			s.next, s.log = "Probed. Keep probing at every start", ""
		}
		return true
	}
	plate := f.Plate
	if worst.Kind == "plate" {
		plate = worst.Subject
	}
	s.log = logged("clean", "plate", plate)
	switch {
	case plate == "":
		s.next, s.log = "Find out which plate is on it, and wash it", logged("fit", "printer", f.Printer)
	case f.SinceClean == nil:
		s.next = "Wash " + plate + ": no record of a cleaning"
	case !math.IsNaN(u.gapSplit) && float64(*f.SinceClean) <= u.gapSplit:
		s.next = fmt.Sprintf("Wash %s again before %s prints (%d so far)", plate, figure(math.Floor(u.gapSplit)+1), *f.SinceClean)
	default:
		s.next = "Wash " + plate + ": " + counted(*f.SinceClean, "print", "prints") + " since it was cleaned"
	}
	return true
}

// failedStand: the last layer failed and nothing was recorded since that could
// have changed anything.
func failedStand(s *stand, _ usually, at, end time.Time) bool {
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
	s.next = "Wipe the plate, probe, and watch the next first layer"
	s.log = logged("probe", "printer", f.Printer)
	if f.Plate != "" {
		s.log = logged("clean", "plate", f.Plate)
	}
	return true
}

func dueStand(s *stand, u usually, _, _ time.Time) bool {
	f := &s.row
	if f.Plate != "" && f.SinceClean != nil && !math.IsNaN(u.gapSplit) && float64(*f.SinceClean) > max(dueCleanTimes*u.gapSplit, dueCleanLeast) {
		s.state, s.why = "due", fmt.Sprintf("%s since %s was cleaned; half of all layers here start at %s or fewer.", counted(*f.SinceClean, "print", "prints"), f.Plate, figure(u.gapSplit))
		s.next, s.log = "Wash "+f.Plate, logged("clean", "plate", f.Plate)
		return true
	}
	if f.ProbingRecorded == "all" && f.SinceProbe != nil && !math.IsNaN(u.sinceProbe) && float64(*f.SinceProbe) > max(dueProbeTimes*u.sinceProbe, dueProbeLeast) {
		s.state, s.why = "due", fmt.Sprintf("%s since the last probe; %s is usual here.", counted(*f.SinceProbe, "start", "starts"), figure(u.sinceProbe))
		s.next, s.log = "Probe before the next start", logged("probe", "printer", f.Printer)
		return true
	}
	return false
}

func noRecordStand(s *stand, _ usually, at, end time.Time) bool {
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
