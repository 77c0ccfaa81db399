package web

import (
	"context"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/views"
)

// reminders tell what running tests drew for a printer's next start. A draw that is not
// made yet is made now: it follows from the farm's secret and the printer's last start, so
// that looking again, or on another tablet, gives the same.
func (s *Server) reminders(ctx context.Context, who Identity, p testPlace) ([]views.Reminder, error) {
	now := s.now()
	tests, err := s.store.RunningTests(ctx, now)
	if err != nil || len(tests) == 0 {
		return nil, err
	}
	var out []views.Reminder
	var held *store.Standing
	drawn := map[string]bool{} // a task is drawn once
	for _, t := range tests {
		if !p.concerns(t) || drawn[t.Task] {
			continue
		}
		drawn[t.Task] = true
		if held == nil {
			if held, err = s.store.Standing(ctx, now, time.Time{}, p.printer, p.plate); err != nil {
				return nil, err
			}
		}
		arm, err := s.testDraw(ctx, who, t, p, held.Drawn[p.printer], now)
		if err != nil {
			return nil, err
		}
		if arm == "" {
			continue
		}
		says := drawnDo[t.Task]
		if arm == "leave" {
			says = notDone[t.Task]
		}
		out = append(out, views.Reminder{Arm: arm, Says: "On test: " + says + " (drawn by lot).", Why: "It stands until " + p.printer + " starts again. Safety and the maker’s instructions come before the lot.",
			Href: s.testHref(t), Links: s.logLinks(t.Task, arm, p)})
	}
	return out, nil
}

// testDraw gives what a test drew for a printer's next start; "" where something else was
// drawn for it first, or the draw has waited too long.
func (s *Server) testDraw(ctx context.Context, who Identity, t *farm.PlannedTest, p testPlace, latest []store.Drawn, now time.Time) (string, error) {
	last := int64(0)
	if !p.last.IsZero() {
		last = p.last.UnixMicro()
	}
	var at []int64
	var of []store.Drawn
	for _, d := range latest {
		if d.Task == t.Task {
			at, of = append(at, d.At.UnixMicro()), append(of, d)
		}
	}
	for k := range at {
		if at[k] > last {
			if trial.Holds(at, last, now.UnixMicro()) == k && (of[k].Why == t.ID.UUID.String() || of[k].Why == t.ID.Text()) {
				return of[k].Arm, nil
			}
			return "", nil
		}
	}
	secret, err := s.store.LotSecret(ctx)
	if err == nil && secret == nil {
		if err = s.store.EnsureLotSecret(ctx); err == nil {
			secret, err = s.store.LotSecret(ctx)
		}
	}
	if err != nil {
		return "", err
	}
	arm := "leave"
	if trial.Number(secret, p.printer, last, t.Task) < t.Share {
		arm = "do"
	}
	id, err := farm.NewID(farm.KindDraw, trial.ID(p.printer, last, t.Task))
	if err != nil {
		return "", err
	}
	err = s.store.KeepDraws(ctx, who.act("page"), []farm.Draw{{ID: id, Printer: p.printer, Plate: p.plate, Task: t.Task, DrawnAt: now, Arm: arm, Chance: t.Share, Saves: farm.Unknown(), Why: t.ID.UUID.String(), Person: who.Handle}})
	return arm, err
}
