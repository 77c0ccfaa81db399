package web

import (
	"context"
	"net/http"
	"strings"
	"time"

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
		latest, err := latestOf(ctx, s.cfg.Copies)
		if err != nil {
			return err
		}
		backup, err := latestOf(ctx, s.cfg.Backups)
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Setup", "/setup"), now, frame.Settings.Zone())
		p := setupPage(shell, frame, facts, latest, backup, now)
		p.Parts = s.setupParts(c, facts)
		if facts.Printers == 0 {
			p.First = s.firstSteps(c, "The farm is empty. Add printers or import a bundle.")
		}
		return render(c, http.StatusOK, views.Setup(p))
	}
}

// latestOf is nil when this process writes no such copies.
func latestOf(ctx context.Context, copies Copies) (*Copy, error) {
	if copies == nil {
		return nil, nil
	}
	c, err := copies.Latest(ctx)
	return &c, err
}

// setupPage builds the first page of Setup.
func setupPage(shell views.Shell, frame store.Frame, f store.FarmFacts, latest, backup *Copy, now time.Time) views.SetupPage {
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
	p.Copies, p.CopyWarn = copyFacts("copy", latest, now, zone)
	p.Backups, p.BackupWarn = copyFacts("backup", backup, now, zone)
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

func copyFacts(what string, latest *Copy, now time.Time, zone *time.Location) ([]views.Fact, string) {
	if latest == nil {
		return []views.Fact{{Word: "Written", Value: "not by this process", Note: "basecourse serve writes one a day"}}, ""
	}
	facts := []views.Fact{{Word: "Folder", Value: latest.Folder}, {Word: "Kept", Value: counted(latest.Kept, what, strings.Replace(what+"s", "ys", "ies", 1))}}
	if latest.WrittenAt.IsZero() {
		facts = append([]views.Fact{{Word: "Last written", Value: "none yet"}}, facts...)
	} else {
		facts = append([]views.Fact{{Word: "Last written", Value: ago(latest.WrittenAt, now), Note: clock(latest.WrittenAt, zone)},
			{Word: "Read back", Value: counted(latest.Rows, "record", "records")}}, facts...)
	}
	switch {
	case latest.Problem != "":
		return facts, "The last daily " + what + " failed: " + sentenceLower(latest.Problem)
	case !latest.WrittenAt.IsZero() && now.Sub(latest.WrittenAt) > copyStale:
		return facts, "The last daily " + what + " is " + duration(now.Sub(latest.WrittenAt)) + " old. Check the folder and the log."
	}
	return facts, ""
}

// setupParts lead to the parts of Setup, to whoever may enter them.
func (s *Server) setupParts(c echo.Context, f store.FarmFacts) []views.SetupPart {
	var out []views.SetupPart
	for _, x := range []struct{ word, path, note string }{
		{"Printers", "/setup/printers", count(f.PrintersInService) + " in service"},
		{"Plates", "/setup/plates", count(f.PlatesInService) + " in service"},
		{"Materials", "/setup/materials", "what is printed"},
		{"People", "/setup/people", count(f.MaySignIn) + " may sign in"},
		{"Tablets", "/setup/tablets", "shared, with PINs"},
		{"Jobs", "/setup/jobs", "orders"},
		{"Shifts", "/setup/shifts", "who works when"},
		{"Instruments", "/setup/instruments", "gauges and scales"},
		{"Policies", "/setup/policies", "how often to clean and probe"},
		{"Settings", "/setup/settings", "time zone, minutes, money"},
		{"Over-bonding", "/setup/over-bonding", "materials that tear off"},
		{"Cautions", "/setup/cautions", "said where it can hurt"},
		{"Tokens", "/setup/tokens", counted(f.Tokens, "in force", "in force")},
		{"Notices sent out", "/setup/notices", "mail and webhooks"},
		{"API", "/help/api", "how programs send and read records"},
		{"Trust on tablets", "/trust", "https, for work without network"},
		{"Labels", "/setup/labels", "codes for printers and plates"},
		{"Import", "/setup/import", "a bundle or a log, checked first"},
		{"Mappings", "/setup/mappings", "how logs are read"},
		{"Export", "/setup/export", "the whole farm as a bundle"},
		{"Help", "/help", "each word, explained once"},
	} {
		if href := s.open(c, x.path); href != "" {
			out = append(out, views.SetupPart{Word: x.word, Href: href, Note: x.note})
		}
	}
	return out
}
