package web

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/internal/upkeep"
	"basecourse/views"
)

// drawnLine is what a lot had for a printer's next start.
type drawnLine struct {
	task, arm string
	until     time.Time // it waits no longer than that
	views.Reminder
}

// reminders tell by printer what running tests drew for next starts. A draw that is not made
// yet is made now.
func (s *Server) reminders(ctx context.Context, act store.Act, person string, now time.Time, places ...store.TestPlace) (map[string][]drawnLine, error) {
	draws, err := s.store.TestDraws(ctx, act, person, now, places)
	if err != nil || len(draws) == 0 {
		return nil, err
	}
	out := map[string][]drawnLine{}
	for printer, list := range draws {
		for i := range list {
			d := &list[i]
			arm, says := "do", drawnDo[d.Test.Task]
			if !d.Do {
				arm, says = "leave", notDone[d.Test.Task]
			}
			out[printer] = append(out[printer], drawnLine{d.Test.Task, arm, d.At.Add(trial.Stands), views.Reminder{Arm: arm, Says: "On test: " + says + " (drawn by lot).",
				Why: "It stands until " + printer + " starts again. Safety and the maker’s instructions come before the lot.", Href: s.testHref(d.Test), Links: s.logLinks(d.Test.Task, arm, d.Place)}})
		}
	}
	return out, nil
}

// drawnFor tells by printer what is drawn for the next starts of printers in service: for
// planned tests either arm, by the standing lot what is to be left, since what is to be done
// stands among what is due.
func (s *Server) drawnFor(ctx context.Context, list []store.FloorPrinter, now time.Time) (map[string][]drawnLine, error) {
	var places []store.TestPlace
	for i := range list {
		f := &list[i]
		if f.RetiredAt != nil || f.HeldAt != nil {
			continue
		}
		p := store.TestPlace{Printer: f.Printer, Plate: f.Plate}
		if f.LastStart != nil {
			p.Last = *f.LastStart
		}
		places = append(places, p)
	}
	if len(places) == 0 {
		return nil, nil
	}
	out, err := s.reminders(ctx, store.Act{Via: "program", Why: "drawn by lot"}, "", now, places...)
	if err != nil {
		return nil, err
	}
	one, plate := "", ""
	if len(list) == 1 {
		one, plate = places[0].Printer, places[0].Plate
	}
	st, err := s.store.Standing(ctx, now, time.Time{}, one, plate)
	if err != nil {
		return nil, err
	}
	if out == nil {
		out = map[string][]drawnLine{}
	}
	for _, p := range places {
		last := int64(0)
		if !p.Last.IsZero() {
			last = p.Last.UnixMicro()
		}
		_, held := st.Plates[p.Plate]
		_, away := st.Away[p.Plate]
		for _, task := range []upkeep.Task{upkeep.Wipe, upkeep.Probe} {
			if task.AboutPlate() && p.Plate != "" && (held || away) {
				continue
			}
			var of []store.Drawn
			var times []int64
			for _, d := range st.Drawn[p.Printer] {
				if d.Task == string(task) {
					of, times = append(of, d), append(times, d.At.UnixMicro())
				}
			}
			if k := trial.Holds(times, last, now.UnixMicro()); k >= 0 && of[k].Why == farm.DrawnLot && of[k].Arm == "leave" {
				out[p.Printer] = append(out[p.Printer], drawnLine{string(task), "leave", of[k].At.Add(trial.Stands), views.Reminder{Arm: "leave", Says: "Drawn by lot: " + notDone[string(task)] + ".",
					Why: "Doing it and leaving it cost about the same; the lot shows in time which is better. Safety and the maker’s instructions come before it.", Links: s.logLinks(string(task), "leave", p)}})
			}
		}
	}
	return out, nil
}

// drawnOf are the lines of one printer that say something else than what is due there: where
// a policy asks for a task, or a wash goes before a wipe, the standing lot has no say.
func drawnOf(lines []drawnLine, due []upkeep.Item) []drawnLine {
	return slices.DeleteFunc(slices.Clone(lines), func(l drawnLine) bool {
		return l.Href == "" && slices.ContainsFunc(due, func(x upkeep.Item) bool {
			return string(x.Task) == l.task || x.Task.AboutPlate() && upkeep.Task(l.task).AboutPlate()
		})
	})
}

// drawnToSay are lines as a page at the machine shows them.
func drawnToSay(lines []drawnLine) (out []views.Reminder) {
	for _, l := range lines {
		out = append(out, l.Reminder)
	}
	return out
}
