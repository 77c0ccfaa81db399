package web

import (
	"cmp"
	"slices"
	"time"
)

// planRun is what a printer starts of one job, one after another, with the same
// plate and no task between: what an operator does without being told anew.
type planRun struct {
	printer, plate, job string
	from, to            time.Time
	starts              int
	fails               float64  // sum of the starts' chances to fail
	low, high           *float64 // of the range of each start, the outermost
}

// runs gives the plan's starts as runs, by printer and time.
func (p *jobPlan) runs() []planRun {
	type start struct {
		planStart
		job string
	}
	var starts []start
	for _, j := range p.Jobs {
		for _, x := range j.Starts {
			starts = append(starts, start{x, j.Job})
		}
	}
	slices.SortStableFunc(starts, func(a, b start) int { return cmp.Or(cmp.Compare(a.Printer, b.Printer), a.At.Compare(b.At)) })
	tasks := map[string][]time.Time{}
	for i := range p.Tasks {
		tasks[p.Tasks[i].Printer] = append(tasks[p.Tasks[i].Printer], p.Tasks[i].At)
	}
	var list []planRun
	var last time.Time // when the latest run's latest start is
	for _, x := range starts {
		if n := len(list) - 1; n >= 0 && list[n].printer == x.Printer && list[n].job == x.job && list[n].plate == x.Plate &&
			!slices.ContainsFunc(tasks[x.Printer], func(at time.Time) bool { return at.After(last) && !at.After(x.At) }) {
			r := &list[n]
			r.to, r.starts, r.fails = x.End, r.starts+1, r.fails+x.PFail
			r.low, r.high = outer(r.low, x.PLow, -1), outer(r.high, x.PHigh, 1)
		} else {
			list = append(list, planRun{x.Printer, x.Plate, x.job, x.At, x.End, 1, x.PFail, x.PLow, x.PHigh})
		}
		last = x.At
	}
	return list
}

// outer gives the lower (way -1) or higher (1) of two limits; nil when one is
// unknown.
func outer(a, b *float64, way int) *float64 {
	if a == nil || b == nil || cmp.Compare(*b, *a) != way {
		if b == nil {
			return nil
		}
		return a
	}
	return b
}
