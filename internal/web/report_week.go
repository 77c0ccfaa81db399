package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// weekName names the ISO week of an instant in a zone: 2026-W10.
func weekName(t time.Time, zone *time.Location) string {
	y, w := t.In(zone).ISOWeek()
	return fmt.Sprintf("%d-W%02d", y, w)
}

// weekOf gives the instants at which an ISO week begins and ends in a zone; ok is
// false where there is no such week.
func weekOf(name string, zone *time.Location) (from, to time.Time, ok bool) {
	var year, week int
	if n, err := fmt.Sscanf(name, "%d-W%d", &year, &week); n != 2 || err != nil || fmt.Sprintf("%d-W%02d", year, week) != name || week < 1 || week > 53 || year < 1970 || year > 9000 {
		return from, to, false
	}
	// 4 January is always in week 1.
	fourth := time.Date(year, 1, 4, 0, 0, 0, 0, zone)
	monday := 4 - (int(fourth.Weekday())+6)%7 + 7*(week-1)
	from, to = midnight(year, 1, monday, zone), midnight(year, 1, monday+7, zone)
	return from, to, weekName(from.Add(12*time.Hour), zone) == name
}

// midnight is when a day begins in a zone, where the clocks leave midnight out too.
func midnight(y int, m time.Month, d int, zone *time.Location) time.Time {
	t := time.Date(y, m, d, 0, 0, 0, 0, zone)
	if t.Hour() == 23 {
		_, t = t.ZoneBounds()
	}
	return t
}

// weeksBefore is how many weeks a week is laid beside.
const weeksBefore = 8

// getReports is where reports are chosen.
func (s *Server) getReports() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "week", "kind", "tag", "from", "to"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		end := windowEnd(frame, now)
		if w := c.QueryParam("week"); w != "" {
			return c.Redirect(http.StatusSeeOther, s.url("/reports/weeks/"+url.PathEscape(w)))
		}
		p := views.ReportPage{Shell: withClock(s.shell(c, "Reports", "/findings"), now, zone), Lead: "A week of the farm, one printer, one plate, or all that was recorded about one of them. Each as a page, on paper and as files."}
		p.Crumbs = []views.Link{{Word: "All findings", Href: s.url("/findings")}}
		part := views.ReportPart{ID: "weeks", Title: "Weeks of the farm"}
		for k := range weeksBefore {
			name := weekName(end.AddDate(0, 0, -7*k), zone)
			from, to, _ := weekOf(name, zone)
			part.Facts = append(part.Facts, views.Fact{Word: "Week " + name, Value: from.In(zone).Format(time.DateOnly) + " to " + to.Add(-time.Hour).In(zone).Format(time.DateOnly), Href: s.url("/reports/weeks/" + name)})
		}
		p.Parts = append(p.Parts, part, views.ReportPart{ID: "things", Title: "One printer or plate", Lead: []string{"“Sheet for paper” on a printer's or plate's page leads to its sheet, “Audit pack” to all that was recorded about it."}})
		p.Choices = []views.Link{{Word: "Audit pack", Href: s.url("/reports/audit")}}
		return render(c, http.StatusOK, views.Report(p))
	}
}

func (s *Server) getWeek(form string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		name := c.Param("week")
		from, to, ok := weekOf(name, zone)
		if !ok {
			return fault.New(fault.NotFound, "There is no week %s: weeks are written as 2026-W10.", fault.Quote(name))
		}
		if from.After(now) {
			return fault.New(fault.NotFound, "Week %s has not begun.", name)
		}
		r, err := s.weekReport(ctx, name, from, to, now, frame, zone)
		if err != nil {
			return err
		}
		return s.sendReport(c, form, r, func() views.ReportPage {
			p := r.page(withClock(s.shell(c, r.title, "/findings"), now, zone))
			p.DataThrough = clock(windowEnd(frame, now), zone)
			p.Crumbs = []views.Link{{Word: "Reports", Href: s.url("/reports")}}
			before := weekName(from.AddDate(0, 0, -3), zone)
			p.Choices = append(p.Choices, views.Link{Word: "The week before", Href: s.url("/reports/weeks/" + before)})
			if next := weekName(to.AddDate(0, 0, 3), zone); to.Before(now) {
				p.Choices = append(p.Choices, views.Link{Word: "The week after", Href: s.url("/reports/weeks/" + next)})
			}
			p.Downloads = s.reportFiles("/reports/weeks/"+name, nil)
			return p
		})
	}
}

