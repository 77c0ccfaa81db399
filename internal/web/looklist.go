package web

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/store"
	"basecourse/views"
)

// Looks draws which running first layers to look at.
type Looks interface {
	DrawLooks(ctx context.Context, now time.Time) (int, error)
}

// drawEvery is how often starts are drawn for: well before a first layer is down.
const drawEvery = 5 * time.Second

// drawLooks draws for new starts until the context ends; any replica may do it.
func (s *Server) drawLooks(ctx context.Context) {
	tick := time.NewTicker(drawEvery)
	defer tick.Stop()
	told := false
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		_, err := s.cfg.Looks.DrawLooks(ctx, s.now())
		if err != nil && ctx.Err() == nil && !told {
			s.log.Warn("the look list could not be drawn just now", "error", err.Error())
		}
		told = err != nil
	}
}

// drawPatience is how long a page waits for the draw: a farm's first forecast may take
// longer, and the server draws on without the page.
const drawPatience = 3 * time.Second

// drawNow draws for what runs before a page shows it; a page goes on without.
func (s *Server) drawNow(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, drawPatience)
	defer cancel()
	if _, err := s.cfg.Looks.DrawLooks(ctx, s.now()); err != nil {
		s.log.WarnContext(ctx, "the look list could not be drawn just now", "error", err.Error())
	}
}

// listUsed tells whether the farm looks at some starts only.
func listUsed(frame store.Frame) bool { return frame.Settings.Number("look_share") < 100 }

// onList tells whether a draw put a start on the list.
func onList(drawn string) bool { return drawn == "lot" || drawn == "risk" }

// lookedBecause is why a layer that somebody looked at on a round was looked at.
func lookedBecause(drawn string) string {
	if onList(drawn) {
		return drawn
	}
	return "round"
}

var drawnWords = map[string]string{"lot": "On the list by lot", "risk": "On the list by risk", "no": "Not on the list", "": "Not drawn for"}

// lookDone says how much of the list of this shift is done: "This shift, since 06:00:
// 12 of 15 on the look list graded; 20 of 60 layers graded." It is "" where all are
// looked at. Without recorded shifts it is of the day.
func (s *Server) lookDone(ctx context.Context, frame store.Frame, now time.Time) (string, error) {
	if !listUsed(frame) {
		return "", nil
	}
	zone := frame.Settings.Zone()
	local := now.In(zone)
	from, word := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone), "Today"
	turns, err := s.store.Turns(ctx, now.Add(-24*time.Hour), now.Add(time.Minute))
	if err != nil {
		return "", err
	}
	shifts := shiftsOf(turns)
	if i := shiftAt(shifts, now); i >= 0 && !shifts[i].from.After(now) && shifts[i].to.After(now) {
		from, word = shifts[i].from, "This shift, since "+shifts[i].from.In(zone).Format("15:04")
	}
	c, err := s.store.LookCounts(ctx, from, now)
	if err != nil {
		return "", err
	}
	if c.Started == 0 {
		return word + " no first layer started.", nil
	}
	return word + ": " + count(c.Looked) + " of " + count(c.Listed) + " on the look list graded; " + coverage(c.Graded, c.Started) + ".", nil
}

// listFirst puts those on the list first; among them, and after them, the round's
// order stands.
func (l *looks) listFirst() {
	slices.SortStableFunc(l.order, func(i, j int) int {
		a, b := onList(l.layers[i].Drawn), onList(l.layers[j].Drawn)
		switch {
		case a && !b:
			return -1
		case b && !a:
			return 1
		}
		return 0
	})
}

// lookPart says in the handover how far the list is done.
func lookPart(p views.HandoverPart, done, href string) views.HandoverPart {
	if done != "" {
		p.Lines = append(p.Lines, views.Fact{Word: "Look list", Href: href, Value: done})
	}
	return p
}
