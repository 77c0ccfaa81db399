package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"basecourse/internal/fault"
)

type planCmd struct {
	Confidence float64 `default:"0.95" help:"How sure a job is to get as many good first layers as it needs; above 0, below 1."`
	answerForm
}

// Help is shown by --help.
func (planCmd) Help() string {
	return `For all open jobs together: how many to start, on which printers and when, what is cleaned and probed before, by whom, within the shifts. It makes the expected cost of failures, prep and lateness small and says how far it may be from the best plan there is. Without recorded shifts somebody is taken to be always there.

Examples:

    basecourse plan
    basecourse plan --format csv --at 2026-03-02T06:00:00Z --confidence 0.9`
}

// Run prints the plan.
func (c planCmd) Run(a *app) error {
	if !(c.Confidence > 0 && c.Confidence < 1) {
		return fault.Misused("--confidence: found %g, expected a number above 0 and below 1", c.Confidence)
	}
	return c.print(a, func(f findingsSource, m moments) ([]byte, error) {
		return f.Plan(a.ctx, m.at, m.knownAt, m.from, m.to, c.Confidence)
	}, planCSV, planText)
}

// planCSV writes starts and tasks as one table, by kind of row.
func planCSV(w io.Writer, answer []byte) error {
	var all struct {
		Jobs []struct {
			Job    json.RawMessage              `json:"job"`
			Starts []map[string]json.RawMessage `json:"starts"`
		} `json:"jobs"`
		Tasks []map[string]json.RawMessage `json:"tasks"`
	}
	if err := json.Unmarshal(answer, &all); err != nil {
		return fmt.Errorf("plan: %w", err)
	}
	var rows []map[string]json.RawMessage
	for _, j := range all.Jobs {
		for _, s := range j.Starts {
			s["row"], s["job"] = json.RawMessage(`"start"`), j.Job
			rows = append(rows, s)
		}
	}
	for _, t := range all.Tasks {
		t["row"] = json.RawMessage(`"task"`)
		rows = append(rows, t)
	}
	for _, r := range rows {
		for _, f := range planFields {
			if r[f] == nil {
				r[f] = json.RawMessage("null")
			}
		}
	}
	return answerCSV(w, planFields, rows)
}

var planFields = []string{"row", "job", "task", "printer", "plate", "person", "starts_at", "ends_at", "p_fail", "because"}

// planText writes the plan for people.
func planText(w io.Writer, answer []byte) error {
	var p struct {
		AsOf string `json:"as_of"`
		Jobs []struct {
			Job     string
			Needed  int
			Start   int
			PEnough *float64 `json:"p_enough"`
			Starts  []struct {
				Printer string
				Plate   *string
				At      string  `json:"starts_at"`
				End     string  `json:"ends_at"`
				PFail   float64 `json:"p_fail"`
			}
			Cannot *string
		}
		Tasks []struct {
			Task, Printer string
			Plate, Person *string
			At            string `json:"starts_at"`
			End           string `json:"ends_at"`
			Because       string
		}
		Cost, Bound float64
		Gap         *float64
	}
	if err := json.Unmarshal(answer, &p); err != nil {
		return fmt.Errorf("plan: %w", err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "As of %s.\n", p.AsOf)
	if len(p.Jobs) == 0 {
		b.WriteString("No open job needs a start.\n")
		_, err := io.WriteString(w, b.String())
		return err
	}
	or := func(s *string, none string) string {
		if s == nil {
			return none
		}
		return *s
	}
	fmt.Fprintf(&b, "Expected cost %.2f, at least %.2f whatever the plan", p.Cost, p.Bound)
	if p.Gap != nil {
		fmt.Fprintf(&b, ": at most %.1f %% above the best", 100**p.Gap)
	}
	b.WriteString(".\n\n")
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "Job\tNeeded\tStart\tEnough, of 100\tCannot")
	for _, j := range p.Jobs {
		enough := "–"
		if j.PEnough != nil {
			enough = fmt.Sprintf("%.1f", 100**j.PEnough)
		}
		fmt.Fprintf(t, "%s\t%d\t%d\t%s\t%s\n", j.Job, j.Needed, j.Start, enough, or(j.Cannot, ""))
	}
	fmt.Fprintln(t, "\nStart\tEnd\tPrinter\tPlate\tJob\tFails, of 100")
	for _, j := range p.Jobs {
		for _, s := range j.Starts {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%.1f\n", s.At, s.End, s.Printer, or(s.Plate, "no record"), j.Job, 100*s.PFail)
		}
	}
	if len(p.Tasks) > 0 {
		fmt.Fprintln(t, "\nFrom\tTo\tTask\tPrinter\tPlate\tPerson\tBecause")
		for _, x := range p.Tasks {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.At, x.End, x.Task, x.Printer, or(x.Plate, "no record"), or(x.Person, "–"), x.Because)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}
