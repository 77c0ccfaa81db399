package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func noSuchVersion() error {
	return fault.New(fault.NotFound, "There is no such version of this policy.")
}

// failedWords say a tally's failures: "7 of 62 (11 %, likely 6 to 22 %)".
func failedWords(t *upkeep.Tally) string {
	w := stats.Wilson(t.Failures, t.Graded, 0.95)
	return withHow(rateWords(t.Failures, t.Graded, w.Low, w.High))
}

// changeWords say by how many of 100 the rate changed, with its likely range.
func changeWords(was, is *upkeep.Tally) string {
	if was.Graded < fewest || is.Graded < fewest {
		return "too few graded to say"
	}
	// Newcombe is of the first rate less the second.
	d := float64(is.Failures)/float64(is.Graded) - float64(was.Failures)/float64(was.Graded)
	w := stats.Newcombe(is.Failures, is.Graded, was.Failures, was.Graded, 0.95)
	return fmt.Sprintf("%s of 100, likely %s to %s", plusMinus(100*d), plusMinus(100*w.Low), plusMinus(100*w.High))
}

// elsewhereWords say how the rate changed outside of a policy's scope.
func elsewhereWords(e *assess.Effect) string {
	if e.OthersWas.Starts+e.OthersIs.Starts == 0 {
		return "nothing, it applies everywhere"
	}
	return changeWords(&e.OthersWas, &e.OthersIs)
}

func plusMinus(x float64) string {
	switch {
	case math.Abs(x) < 0.05:
		return "0"
	case x < 0:
		return minus + figure(-x)
	}
	return "+" + figure(x)
}

// effectPart lays what was expected of a version beside what came of it.
func (s *Server) effectPart(ctx context.Context, care *assess.Care, line *policyLine, v *farm.Policy, zone *time.Location) (views.PolicyEffect, error) {
	out := views.PolicyEffect{ID: v.ID.UUID.String(), Title: "What the version of " + clock(v.InForceFrom, zone) + " brought"}
	var next time.Time
	if q := line.next(v); q != nil {
		next = q.InForceFrom
	}
	e, covered, err := care.Effect(ctx, v, next)
	if err != nil {
		return out, err
	}
	f := &v.Forecast
	expected := func(x float64) string {
		if !farm.Known(x) {
			return "–"
		}
		return figure(x)
	}
	if !farm.Known(f.FailuresSaved) {
		out.Says = append(out.Says, "Nothing was worked out when it was made.")
	} else {
		out.Says = append(out.Says, "Expected when it was made, of 100 starts: "+fewerWords(f.FailuresSaved, f.FailuresSavedLow, f.FailuresSavedHigh)+".")
	}
	if !covered {
		if !e.Until.After(e.From) {
			out.Says = append(out.Says, "No start since it came into force.")
			return out, nil
		}
		out.Says = append(out.Says, "It is older than the records kept ready.")
		out.Look = views.Link{Word: "Read what came of it out of the records", Href: s.policyHref(line.name) + "/versions/" + v.ID.UUID.String()}
		return out, nil
	}
	out.Says = append(out.Says, "Failed since: "+changeWords(&e.Was, &e.Is)+". Everywhere else in the same time: "+elsewhereWords(&e)+".")
	if !e.Whole {
		out.Says = append(out.Says, "It has not been in force for four weeks yet: "+duration(e.Until.Sub(e.From))+" so far.")
	}
	note := "A policy made after bad weeks is followed by better ones whatever it asks for; that much goes with chance, not with the policy."
	if farm.Known(f.FailuresWas) && e.Was.Graded >= fewest {
		note += fmt.Sprintf(" Before it, %s of 100 failed where the model expected %s.", figure(100*float64(e.Was.Failures)/float64(e.Was.Graded)), figure(f.FailuresWas))
	}
	out.Says = append(out.Says, note)
	per := func(t *upkeep.Tally, n float64) string {
		if t.Starts == 0 {
			return "–"
		}
		return figure(100 * n / float64(t.Starts))
	}
	was, is := care.Minutes(&e.Was), care.Minutes(&e.Is)
	row := func(word string, x ...string) views.Row {
		r := views.Row{Cells: []views.Cell{{Text: word}}}
		for _, t := range x {
			r.Cells = append(r.Cells, views.Cell{Text: t})
		}
		return r
	}
	out.Table = views.Table{Caption: "Before and since, of 100 starts", Sub: fmt.Sprintf("%s to %s, then to %s", clock(e.Before, zone), clock(e.From, zone), clock(e.Until, zone)),
		Columns: []views.Column{{Word: "What"}, {Word: "Expected before", Number: true, Wide: true}, {Word: "Before", Number: true}, {Word: "Expected", Number: true}, {Word: "Since", Number: true}},
		Rows: []views.Row{
			row("Wipes", expected(f.WipesWas), per(&e.Was, float64(e.Was.Wipes)), expected(f.Wipes), per(&e.Is, float64(e.Is.Wipes))),
			row("Washes", expected(f.WashesWas), per(&e.Was, float64(e.Was.Washes)), expected(f.Washes), per(&e.Is, float64(e.Is.Washes))),
			row("Probes", expected(f.ProbesWas), per(&e.Was, float64(e.Was.Probes)), expected(f.Probes), per(&e.Is, float64(e.Is.Probes))),
			row("Person minutes", expected(f.PersonMinutesWas), per(&e.Was, was.Person), expected(f.PersonMinutes), per(&e.Is, is.Person)),
			row("Machine minutes", expected(f.MachineMinutesWas), per(&e.Was, was.Machine), expected(f.MachineMinutes), per(&e.Is, is.Machine)),
			row("Failed of graded", expected(f.FailuresWas), failedWords(&e.Was), expected(f.Failures), failedWords(&e.Is)),
			row("Graded of started", "–", count(e.Was.Graded)+" of "+count(e.Was.Starts), "–", count(e.Is.Graded)+" of "+count(e.Is.Starts)),
			row("Elsewhere: failed of graded", "–", failedWords(&e.OthersWas), "–", failedWords(&e.OthersIs)),
		}}
	return out, nil
}

