package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

type riskCmd struct {
	answerForm
}

// Help is shown by --help.
func (riskCmd) Help() string {
	return `For every printer in service, with the plate on it and each material it ran in the window: the chance that its next first layer fails, as things are, on a plate just cleaned, just probed for, and both, each with a 95 % interval. As things are: probed for if a probe was recorded since the last start, otherwise not.

Examples:

    basecourse risk
    basecourse risk --format csv --at 2026-03-02T06:00:00Z`
}

// Run prints the risks.
func (c riskCmd) Run(a *app) error {
	return c.print(a, func(f findingsSource, m moments) ([]byte, error) { return f.Risk(a.ctx, m.at, m.knownAt, m.from, m.to) }, listCSV("items", riskFields), riskText)
}

// riskFields are the columns of the CSV, in the order of the answer.
var riskFields = []string{
	"printer", "plate", "material", "p_now", "p_now_low", "p_now_high", "p_after_cleaning", "p_after_cleaning_low", "p_after_cleaning_high",
	"p_after_probing", "p_after_probing_low", "p_after_probing_high", "p_after_both", "p_after_both_low", "p_after_both_high",
}

// riskText writes the answer for people: failures in 100 with their range.
func riskText(w io.Writer, answer []byte) error {
	var all struct {
		AsOf  string `json:"as_of"`
		Items []struct {
			Printer     string
			Plate       *string
			Material    *string
			Now         float64 `json:"p_now"`
			NowLow      float64 `json:"p_now_low"`
			NowHigh     float64 `json:"p_now_high"`
			Cleaned     float64 `json:"p_after_cleaning"`
			CleanedLow  float64 `json:"p_after_cleaning_low"`
			CleanedHigh float64 `json:"p_after_cleaning_high"`
			Probed      float64 `json:"p_after_probing"`
			ProbedLow   float64 `json:"p_after_probing_low"`
			ProbedHigh  float64 `json:"p_after_probing_high"`
			Both        float64 `json:"p_after_both"`
			BothLow     float64 `json:"p_after_both_low"`
			BothHigh    float64 `json:"p_after_both_high"`
		}
	}
	if err := json.Unmarshal(answer, &all); err != nil {
		return fmt.Errorf("risk: %w", err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "As of %s. Chance that the next first layer fails, of 100 (95 %% interval).\n\n", all.AsOf)
	if len(all.Items) == 0 {
		b.WriteString("No printer in service has a first layer in the window.\n")
		_, err := io.WriteString(w, b.String())
		return err
	}
	name := func(s *string) string {
		if s == nil {
			return "no record"
		}
		return *s
	}
	of := func(p, low, high float64) string { return fmt.Sprintf("%.1f (%.1f to %.1f)", 100*p, 100*low, 100*high) }
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "Printer\tPlate\tMaterial\tAs things are\tAfter cleaning\tAfter probing\tAfter both")
	for _, x := range all.Items {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.Printer, name(x.Plate), name(x.Material), of(x.Now, x.NowLow, x.NowHigh),
			of(x.Cleaned, x.CleanedLow, x.CleanedHigh), of(x.Probed, x.ProbedLow, x.ProbedHigh), of(x.Both, x.BothLow, x.BothHigh))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}
