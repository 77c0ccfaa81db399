package assess

// JSON writes the plan as the command and the API give it, in the form of
// Findings.JSON.
func (p *Plan) JSON() []byte { return p.json(false) }

// PageJSON is JSON with what tasks of the plan in force have beside it: job, key,
// sequence, since; and of starts, jobs and all of it the ranges of what is expected.
func (p *Plan) PageJSON() []byte { return p.json(true) }

func (p *Plan) json(page bool) []byte {
	b := make([]byte, 0, 512+200*len(p.Tasks))
	b = putClock(append(b, `{"as_of":`...), p.AsOf)
	b = append(b, `,"jobs":[`...)
	for i := range p.Jobs {
		j := &p.Jobs[i]
		if i > 0 {
			b = append(b, ',')
		}
		b = putString(append(b, "\n{\"job\":"...), j.Job)
		b = putCount(b, "needed", j.Needed)
		b = putCount(b, "start", j.Start)
		b = putNumber(b, "p_enough", j.Enough)
		b = append(b, `,"starts":[`...)
		for k := range j.Starts {
			s := &j.Starts[k]
			if k > 0 {
				b = append(b, ',')
			}
			b = putString(append(b, `{"printer":`...), s.Printer)
			b = putName(b, "plate", s.Plate)
			b = putClock(append(b, `,"starts_at":`...), s.At)
			b = putClock(append(b, `,"ends_at":`...), s.End)
			b = putNumber(b, "p_fail", s.PFail)
			if page {
				b = putNumber(putNumber(b, "p_fail_low", s.PLow), "p_fail_high", s.PHigh)
			}
			b = append(b, '}')
		}
		b = putCount(append(b, ']'), "late_minutes", j.Late)
		b = putName(b, "cannot", j.Cannot)
		if e := &j.Expected; page && len(e.Chances) > 0 {
			b = putNumber(putNumber(b, "p_enough_low", e.EnoughLow), "p_enough_high", e.EnoughHigh)
			b = putCount(putCount(putNumber(b, "failures", e.Failures), "failures_low", e.Low), "failures_high", e.High)
			b = putNumber(putNumber(putNumber(b, "cost", e.Cost), "cost_low", e.CostLow), "cost_high", e.CostHigh)
		}
		b = append(b, '}')
	}
	b = append(b, `],"tasks":[`...)
	for i := range p.Tasks {
		t := &p.Tasks[i]
		if i > 0 {
			b = append(b, ',')
		}
		b = putString(append(b, "\n{\"task\":"...), t.Task)
		b = putText(b, "printer", t.Printer)
		b = putName(b, "plate", t.Plate)
		b = putName(b, "person", t.Person)
		b = putClock(append(b, `,"starts_at":`...), t.At)
		b = putClock(append(b, `,"ends_at":`...), t.End)
		b = putText(b, "because", t.Because)
		if page && t.Key != "" {
			b = putCount(putText(putText(b, "job", t.Job), "key", t.Key), "sequence", t.Sequence)
			b = putClock(append(b, `,"since":`...), t.Since)
		}
		b = append(b, '}')
	}
	b = putNumber(append(b, ']'), "cost", p.Cost)
	b = putNumber(b, "bound", p.Bound)
	b = putNumber(b, "gap", p.Gap)
	if page {
		b = putNumber(putNumber(b, "cost_low", p.CostLow), "cost_high", p.CostHigh)
		b = putCount(putCount(putNumber(b, "failures", p.Failures), "failures_low", p.FailuresLow), "failures_high", p.FailuresHigh)
	}
	return append(b, "}\n"...)
}
