package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

type findingsCmd struct {
	Keep   string `placeholder:"KIND/TAG/CAUSE" help:"Keep the evidence of one finding as a sheet and print its id."`
	Sheet  string `placeholder:"ID" help:"Print a kept sheet as JSON."`
	Verify bool   `help:"With --sheet: work it out anew from the records as they were known and compare; exit 1 where it differs."`
	answerForm
}

// Help is shown by --help.
func (findingsCmd) Help() string {
	return `For each printer: does failure track skipped probing, does it track the cleaning gap? For each plate: does it track the cleaning gap? Restarts, graders, plates, printers, materials and time are taken into account; many questions are asked, so few of the raised ones are chance.

Examples:

    basecourse findings
    basecourse findings --format json --at 2026-03-02T06:00:00Z
    basecourse findings --keep printer/P-014/skipped_probing
    basecourse findings --sheet 0195b7c0-8d5e-7000-8000-000000000001 --verify`
}

// Run prints the findings.
func (c findingsCmd) Run(a *app) error {
	if c.Keep != "" || c.Sheet != "" || c.Verify {
		return c.sheets(a)
	}
	return c.print(a, func(f findingsSource, m moments) ([]byte, error) {
		return f.Answer(a.ctx, m.at, m.knownAt, m.from, m.to)
	}, listCSV("findings", findingFields), findingsText)
}

// findingFields are the columns of the CSV, in the order of the answer.
var findingFields = []string{
	"subject_kind", "subject", "cause", "state", "case", "starts", "graded", "n", "failures", "n_exposed", "failures_exposed",
	"odds_ratio", "odds_ratio_low", "odds_ratio_high", "p_value", "q_value", "avoidable_per_100", "avoidable_low", "avoidable_high",
	"reverse", "needs", "summary",
}

// findingsText writes the answer for people: what is raised first, then what is
// worth watching or points the other way; the rest is counted.
func findingsText(w io.Writer, answer []byte) error {
	var all struct {
		AsOf        string                    `json:"as_of"`
		Window      struct{ From, To string } `json:"window"`
		FirstLayers int                       `json:"first_layers"`
		Graded      int                       `json:"graded"`
		Failures    int                       `json:"failures"`
		Findings    []struct {
			State   string `json:"state"`
			Reverse bool   `json:"reverse"`
			Summary string `json:"summary"`
		} `json:"findings"`
	}
	if err := json.Unmarshal(answer, &all); err != nil {
		return fmt.Errorf("findings: %w", err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "As of %s. First layers from %s to %s: %d started, %d graded (%s), %d failures (%s of graded).\n",
		all.AsOf, all.Window.From, all.Window.To, all.FirstLayers, all.Graded, percent(all.Graded, all.FirstLayers), all.Failures, percent(all.Failures, all.Graded))
	sections := []struct {
		title string
		in    func(state string, reverse bool) bool
	}{
		{"Raised", func(s string, _ bool) bool { return s == "raised" }},
		{"Points the other way", func(s string, r bool) bool { return r && s != "raised" }},
		{"Watching", func(s string, r bool) bool { return s == "watching" && !r }},
	}
	for _, s := range sections {
		var lines []string
		for _, f := range all.Findings {
			if s.in(f.State, f.Reverse) {
				lines = append(lines, "  "+f.Summary)
			}
		}
		fmt.Fprintf(&b, "\n%s: %d\n", s.title, len(lines))
		for _, l := range lines {
			b.WriteString(l + "\n")
		}
	}
	quiet, thin := 0, 0
	for _, f := range all.Findings {
		switch {
		case f.State == "quiet" && !f.Reverse:
			quiet++
		case f.State == "too_little_data" && !f.Reverse:
			thin++
		}
	}
	fmt.Fprintf(&b, "\nQuiet: %d\nToo little data: %d\n", quiet, thin)
	_, err := io.WriteString(w, b.String())
	return err
}

func percent(part, whole int) string {
	if whole == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(part)/float64(whole))
}