// effectsListed is how many changes the page of effects lists.
const effectsListed = 50

// getPolicyEffects lists the changes of all policies with what was expected and what
// came of them.
func (s *Server) getPolicyEffects() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		care, err := s.cfg.Policies.Care(ctx, now)
		if err != nil {
			return err
		}
		list, err := s.store.Policies(ctx, time.Time{})
		if err != nil {
			return err
		}
		zone := care.Zone()
		p := views.PoliciesPage{Shell: withClock(s.shell(c, "What changes of policies brought", "/setup"), now, zone),
			Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Policies", Href: s.url("/setup/policies")}},
			Lead:   "Each change with what was expected when it was made and what came of it: four weeks before it beside four weeks since, of 100.",
			Notes:  []string{"Worst-of-many gets better by itself: a change made after bad weeks is followed by better ones whatever it asks for. Look at what happened everywhere else in the same time, and at what the model expected before."}}
		type change struct {
			line *policyLine
			v    *farm.Policy
		}
		var changes []change
		lines := linesOf(list)
		for i := range lines {
			for _, v := range lines[i].versions {
				if !v.InForceFrom.After(now) {
					changes = append(changes, change{&lines[i], v})
				}
			}
		}
		slices.SortStableFunc(changes, func(a, b change) int {
			return cmp.Or(b.v.InForceFrom.Compare(a.v.InForceFrom), cmp.Compare(a.line.name, b.line.name))
		})
		if len(changes) == 0 {
			p.Empty = "No change yet. When a policy begins, changes or ends, what was expected of it stands here beside what came of it."
			p.Notes = nil
			return render(c, http.StatusOK, views.Policies(p))
		}
		if len(changes) > effectsListed {
			p.Notes = append(p.Notes, count(len(changes)-effectsListed)+" older ones stand on the policies’ own pages.")
			changes = changes[:effectsListed]
		}
		t := views.Table{Caption: "Changes, newest first", Columns: []views.Column{{Word: "Change"}, {Word: "Asks"}, {Word: "Expected, of 100"}, {Word: "Failed before"}, {Word: "Failed since"}, {Word: "Everywhere else", Wide: true}}}
		for _, x := range changes {
			o := assess.PolicyOf(x.v)
			row := views.Row{Cells: []views.Cell{{Text: x.line.name, Note: clock(x.v.InForceFrom, zone), Href: s.policyHref(x.line.name) + "/versions/" + x.v.ID.UUID.String()},
				{Text: sentence(ruleWords(&o.Rules)), Note: whereWords(&o.Scope)}}}
			expected := views.Cell{Text: "not worked out"}
			if f := &x.v.Forecast; farm.Known(f.FailuresSaved) {
				expected = views.Cell{Text: sentenceCase(fewerWords(f.FailuresSaved, f.FailuresSavedLow, f.FailuresSavedHigh))}
			}
			var next time.Time
			if q := x.line.next(x.v); q != nil {
				next = q.InForceFrom
			}
			e, covered, err := care.Effect(ctx, x.v, next)
			if err != nil {
				return err
			}
			if covered {
				since := views.Cell{Text: failedWords(&e.Is), Note: changeWords(&e.Was, &e.Is)}
				if !e.Whole {
					since.Note += "; " + duration(e.Until.Sub(e.From)) + " so far"
				}
				row.Cells = append(row.Cells, expected, views.Cell{Text: failedWords(&e.Was)}, since, views.Cell{Text: elsewhereWords(&e)})
			} else {
				since := "open the change to read it"
				if !e.Until.After(e.From) {
					since = "no start since"
				}
				row.Cells = append(row.Cells, expected, views.Cell{Text: "–"}, views.Cell{Text: since}, views.Cell{Text: "–"})
			}
			t.Rows = append(t.Rows, row)
		}
		p.Tables = []views.Table{t}
		return render(c, http.StatusOK, views.Policies(p))
	}
}