// weekReport gathers the report of a week.
func (s *Server) weekReport(ctx context.Context, name string, from, to, now time.Time, frame store.Frame, zone *time.Location) (*report, error) {
	until := to
	if now.Before(to) {
		until = now
	}
	r := &report{code: "week", name: "week-" + name, from: from, to: to, title: "Week " + name, sub: from.In(zone).Format("Mon 2006-01-02") + " to " + to.Add(-time.Hour).In(zone).Format("Mon 2006-01-02") + ", in the farm's zone."}
	if now.Before(to) {
		r.sub += " The week is not over: counts are until " + clock(now, zone) + "."
	}
	bounds := []time.Time{from.AddDate(0, 0, -7*weeksBefore), from, to}
	got, err := s.store.Trends(ctx, store.TrendQuery{By: store.TrendPlate, Bounds: bounds, Until: until, Zone: zone, InBuckets: true})
	if err != nil {
		return nil, err
	}
	past, week := got.Buckets[0], got.Buckets[1]
	r.lead = weekLead(week, past)
	fails := reportPart{id: "failures", title: "Failures", columns: append([]reportColumn{{"when", "When", false}}, ratedColumns...)}
	fails.rows = append(fails.rows, append([]reportCell{inWords("This week")}, rated(week.Started, week.Graded, week.Failures)...),
		append([]reportCell{inWords(counted(weeksBefore, "week", "weeks") + " before")}, rated(past.Started, past.Graded, past.Failures)...))
	if week.Late > 0 {
		fails.after = append(fails.after, sentence(counted(week.Late, "layer", "layers")+" of the week noted more than a day late are counted"))
	}
	byWeek, err := s.weekChart(ctx, from, to, until, now, zone)
	if err != nil {
		return nil, err
	}
	r.parts = append(r.parts, fails, byWeek, weekPlates(s, got.Groups))
	decided, err := s.weekDecided(ctx, from, until, zone)
	if err != nil {
		return nil, err
	}
	cases, err := s.weekCases(ctx, from, until, zone)
	if err != nil {
		return nil, err
	}
	care, err := s.store.CareBetween(ctx, store.Thing{}, from, until)
	if err != nil {
		return nil, err
	}
	jobs, err := s.weekJobs(ctx, from, until, zone)
	if err != nil {
		return nil, err
	}
	next, err := s.weekNext(ctx, now, frame, zone)
	if err != nil {
		return nil, err
	}
	r.parts = append(r.parts, decided, cases, carePart(care), jobs, next)
	return r, nil
}

// weekLead says in one sentence how the week was beside those before.
func weekLead(week, past store.TrendCount) string {
	switch {
	case week.Started == 0:
		return "No first layer was started in this week."
	case week.Graded == 0:
		return "No first layer of this week is graded yet."
	}
	words := counted(week.Failures, "first layer", "first layers") + " of " + count(week.Graded) + " graded failed"
	if past.Graded == 0 {
		return words + "; no week before to lay beside it."
	}
	usual := float64(past.Failures) / float64(past.Graded) * float64(week.Graded)
	return words + fmt.Sprintf("; at the rate of the %d weeks before it would have been about %.0f.", weeksBefore, usual)
}

// platesShown is how many plates a week's report lists.
const platesShown = 12

func weekPlates(s *Server, groups []store.TrendGroup) reportPart {
	p := reportPart{id: "plates", title: "Plates with most failures", empty: "No plate had a failure in this week.", columns: append([]reportColumn{{"plate", "Plate", false}}, append(slices.Clone(ratedColumns), reportColumn{"before", "The 8 weeks before", false}, reportColumn{"before_graded", "", true}, reportColumn{"before_failed", "", true})...),
		after: []string{"By failures, then by tag. Few layers tell little: see the likely range, and the plate's own page."}}
	list := slices.DeleteFunc(slices.Clone(groups), func(g store.TrendGroup) bool { return g.Name == "" || g.Buckets[1].Failures == 0 })
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i].Buckets[1].Failures, list[j].Buckets[1].Failures
		return a > b || a == b && naturalLess(list[i].Name, list[j].Name)
	})
	if len(list) > platesShown {
		p.after = append([]string{count(len(list)-platesShown) + " further plates had failures; Trends shows all."}, p.after...)
		list = list[:platesShown]
	}
	for _, g := range list {
		w, b := g.Buckets[1], g.Buckets[0]
		p.rows = append(p.rows, append(append([]reportCell{linked(g.Name, s.url("/plates/"+url.PathEscape(g.Name)))}, rated(w.Started, w.Graded, w.Failures)...),
			reportCell{text: ofWords(b.Failures, b.Graded), value: ofWords(b.Failures, b.Graded)}, reportCell{value: b.Graded}, reportCell{value: b.Failures}))
	}
	return p
}

