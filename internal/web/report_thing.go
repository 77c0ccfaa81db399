package web

import (
	"context"
	"net/url"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// sheetWeeks is how many weeks a printer's or plate's sheet looks back.
const sheetWeeks = 12

// sheetEvents is how many of the latest events stand on it.
const sheetEvents = 12

// getThingSheet is the sheet of one printer or plate: one page for paper.
func (s *Server) getThingSheet(kind, form string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		r, err := s.thingReport(ctx, kind, tag, now, frame, zone)
		if err != nil {
			return err
		}
		return s.sendReport(c, form, r, func() views.ReportPage {
			p := r.page(withClock(s.shell(c, r.title, "/findings"), now, zone))
			p.DataThrough = clock(windowEnd(frame, now), zone)
			p.Crumbs = []views.Link{{Word: "Reports", Href: s.url("/reports")}, {Word: tag, Href: s.url("/" + kind + "s/" + url.PathEscape(tag))}}
			p.Choices = []views.Link{{Word: "Audit pack", Href: s.url("/reports/audit") + "?" + url.Values{"kind": {kind}, "tag": {tag}}.Encode()}}
			p.Downloads = s.reportFiles("/reports/"+kind+"s/"+url.PathEscape(tag), nil)
			return p
		})
	}
}

// thingReport gathers it.
func (s *Server) thingReport(ctx context.Context, kind, tag string, now time.Time, frame store.Frame, zone *time.Location) (*report, error) {
	of, err := s.store.ThingByTag(ctx, kind, tag)
	if err != nil {
		return nil, err
	}
	end := windowEnd(frame, now)
	r := &report{code: kind + "_sheet", name: kind + "-" + tag + "-" + end.In(zone).Format(time.DateOnly), title: sentenceCase(kind) + " " + tag, to: end, sub: "Weeks are ISO weeks in the farm's zone."}
	if r.facts, err = s.thingFacts(ctx, kind, tag, now, frame, zone, r); err != nil {
		return nil, err
	}
	// The weeks, the last one first.
	var weeks [][2]time.Time
	for k := range sheetWeeks {
		from, to, _ := weekOf(weekName(end.AddDate(0, 0, -7*k), zone), zone)
		weeks = append(weeks, [2]time.Time{from.Add(-time.Microsecond), to.Add(-time.Microsecond)})
	}
	r.from = weeks[sheetWeeks-1][0].Add(time.Microsecond)
	whole := [2]time.Time{weeks[sheetWeeks-1][0], end}
	counts, err := s.store.CountsOf(ctx, of, append([][2]time.Time{whole}, weeks...)...)
	if err != nil {
		return nil, err
	}
	rates := reportPart{id: "rates", title: "First layers by week", columns: append([]reportColumn{{"week", "Week", false}}, ratedColumns...)}
	rates.rows = append(rates.rows, append([]reportCell{inWords(counted(sheetWeeks, "week", "weeks") + " together")}, rated(counts[0].Started, counts[0].Graded, counts[0].Failures)...))
	for k, n := range counts[1:] {
		if n.Started > 0 {
			rates.rows = append(rates.rows, append([]reportCell{inWords(weekName(weeks[k][1], zone))}, rated(n.Started, n.Graded, n.Failures)...))
		}
	}
	if counts[0].Started == 0 {
		rates.rows, rates.empty = nil, "No first layer was started in the last "+counted(sheetWeeks, "week", "weeks")+"."
	}
	grades, marks, err := s.store.MarksBetween(ctx, of, whole[0], whole[1])
	if err != nil {
		return nil, err
	}
	care, err := s.store.CareBetween(ctx, of, whole[0], whole[1])
	if err != nil {
		return nil, err
	}
	found, err := s.latestFindings(ctx, now, frame.Version)
	if err != nil {
		return nil, err
	}
	about := reportPart{id: "findings", title: "Findings", empty: "No question is asked about it.", columns: []reportColumn{{"cause", "Goes with", false}, {"state", "Evidence", false}, {"says", "What it says", false}}}
	for _, f := range found.Items {
		if f.Kind == kind && f.Subject == tag {
			about.rows = append(about.rows, []reportCell{{text: wordFor(causeWords, f.Cause), value: f.Cause, href: s.findingHref(f.Kind, f.Subject, f.Cause)}, {text: stateFor(evidenceStates, f.State).Word, value: f.State}, inWords(f.Summary)})
		}
	}
	history, err := s.lastEvents(ctx, kind, tag, of, zone)
	if err != nil {
		return nil, err
	}
	r.parts = []reportPart{rates, gradesPart(grades, marks, counts[0].Graded), carePart(care), about, history}
	return r, nil
}

