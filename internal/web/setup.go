package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// copyStale is how old the latest daily copy may be before Setup says so.
const copyStale = 36 * time.Hour

func (s *Server) getSetup() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		facts, err := s.store.FarmFacts(ctx, now)
		if err != nil {
			return err
		}
		latest, err := s.latestCopy(ctx)
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Setup", "/setup"), now, frame.Settings.Zone())
		return render(c, http.StatusOK, views.Setup(setupPage(shell, frame, facts, latest, now)))
	}
}

// latestCopy is nil when this process writes no copies.
func (s *Server) latestCopy(ctx context.Context) (*Copy, error) {
	if s.cfg.Copies == nil {
		return nil, nil
	}
	c, err := s.cfg.Copies.Latest(ctx)
	return &c, err
}

// setupPage builds the first page of Setup.
func setupPage(shell views.Shell, frame store.Frame, f store.FarmFacts, latest *Copy, now time.Time) views.SetupPage {
	zone := frame.Settings.Zone()
	p := views.SetupPage{Shell: shell}
	p.Farm = []views.Fact{
		{Word: "Printers", Value: count(f.PrintersInService) + " in service", Note: retiredNote(f.Printers - f.PrintersInService)},
		{Word: "Plates", Value: count(f.PlatesInService) + " in service", Note: retiredNote(f.Plates - f.PlatesInService)},
		{Word: "First layers", Value: "about " + count(f.FirstLayers), Note: spanNote(f, zone)},
		{Word: "People", Value: count(f.People), Note: count(f.MaySignIn) + " may sign in"},
		{Word: "Tokens", Value: count(f.Tokens), Note: "for machines and scripts"},
	}
	if f.LastArrival != nil {
		p.Farm = append(p.Farm, views.Fact{Word: "Last entry", Value: ago(*f.LastArrival, now), Note: clock(*f.LastArrival, zone)})
	}
	p.Farm = append(p.Farm, views.Fact{Word: "Schema", Value: count(f.Schema)})
	p.Copies, p.CopyWarn = copyFacts(latest, now, zone)
	p.Settings = settingsTable(frame.Settings)
	return p
}

func retiredNote(n int) string {
	if n == 0 {
		return ""
	}
	return count(n) + " retired"
}

func spanNote(f store.FarmFacts, zone *time.Location) string {
	if f.FirstStart == nil || f.LastStart == nil {
		return "no record"
	}
	return clock(*f.FirstStart, zone) + " to " + clock(*f.LastStart, zone)
}

func copyFacts(latest *Copy, now time.Time, zone *time.Location) ([]views.Fact, string) {
	if latest == nil {
		return []views.Fact{{Word: "Written", Value: "not by this process", Note: "basecourse serve writes one a day"}}, ""
	}
	facts := []views.Fact{{Word: "Folder", Value: latest.Folder}, {Word: "Kept", Value: counted(latest.Kept, "copy", "copies")}}
	if latest.WrittenAt.IsZero() {
		facts = append([]views.Fact{{Word: "Last written", Value: "none yet"}}, facts...)
	} else {
		facts = append([]views.Fact{{Word: "Last written", Value: ago(latest.WrittenAt, now), Note: clock(latest.WrittenAt, zone)},
			{Word: "Read back", Value: counted(latest.Rows, "record", "records")}}, facts...)
	}
	switch {
	case latest.Problem != "":
		return facts, "The last daily copy failed: " + sentenceLower(latest.Problem)
	case !latest.WrittenAt.IsZero() && now.Sub(latest.WrittenAt) > copyStale:
		return facts, "The last daily copy is " + duration(now.Sub(latest.WrittenAt)) + " old. Check the folder and the log."
	}
	return facts, ""
}

// settingNote says what a setting's number is of, where its name does not.
func settingNote(key, currency string) string {
	switch key {
	case "labour_per_hour":
		return currency + " for an hour of a person"
	case "machine_per_hour":
		return currency + " for an hour of a printer"
	case "failure_minutes":
		return "machine time lost by a failed first layer"
	case "failure_labour_minutes":
		return "a person's time for a failed first layer"
	case "failure_material":
		return currency + " of material lost by a failed first layer"
	case "least_avoidable":
		return "failures of 100 layers; a finding below it is not raised"
	case "lot_limit":
		return "a share, from 0 to 1"
	}
	return ""
}

func settingsTable(values farm.SettingValues) views.Table {
	t := views.Table{Caption: "Settings", Sub: "changed by importing settings.csv with --update", Columns: []views.Column{{Word: "Setting"}, {Word: "Value", Number: true}, {Word: "Standard", Number: true, Wide: true}}}
	for _, r := range farm.SettingRules {
		_, set := values[r.Key]
		t.Rows = append(t.Rows, views.Row{Strong: set && values[r.Key] != r.Default, Cells: []views.Cell{
			{Text: sentenceCase(strings.ReplaceAll(r.Key, "_", " ")), Note: settingNote(r.Key, values.Text("currency"))}, {Text: values.Text(r.Key)}, {Text: r.Default}}})
	}
	return t
}