// weekDecided lists what was raised, said against findings, held and released.
func (s *Server) weekDecided(ctx context.Context, from, to time.Time, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "decided", title: "Raised and decided", empty: "Nothing was raised, held or released in this week.", columns: []reportColumn{{"at", "When", false}, {"what", "What", false}, {"subject", "Of", false}, {"why", "Why", false}}}
	type line struct {
		at  time.Time
		row []reportCell
	}
	var list []line
	add := func(at time.Time, what string, subject reportCell, why string) {
		list = append(list, line{at, []reportCell{when(at, zone), inWords(what), subject, inWords(why)}})
	}
	sheets, err := s.store.SheetsBetween(ctx, from, to)
	if err != nil {
		return p, err
	}
	for _, x := range sheets {
		if x.Because == "raised" {
			add(x.At, "Raised: failures go with "+wordFor(causeWords, x.Cause), linked(x.Subject, s.sheetHref(x.ID)), "")
		}
	}
	against, err := s.store.Disagreements(ctx, to)
	if err != nil {
		return p, err
	}
	for _, x := range against {
		if x.At.After(from) {
			add(x.At, "Disagreed: "+wordFor(causeWords, x.Cause), linked(x.Subject, s.findingHref(x.SubjectKind, x.Subject, x.Cause)+"#disagreements"), x.Reason)
		}
	}
	holds, err := s.store.HoldsBetween(ctx, from, to)
	if err != nil {
		return p, err
	}
	for _, x := range holds {
		subject := linked(x.Subject, s.url("/"+x.SubjectKind+"s/"+url.PathEscape(x.Subject)))
		if x.PlacedAt.After(from) && !x.PlacedAt.After(to) {
			add(x.PlacedAt, "Held", subject, x.Reason)
		}
		if x.ReleasedAt != nil && x.ReleasedAt.After(from) && !x.ReleasedAt.After(to) {
			add(*x.ReleasedAt, "Released", subject, x.ReleaseReason)
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].at.Before(list[j].at) })
	for _, x := range list {
		p.rows = append(p.rows, x.row)
	}
	return p, nil
}

// carePart says what upkeep was done and what was left out.
func carePart(list []store.CareCount) reportPart {
	p := reportPart{id: "upkeep", title: "Upkeep", empty: "No upkeep was recorded.", columns: []reportColumn{{"what", "", false}, {"code", "", false}, {"word", "What", false}, {"n", "How often", true}}}
	for _, x := range list {
		var word string
		switch x.What {
		case "cleaning":
			word = wordFor(methodWords, x.Code)
		case "probe":
			word = map[string]string{"full": "Probed", "part": "Probed in part", "zero": "Zeroed"}[x.Code]
		case "probe_skipped":
			word = "Probe skipped: " + wordFor(skipReasonWords, x.Code)
		default:
			word = wordFor(skippedTaskWords, x.Code)
		}
		p.rows = append(p.rows, []reportCell{{value: x.What}, {value: x.Code}, inWords(word), told(x.N)})
	}
	return p
}

// weekJobs lays what was expected of jobs beside what happened.
func (s *Server) weekJobs(ctx context.Context, from, to time.Time, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "jobs", title: "Jobs, expected and happened", empty: "No planned job had a start in this week.", columns: []reportColumn{{"job", "Job", false}, {"planned_at", "Planned", false}, {"starts", "Made of planned", false}, {"made", "", true}, {"expected", "Failures expected, 90 of 100 range", false}, {"failures_expected", "", true}, {"failed", "Failed", true}}}
	list, err := s.store.JobOutcomes(ctx, to, store.Cursor{}, 300)
	if err != nil {
		return p, err
	}
	for _, o := range besides(list) {
		if o.Last == nil || !o.Last.After(from) {
			continue
		}
		p.rows = append(p.rows, []reportCell{linked(o.Job, s.url("/jobs/"+url.PathEscape(o.Job))), when(o.At, zone), {text: ofWords(o.Made, o.Starts), value: o.Starts}, {value: o.Made},
			{text: failureRange(o.Expected, o.Low, o.High), value: failureRange(o.Expected, o.Low, o.High)}, {value: finite(o.Expected)}, told(o.Failed)})
	}
	return p, nil
}

// weekNext says what to do next: what is raised, and what is due.
func (s *Server) weekNext(ctx context.Context, now time.Time, frame store.Frame, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "next", title: "What to do next", empty: "Nothing is raised and nothing is due.", columns: []reportColumn{{"do", "Do", false}, {"because", "Because", false}}, after: []string{"As of now, " + clock(now, zone) + ", whichever week is shown."}}
	found, err := s.latestFindings(ctx, now, frame.Version)
	if err != nil {
		return p, err
	}
	raised := slices.DeleteFunc(slices.Clone(found.Items), func(f Finding) bool { return f.State != "raised" })
	sortFindings(raised)
	for _, f := range raised {
		a := adviceFor(&Evidence{Finding: f, GapSplit: found.GapSplit})
		p.rows = append(p.rows, []reportCell{linked(a.Do, s.findingHref(f.Kind, f.Subject, f.Cause)), inWords(f.Summary)})
	}
	due := map[string]int{}
	for _, list := range found.Ahead {
		for _, x := range list {
			if x.In == 0 {
				due[string(x.Task)]++
			}
		}
	}
	tasks := make([]string, 0, len(due))
	for t := range due {
		tasks = append(tasks, t)
	}
	slices.Sort(tasks)
	for _, t := range tasks {
		p.rows = append(p.rows, []reportCell{linked(sentenceCase(strings.ReplaceAll(t, "_", " "))+", "+counted(due[t], "time", "times"), s.url("/upkeep")), inWords("due before the next starts, by counts")})
	}
	return p, nil
}
