package assess

import (
	"fmt"
	"slices"
	"strings"

	"basecourse/internal/planning"
)

// movedLeast is how many minutes are called a move, or late.
const movedLeast = 5

// follow gives the starts of a new plan the names of those they were, and counts
// what moved.
func (c *planChange) follow(next *inForce, metas []keptStart, p *planner) {
	free := make([]bool, len(metas))
	for i := range metas {
		free[i] = true
	}
	match := func(s *keptStart, fits func(o *keptStart) bool) {
		if s.Key != "" {
			return
		}
		for i := range metas {
			if o := &metas[i]; free[i] && o.Job == s.Job && o.Printer == s.Printer && fits(o) {
				free[i] = false
				s.Key, s.Sequence, s.Since = o.Key, o.Sequence, o.Since
				if moved := c.compare(o, s); moved {
					s.Sequence++
					s.Since = p.q.At
				}
				return
			}
		}
	}
	for _, fits := range []func(s, o *keptStart) bool{
		func(s, o *keptStart) bool { return o.At == s.At },
		func(s, o *keptStart) bool { return true },
	} {
		for i := range next.Starts {
			match(&next.Starts[i], func(o *keptStart) bool { return fits(&next.Starts[i], o) })
		}
	}
	for i := range next.Starts {
		if next.Starts[i].Key == "" {
			c.added += len(next.Starts[i].Tasks)
		}
	}
	for i := range metas {
		if free[i] {
			c.dropped += len(metas[i].Tasks)
		}
	}
}

// compare counts what differs between a start as it was and as it is, and tells
// whether anything does.
func (c *planChange) compare(o, s *keptStart) bool {
	differs := o.At != s.At
	if gap := s.At - o.At; gap >= movedLeast || gap <= -movedLeast {
		c.startsMoved++
	}
	for _, t := range s.Tasks {
		k := slices.IndexFunc(o.Tasks, func(x planning.Task) bool { return x.Task == t.Task })
		if k < 0 {
			c.added++
			differs = true
			continue
		}
		was := &o.Tasks[k]
		if was.At != t.At || was.Person != t.Person {
			differs = true
			if gap := t.At - was.At; gap >= movedLeast || gap <= -movedLeast || was.Person != t.Person {
				c.tasksMoved++
			}
		}
	}
	for _, t := range o.Tasks {
		if !slices.ContainsFunc(s.Tasks, func(x planning.Task) bool { return x.Task == t.Task }) {
			c.dropped++
			differs = true
		}
	}
	return differs
}

// why finds what the farm has now that it had not.
func (c *planChange) why(old, next *inForce, p *planner) {
	say := func(from, to []string, words string) {
		var list []string
		for _, x := range to {
			if !slices.Contains(from, x) {
				list = append(list, x)
			}
		}
		const most = 3
		switch n := len(list); {
		case n > most:
			c.because = append(c.because, strings.Join(list[:most], ", ")+fmt.Sprintf(" and %d more ", n-most)+words)
		case n > 0:
			c.because = append(c.because, strings.Join(list, ", ")+" "+words)
		}
	}
	say(old.Held, next.Held, "held")
	say(next.Held, old.Held, "released")
	say(old.Jobs, next.Jobs, "new")
	say(next.Jobs, old.Jobs, "closed or with enough good plates")
	say(old.Printers, next.Printers, "in service")
	say(next.Printers, old.Printers, "retired")
	for _, x := range []struct {
		n         int
		one, many string
	}{{c.begun, "start begun", "starts begun"}, {c.done, "task done", "tasks done"}, {c.overdue, "start not begun in time", "starts not begun in time"}} {
		if x.n > 0 {
			c.because = append(c.because, countWords(x.n, x.one, x.many))
		}
	}
	if old.Shifts != next.Shifts {
		c.because = append(c.because, "shifts changed")
	}
	if len(c.because) == 0 {
		c.because = []string{"chances or needs changed"}
	}
}

func countWords(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// words says what became of the plan and why; "" nothing that anybody would notice.
func (c *planChange) words() string {
	var parts []string
	for _, x := range []struct {
		n         int
		one, many string
	}{{c.tasksMoved, "task moved", "tasks moved"}, {c.startsMoved, "start moved", "starts moved"}, {c.added, "task added", "tasks added"}, {c.dropped, "task dropped", "tasks dropped"}} {
		if x.n > 0 {
			parts = append(parts, countWords(x.n, x.one, x.many))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, ", ") + ": " + strings.Join(c.because, "; ") + "."
}
