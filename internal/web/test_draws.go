package web

import (
	"context"

	"basecourse/internal/store"
	"basecourse/views"
)

// reminders tell by printer what running tests drew for next starts. A draw that is not made
// yet is made now.
func (s *Server) reminders(ctx context.Context, who Identity, places ...store.TestPlace) (map[string][]views.Reminder, error) {
	draws, err := s.store.TestDraws(ctx, who.act("page"), who.Handle, s.now(), places)
	if err != nil || len(draws) == 0 {
		return nil, err
	}
	out := map[string][]views.Reminder{}
	for printer, list := range draws {
		for i := range list {
			d := &list[i]
			arm, says := "do", drawnDo[d.Test.Task]
			if !d.Do {
				arm, says = "leave", notDone[d.Test.Task]
			}
			out[printer] = append(out[printer], views.Reminder{Arm: arm, Says: "On test: " + says + " (drawn by lot).", Why: "It stands until " + printer + " starts again. Safety and the maker’s instructions come before the lot.",
				Href: s.testHref(d.Test), Links: s.logLinks(d.Test.Task, arm, d.Place)})
		}
	}
	return out, nil
}
