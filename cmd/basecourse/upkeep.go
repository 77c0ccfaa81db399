package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

type upkeepCmd struct {
	Printer string `placeholder:"TAG" help:"Only what to do before this printer's next start."`
	answerForm
}

// Help is shown by --help.
func (upkeepCmd) Help() string {
	return `What to clean and probe before the next starts, in the order to do it: a task is due when doing it now is expected to save more than doing it later, by the chances of failure and the costs in the settings. With --printer, what to do before that printer's next start; nothing listed: start. A printer without a start in the window is left out unless it is asked for.

Examples:

    basecourse upkeep
    basecourse upkeep --printer P-014 --format json
    basecourse upkeep --format csv --at 2026-03-02T06:00:00Z`
}

// Run prints what is due.
func (c upkeepCmd) Run(a *app) error {
	return c.print(a, func(f findingsSource, m moments) ([]byte, error) {
		return f.Upkeep(a.ctx, m.at, m.knownAt, m.from, m.to, c.Printer)
	}, listCSV("items", upkeepFields), upkeepText)
}

// upkeepFields are the columns of the CSV, in the order of the answer.
var upkeepFields = []string{"task", "subject_kind", "subject", "printer", "plate", "due_at", "because", "person_minutes", "machine_minutes",
	"saves", "saves_low", "saves_high", "by_lot"}

// upkeepText writes the answer for people.
func upkeepText(w io.Writer, answer []byte) error {
	var all struct {
		AsOf  string `json:"as_of"`
		Items []struct {
			Task      string
			Printer   string
			Plate     *string
			Because   string
			Person    float64 `json:"person_minutes"`
			Machine   float64 `json:"machine_minutes"`
			Saves     float64
			SavesLow  float64 `json:"saves_low"`
			SavesHigh float64 `json:"saves_high"`
		}
	}
	if err := json.Unmarshal(answer, &all); err != nil {
		return fmt.Errorf("upkeep: %w", err)
	}
	var b strings.Builder
	if len(all.Items) == 0 {
		fmt.Fprintf(&b, "As of %s nothing is due: start.\n", all.AsOf)
		_, err := io.WriteString(w, b.String())
		return err
	}
	fmt.Fprintf(&b, "As of %s. Before the next starts, in this order. Saves: in the farm's money, with its 95 %% interval.\n\n", all.AsOf)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "Printer\tPlate\tDo\tPerson min\tMachine min\tSaves\tBecause")
	for _, x := range all.Items {
		plate := "no record"
		if x.Plate != nil {
			plate = *x.Plate
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%g\t%g\t%.2f (%.2f to %.2f)\t%s\n", x.Printer, plate, strings.ReplaceAll(x.Task, "_", " "), x.Person, x.Machine,
			x.Saves, x.SavesLow, x.SavesHigh, x.Because)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}