// thingFacts says what and how it is, and the sheet's first line.
func (s *Server) thingFacts(ctx context.Context, kind, tag string, now time.Time, frame store.Frame, zone *time.Location, r *report) ([]reportFact, error) {
	var facts []views.Fact
	end := windowEnd(frame, now)
	if kind == "plate" {
		x, err := s.store.PlateFacts(ctx, tag, now.Add(-floorWindow), now)
		if err != nil {
			return nil, err
		}
		facts = s.plateFacts(x, zone, now)
	} else {
		stands, _, err := s.stands(ctx, frame, now, tag)
		if err != nil {
			return nil, err
		}
		if len(stands) > 0 {
			x := stands[0]
			r.lead = printerStates[x.state].Word
			if x.why != "" {
				r.lead += ": " + x.why
			}
			r.lead = sentence(r.lead)
			facts = s.printerFacts(&x, zone, end)
		}
	}
	var out []reportFact
	for _, f := range facts {
		out = append(out, reportFact{name: f.Word, word: f.Word, says: f.Value, note: f.Note, href: f.Href, value: f.Value})
	}
	return out, nil
}

func gradesPart(grades, marks map[string]int, graded int) reportPart {
	p := reportPart{id: "grades", title: "Grades and marks", empty: "No layer was graded.", columns: []reportColumn{{"what", "", false}, {"code", "", false}, {"word", "What was seen", false}, {"n", "Layers", true}}}
	for _, g := range farm.Grades {
		if n := grades[g]; n > 0 {
			p.rows = append(p.rows, []reportCell{{value: "grade"}, {value: g}, inWords(stateFor(gradeStates, g).Word), told(n)})
		}
	}
	list := make([]string, 0, len(marks))
	for m := range marks {
		list = append(list, m)
	}
	slices.SortFunc(list, func(a, b string) int {
		if marks[a] != marks[b] {
			return marks[b] - marks[a]
		}
		return slices.Index(farm.Marks, a) - slices.Index(farm.Marks, b)
	})
	for _, m := range list {
		p.rows = append(p.rows, []reportCell{{value: "mark"}, {value: m}, inWords(wordFor(markWords, m)), told(marks[m])})
	}
	if len(p.rows) > 0 {
		p.after = []string{"Of " + counted(graded, "graded layer", "graded layers") + " in the last " + counted(sheetWeeks, "week", "weeks") + "; a layer may show several marks."}
	}
	return p
}

// lastEvents lists the latest events that are no first layers.
func (s *Server) lastEvents(ctx context.Context, kind, tag string, of store.Thing, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "history", title: "The latest events", empty: "No event is recorded.", columns: []reportColumn{{"at", "When", false}, {"kind", "", false}, {"what", "What", false}, {"with", "With what", false}}}
	kinds := slices.DeleteFunc(of.HistoryKinds(), func(k string) bool { return k == "first_layer" })
	latest, err := s.store.LatestOf(ctx, of, sheetEvents, kinds...)
	if err != nil {
		return p, err
	}
	var all []store.HistoryEntry
	for _, list := range latest {
		all = append(all, list...)
	}
	slices.SortFunc(all, func(a, b store.HistoryEntry) int { return b.At.Compare(a.At) })
	t := &thing{kind: kind, tag: tag, zone: zone}
	for _, e := range all[:min(len(all), sheetEvents)] {
		v := s.event(&e, t)
		p.rows = append(p.rows, []reportCell{when(e.At, zone), {value: e.Kind}, inWords(v.What), inWords(v.With)})
	}
	return p, nil
}
