package graders

import (
	"slices"
	"time"
)

// Least is how many people a group must have for its figures to be shown where
// people are shown in groups only.
const Least = 5

// Turn is a time of day at which shifts begin.
type Turn int

// The turns: shifts that begin from 4 to before 12, to before 20, and later.
const (
	Early Turn = iota
	Late
	Night
)

// TurnOf is the turn of a shift by its begin on the farm's clock.
func TurnOf(begins time.Time, zone *time.Location) Turn {
	switch h := begins.In(zone).Hour(); {
	case h >= 4 && h < 12:
		return Early
	case h >= 12 && h < 20:
		return Late
	}
	return Night
}

// Group is people who are shown together.
type Group struct {
	Turns  []Turn // empty: of any turn, or none recorded
	People []string
}

// Groups parts people by the turn on which they have most shifts, each person into one
// group of at least Least people. Groups that are too small go together with the people
// without a shift; where those are still too few, the smallest shown group joins them:
// whatever is shown, the rest of it is of Least people or of none. Nil where there are
// fewer than Least people in all. All groups are of one parting, and there is no other:
// two partings might be subtracted from each other.
func Groups(people []string, shifts map[string]map[Turn]int) []Group {
	if len(people) < Least {
		return nil
	}
	by := map[Turn][]string{}
	var rest Group
	for _, who := range people {
		best, most := Early, 0
		for t := Early; t <= Night; t++ {
			if n := shifts[who][t]; n > most {
				best, most = t, n
			}
		}
		if most == 0 {
			rest.People = append(rest.People, who)
		} else {
			by[best] = append(by[best], who)
		}
	}
	var out []Group
	for t := Early; t <= Night; t++ {
		switch n := len(by[t]); {
		case n >= Least:
			out = append(out, Group{[]Turn{t}, by[t]})
		case n > 0:
			rest.People = append(rest.People, by[t]...)
		}
	}
	for len(rest.People) > 0 && len(rest.People) < Least && len(out) > 0 {
		small := 0
		for i := range out {
			if len(out[i].People) < len(out[small].People) {
				small = i
			}
		}
		rest.People = append(rest.People, out[small].People...)
		out = slices.Delete(out, small, small+1)
	}
	if len(rest.People) > 0 {
		rest.Turns = nil
		slices.Sort(rest.People)
		out = append(out, rest)
	}
	return out
}
