package upkeep

import (
	"cmp"
	"math"
	"slices"
	"strings"
)

// Item is a task due before a printer's next start. Plate is the tag of the plate
// on it, "" where none is known.
type Item struct {
	Due
	Printer, Plate string
	// In is how many starts of the printer before it is due; 0: it is due.
	In int
}

// AboutPlate tells whether a task is done to the plate and not to the printer.
func (t Task) AboutPlate() bool {
	switch t {
	case Wipe, Wash, Deep, Coat:
		return true
	}
	return false
}

// Arrange puts the tasks of a farm in the order to do them: those of one printer
// stay together, as its start needs them, and printers come by what all their
// tasks save for each minute of a person, the most first; equal ones by tag.
func Arrange(list []Item) {
	type sum struct{ saves, minutes float64 }
	worth := map[string]sum{}
	for i := range list {
		x := &list[i]
		s := worth[x.Printer]
		worth[x.Printer] = sum{s.saves + x.Saves, s.minutes + x.Person}
	}
	rate := func(printer string) float64 {
		s := worth[printer]
		return s.saves / math.Max(s.minutes, leastMinutes)
	}
	slices.SortStableFunc(list, func(a, b Item) int {
		if a.Printer == b.Printer {
			return cmp.Compare(order[a.Task], order[b.Task])
		}
		return cmp.Or(cmp.Compare(rate(b.Printer), rate(a.Printer)), cmp.Compare(a.Printer, b.Printer))
	})
}

// leastMinutes is what a task counts that takes nobody's time.
const leastMinutes = 0.1

// Subject is what a task is done to: kind (printer, plate) and tag.
func (x *Item) Subject() (kind, tag string) {
	if x.Task.AboutPlate() && x.Plate != "" {
		return "plate", x.Plate
	}
	return "printer", x.Printer
}

// Sentence says why a task is due.
func (x *Item) Sentence() string {
	s := strings.Join(x.Because, "; ")
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}
