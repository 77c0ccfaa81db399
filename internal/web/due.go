package web

import (
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// dueNow takes what is due by a printer's counts, which may be those of a moment ago,
// as things stand now: what was done since is left out. The Floor's next action and the
// list of Upkeep both come from here. soon is what becomes due after more starts.
func dueNow(f *store.FloorPrinter, ahead []upkeep.Item) (due, soon []upkeep.Item) {
	s := upkeep.Standing{Held: f.HeldAt != nil, HeldReason: f.HeldReason, PlateHeld: f.PlateHeldAt != nil, PlateReason: f.PlateReason}
	for _, t := range f.Skipped {
		s.Skipped = append(s.Skipped, upkeep.Task(t))
	}
	if s.Held {
		return nil, nil // it starts nothing; the hold itself is on the Floor
	}
	var left []upkeep.Item
	for _, x := range ahead {
		switch {
		case x.Task.AboutPlate() && (x.Plate != f.Plate || f.SinceClean != nil && *f.SinceClean == 0): // swapped, put away, cleaned since
		case x.Task == upkeep.Probe && x.In == 0 && f.SinceProbe != nil && *f.SinceProbe == 0:
		case x.In > 0:
			if x.Task == upkeep.Probe || f.PlateHeldAt == nil {
				soon = append(soon, x)
			}
		default:
			left = append(left, x)
		}
	}
	return s.Settle(left, f.Printer, f.Plate, nil), soon
}

// todo says what to do next by what is due: its tasks in order and more, or, where
// nothing is, instead.
func (s *stand) todo(instead, more string) {
	s.next, s.log = instead, ""
	if len(s.due) == 0 {
		return
	}
	words := make([]string, len(s.due))
	for i := range s.due {
		words[i] = taskDo(&s.due[i])
		if i > 0 {
			words[i] = lowerFirst(words[i])
		}
	}
	s.next = strings.Join(words, ", then ")
	if last := s.due[len(s.due)-1].Task; more == "" && (last == upkeep.Probe || last == upkeep.SwapPlate) {
		more = " before the next start"
	}
	s.next += more
	s.log = taskLog(&s.due[0])
}

// taskDo says a task as what to do.
func taskDo(x *upkeep.Item) string {
	switch x.Task {
	case upkeep.SwapPlate:
		return "Swap plate " + x.Plate
	case upkeep.Wipe:
		return "Wipe " + x.Plate
	case upkeep.Wash:
		return "Wash " + x.Plate
	case upkeep.Deep:
		return "Wash " + x.Plate + " deep"
	case upkeep.Coat:
		return "Coat " + x.Plate
	case upkeep.Soak:
		return "Let the bed soak"
	case upkeep.Probe:
		return "Probe"
	}
	return "Check " + x.Printer
}

// taskLog is the form in which a task is logged with all its details.
func taskLog(x *upkeep.Item) string {
	switch {
	case x.Task.AboutPlate():
		return logged("clean", "plate", x.Plate)
	case x.Task == upkeep.Probe:
		return logged("probe", "printer", x.Printer)
	case x.Task == upkeep.SwapPlate:
		return logged("fit", "printer", x.Printer)
	}
	return ""
}

// soonWord says when a task becomes due.
func soonWord(in int) string {
	if in == 1 {
		return "Due after the next start"
	}
	return "Due in " + strconv.Itoa(in) + " starts"
}

// oneTap tells whether a task is logged by one tap: one record that needs no answer.
func oneTap(t upkeep.Task) bool {
	return t == upkeep.Probe || slices.Contains([]upkeep.Task{upkeep.Wipe, upkeep.Wash, upkeep.Deep, upkeep.Coat}, t)
}
