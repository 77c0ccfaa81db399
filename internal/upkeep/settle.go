package upkeep

import (
	"slices"
	"strings"
)

// Standing is what was said of a printer and the plate on it that no count tells.
type Standing struct {
	Held       bool
	HeldReason string
	PlateHeld  bool
	// PlateReason says why the plate is on hold.
	PlateReason string
	PlateAway   bool   // in wash, set aside or retired
	Skipped     []Task // left out, with a reason, since its last start
}

// Settle takes from the tasks due before a printer's next start what must not or need
// not be done as things stand: a printer on hold starts nothing, so that only its hold
// is to be looked into (a Check); a plate on hold is swapped and not cleaned; one that
// is away is not cleaned; what was left out for this start is not asked for again.
func (s *Standing) Settle(items []Item, printer, plate string, effort map[Task]Effort) []Item {
	if s.Held {
		return []Item{{Due: Due{Task: Check, Effort: effort[Check], Because: because(printer+" is on hold", s.HeldReason, "release it before it starts")}, Printer: printer, Plate: plate}}
	}
	var out []Item
	if s.PlateHeld && plate != "" {
		out = append(out, Item{Due: Due{Task: SwapPlate, Effort: effort[SwapPlate], Because: because("plate "+plate+" is on hold", s.PlateReason)}, Printer: printer, Plate: plate})
	}
	for _, x := range items {
		if x.Task.AboutPlate() && (s.PlateHeld || s.PlateAway) {
			continue
		}
		out = append(out, x)
	}
	return slices.DeleteFunc(out, func(x Item) bool { return slices.Contains(s.Skipped, x.Task) })
}

func because(what, reason string, more ...string) []string {
	if reason = strings.TrimRight(strings.TrimSpace(reason), "."); reason != "" {
		what += ": " + reason
	}
	return append([]string{what}, more...)
}
