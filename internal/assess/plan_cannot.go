package assess

import (
	"fmt"
	"math"
	"strings"
	"time"

	"basecourse/internal/planning"
)

// when says a time as people do, in the farm's zone.
func (p *planner) when(t time.Time) string {
	return t.In(p.v.settings.Zone()).Format("2006-01-02 15:04")
}

func (p *planner) minuteWords(minute int) string {
	return p.when(p.origin.Add(time.Duration(minute) * time.Minute))
}

// cannot says what of a job cannot be done, and what it would take: printers,
// person-minutes, or another date.
func (p *planner) cannot(got *planning.Plan, j int, job *PlannedJob) string {
	free := 0
	for i := range p.in.Printers {
		if p.in.Printers[i].Free < p.in.Horizon {
			free++
		}
	}
	x := &p.in.Jobs[j]
	n := got.Unplaced[j]
	switch {
	case free == 0:
		return "No printer in service is free of holds and has a plate that may be used. Release a hold or put a plate on one."
	case n > 0 && !p.nobody && len(p.in.People) == 0:
		return fmt.Sprintf("Nobody has a shift in the time planned. Add shifts in Setup: its starts need %d person-minutes.", p.handMinutes(got, j, n))
	case n > 0:
		until := p.in.Horizon
		words := []string{}
		if more := p.morePrinters(j, n, until); more > 0 {
			words = append(words, countWords(more, "more printer until then", "more printers until then"))
		}
		if hands := p.moreHands(got, j, n, until); hands != "" {
			words = append(words, hands)
		}
		if len(words) == 0 {
			words = append(words, hoursWords(n*x.Minutes)+" more printer time")
		}
		return fmt.Sprintf("%d of %d starts find no place before %s. It would take %s.", n, job.Start, p.minuteWords(until), strings.Join(words, " and "))
	case job.Late > 0:
		late := 0
		for _, s := range job.Starts {
			if p.minute(s.End) > x.Due {
				late++
			}
		}
		words := []string{}
		latest := x.Due - x.Minutes // to begin
		more := p.morePrinters(j, late, x.Due)
		if more > 0 {
			with := countWords(more, "more printer", "more printers")
			if hands := p.moreHands(got, j, late, latest+1); hands != "" {
				with += " with " + hands
			}
			words = append(words, with)
		}
		words = append(words, "a date "+hoursWords(job.Late)+" later")
		said := fmt.Sprintf("%d of %d starts end after it is due, the last %s late. It would take %s.", late, job.Start, hoursWords(job.Late), strings.Join(words, ", or "))
		if more == 0 {
			said += fmt.Sprintf(" More printers do not help: a plate takes %s and would have had to begin by %s.", hoursWords(x.Minutes), p.minuteWords(latest))
		}
		return said
	}
	return ""
}

// morePrinters is how many printers more make n further starts by a minute; 0: none
// could.
func (p *planner) morePrinters(j, n, by int) int {
	x := &p.in.Jobs[j]
	each := (by - max(x.Earliest, 0)) / (x.Minutes + p.in.StartMinutes)
	if each < 1 {
		return 0
	}
	return int(math.Ceil(float64(n) / float64(each)))
}

// handMinutes is what n starts of a job take of people: its usual prep and their
// beginning.
func (p *planner) handMinutes(got *planning.Plan, j, n int) int {
	prep, starts := 0, 0
	for i := range got.Starts {
		if s := &got.Starts[i]; s.Job == j {
			starts++
			for _, t := range s.Tasks {
				prep += t.Minutes
			}
		}
	}
	each := float64(p.in.StartMinutes)
	if starts > 0 {
		each += float64(prep) / float64(starts)
	}
	return int(math.Ceil(each * float64(n)))
}

// moreHands says how many person-minutes are missing before a minute so that n more
// starts can be begun, and in whose shift; "" none.
func (p *planner) moreHands(got *planning.Plan, j, n, by int) string {
	if p.nobody {
		return ""
	}
	there, used := 0, 0
	from, to := -1, 0
	for i := range p.in.People {
		for _, t := range p.in.People[i].Turns {
			if t.From >= by {
				break
			}
			there += min(t.To, by) - t.From
			if t.From > from {
				from, to = t.From, t.To
			}
		}
	}
	for i := range got.Starts {
		s := &got.Starts[i]
		for _, t := range s.Tasks {
			if t.Person >= 0 && t.At < by {
				used += t.Minutes
			}
		}
		if s.Starter >= 0 && s.At < by {
			used += p.in.StartMinutes
		}
	}
	short := p.handMinutes(got, j, n) - (there - used)
	switch {
	case short <= 0:
		return ""
	case from < 0:
		return fmt.Sprintf("%d person-minutes before %s, where no shift is", short, p.minuteWords(by))
	}
	return fmt.Sprintf("%d more person-minutes in the shift from %s to %s", short, p.minuteWords(from), p.minuteWords(to))
}

// hoursWords says minutes as hours and minutes.
func hoursWords(minutes int) string {
	switch h, m := minutes/60, minutes%60; {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}
