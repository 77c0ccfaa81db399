package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// jobsSize is how many jobs stand on one page, each with its counts.
const jobsSize = 25

func (s *Server) getJobs() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "find", "page"); err != nil {
			return err
		}
		page, err := pageNumber(c)
		if err != nil {
			return err
		}
		find := c.QueryParam("find")
		if len(find) > 256 {
			return badRequest(fault.Problem{Column: "find", Found: find, Expected: "a part of a name"})
		}
		ctx, now := c.Request().Context(), s.now()
		all, err := s.jobFarm(ctx, now)
		if err != nil {
			return err
		}
		zone := all.zone
		list, total, err := s.store.Things(ctx, farm.KindJob, find, (page-1)*jobsSize, jobsSize)
		if err != nil {
			return err
		}
		names := make([]string, len(list))
		for i, rec := range list {
			names[i] = rec.(*farm.Job).Job
		}
		counts, err := s.store.JobCounts(ctx, names)
		if err != nil {
			return err
		}
		here := s.url("/jobs")
		p := views.JobsPage{Shell: withClock(s.shell(c, "Jobs", "/jobs"), now, zone), Lead: "Orders, open ones first, by when they are due, with what their first layers came to.",
			WhatIs: []views.HelpLink{{ID: "job", Word: "a job"}, {ID: "failure", Word: "a failure"}, {ID: "coverage", Word: "coverage"}},
			Find:   find, FindTo: here, Setup: s.open(c, "/setup/add-job"), Plan: s.url("/jobs/plan"), Forecasts: s.url("/jobs/forecasts"), Pager: listPager(here, find, page, len(list), total, jobsSize)}
		p.Holds, p.HoldTo = all.holdWords(), s.url("/upkeep?list=holds")
		if total == 0 {
			p.FindTo, p.Empty = "", "No jobs yet. A job appears here once it is added, or once a first layer names it."
			if find != "" {
				p.FindTo, p.Empty = here, "No job has “"+find+"” in its name."
			}
			return render(c, http.StatusOK, views.Jobs(p))
		}
		p.Table = views.Table{Caption: "Jobs", Sub: listSub(page, len(list), total) + "; with “Start more” stands the chance that enough are good then", Columns: []views.Column{{Word: "Job"}, {Word: "Due", Whole: true}, {Word: "Good of needed", Number: true}, {Word: "Running", Number: true, Wide: true}, {Word: "Start more", Number: true},
			{Word: "Failed of graded", Number: true, Wide: true}, {Word: "State", Wide: true}}}
		running := map[string]int{}
		for _, r := range all.running {
			running[r.Job]++
		}
		for _, rec := range list {
			j := rec.(*farm.Job)
			n := counts[j.Job]
			row := views.Row{Cells: []views.Cell{{Text: j.Job, Note: j.Name, Href: here + "/" + url.PathEscape(j.Job)}, {Text: dueText(j, zone), Note: dueNote(j, now)},
				{Text: count(n.Graded-n.Failures) + neededText(j), Note: j.Material},
				{Text: count(running[j.Job])}, all.startMore(j, n), {Text: ofText(n.Failures, n.Graded), Note: coverage(n.Graded, n.Started)}, {Text: setupJobs.stateWord(j, now)}}}
			p.Table.Rows = append(p.Table.Rows, row)
		}
		return render(c, http.StatusOK, views.Jobs(p))
	}
}

// needed is how many good first layers a job wants: plates_needed, else
// quantity; 0 unknown.
func needed(j *farm.Job) int {
	if j.PlatesNeeded > 0 {
		return j.PlatesNeeded
	}
	return j.Quantity
}

func neededText(j *farm.Job) string {
	if n := needed(j); n > 0 {
		return " of " + count(n)
	}
	return ""
}

func ofText(k, n int) string {
	if n == 0 {
		return "–"
	}
	return count(k) + " of " + count(n)
}

func dueText(j *farm.Job, zone *time.Location) string {
	if j.Due.IsZero() {
		return "–"
	}
	return clock(j.Due, zone)
}

func dueNote(j *farm.Job, now time.Time) string {
	switch {
	case j.Due.IsZero() || !j.ClosedAt.IsZero() && !j.ClosedAt.After(now):
		return ""
	case j.Due.Before(now):
		return duration(now.Sub(j.Due)) + " late"
	}
	return "in " + duration(j.Due.Sub(now))
}

func (s *Server) getJob() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before", "show", "confidence", "size_x_mm", "size_y_mm", "surface", "material", "machines"); err != nil {
			return err
		}
		ask, err := readJobAsk(c)
		if err != nil {
			return err
		}
		before, err := readCursor(c.QueryParam("before"), "before")
		if err != nil {
			return err
		}
		show := c.QueryParam("show")
		if show != "" && show != "failures" {
			return badRequest(fault.Problem{Column: "show", Found: show, Expected: "failures, or nothing"})
		}
		name, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		rec, err := s.store.Thing(ctx, farm.KindJob, name)
		if err != nil {
			return err
		}
		all, err := s.jobFarm(ctx, now)
		if err != nil {
			return err
		}
		settings := all.frame.Settings
		counts, err := s.store.JobCounts(ctx, []string{name})
		if err != nil {
			return err
		}
		grades, err := s.store.JobGrades(ctx, name)
		if err != nil {
			return err
		}
		layers, err := s.store.JobLayers(ctx, name, show == "failures", before, historyPage+1)
		if err != nil {
			return err
		}
		p := s.jobPage(rec.(*farm.Job), counts[name], grades, settings, now)
		p.Shell = withClock(s.shell(c, "Job "+name, "/jobs"), now, settings.Zone())
		p.Change = s.open(c, "/setup/jobs")
		if p.Change != "" {
			p.Change += "/" + url.PathEscape(name)
		}
		if j := rec.(*farm.Job); !setupJobs.over(j, now) {
			p.Need = s.jobNeed(all, j, counts[name], ask)
		}
		if p.Forecasts, err = s.forecastFacts(ctx, name, settings, now); err != nil {
			return err
		}
		p.AllForecasts = s.url("/jobs/forecasts")
		s.jobStarts(&p, layers, show, before, settings.Zone())
		return render(c, http.StatusOK, views.Job(p))
	}
}

func (s *Server) jobPage(j *farm.Job, n store.JobCount, grades map[string]int, settings farm.SettingValues, now time.Time) views.JobPage {
	zone, money := settings.Zone(), settings.Text("currency")
	p := views.JobPage{Job: j.Job}
	if setupJobs.over(j, now) {
		p.State = setupJobs.ended
		p.State.Word += " since " + clock(j.ClosedAt, zone)
	}
	fact := func(word, value, note string) {
		if value != "" {
			p.Facts = append(p.Facts, views.Fact{Word: word, Value: value, Note: note})
		}
	}
	amount := func(x float64) string {
		if !farm.Known(x) {
			return ""
		}
		return string(farm.AppendNumber(nil, x)) + " " + money
	}
	hours := func(x float64, unit time.Duration) string {
		if !farm.Known(x) {
			return ""
		}
		return duration(time.Duration(x * float64(unit)))
	}
	whole := func(x int) string {
		if x == 0 {
			return ""
		}
		return count(x)
	}
	fact("Name", j.Name, "")
	if !j.Due.IsZero() {
		fact("Due", clock(j.Due, zone), dueNote(j, now))
	}
	if !j.EarliestStart.IsZero() {
		fact("Not before", clock(j.EarliestStart, zone), "")
	}
	fact("Quantity", whole(j.Quantity), "")
	fact("Good first layers needed", whole(needed(j)), "")
	fact("Material", j.Material, "")
	fact("Underside", wordIf(codeWords["underside"], j.Underside), "")
	fact("Time of one plate", hours(j.HoursPerPlate, time.Hour), "")
	fact("Time of its first layer", hours(j.FirstLayerMinutes, time.Minute), "")
	fact("Value", amount(j.Value), "")
	fact("Late fee for an hour", amount(j.LateFeePerHour), "")
	if len(p.Facts) == 0 {
		fact("Facts", "no record", "the job is known by its name alone")
	}
	w := stats.Wilson(n.Failures, n.Graded, 0.95)
	of, how := rateWords(n.Failures, n.Graded, w.Low, w.High)
	p.Rate = views.Rate{Label: "Failed", Of: of, How: how, Coverage: coverage(n.Graded, n.Started)}
	good := views.Fact{Word: "Good", Value: count(n.Graded-n.Failures) + neededText(j)}
	p.Grades = []views.Fact{good}
	for _, code := range slices.Concat(farm.Grades, []string{""}) {
		p.Grades = append(p.Grades, views.Fact{Word: stateFor(gradeStates, code).Word, Value: count(grades[code])})
	}
	return p
}

func wordIf(words map[string]string, code string) string {
	if code == "" {
		return ""
	}
	return wordFor(words, code)
}

// jobStarts lists the starts.
func (s *Server) jobStarts(p *views.JobPage, layers []*farm.FirstLayer, show string, before store.Cursor, zone *time.Location) {
	here := s.url("/jobs/" + url.PathEscape(p.Job))
	link := func(show, before string) string {
		v := url.Values{}
		if show != "" {
			v.Set("show", show)
		}
		if before != "" {
			v.Set("before", before)
		}
		if len(v) == 0 {
			return here
		}
		return here + "?" + v.Encode()
	}
	p.Filters = []views.FilterRow{{Label: "Show", Links: []views.FilterLink{{Word: "All starts", Href: link("", ""), Current: show == ""}, {Word: "Failures", Href: link("failures", ""), Current: show != ""}}}}
	if len(layers) == 0 {
		switch {
		case !before.IsZero():
			p.Empty = "Nothing older."
		case show != "":
			p.Empty = "No failures recorded for this job."
		default:
			p.Empty, p.Filters = "No first layer names this job yet.", nil
		}
	}
	if len(layers) > historyPage {
		layers = layers[:historyPage]
		last := layers[historyPage-1]
		p.Pager.Older = link(show, cursorText(last.StartedAt, last.ID.UUID)) + "#starts"
	}
	if !before.IsZero() {
		p.Pager.First = link(show, "") + "#starts"
	}
	for _, f := range layers {
		v := views.Event{Kind: string(farm.KindFirstLayer), When: clock(f.StartedAt, zone), ISO: iso(f.StartedAt), What: f.Printer,
			Href: s.url("/first-layers/" + f.ID.UUID.String()), State: stateFor(gradeStates, f.Grade)}
		if f.NotedAt.Sub(f.StartedAt) > lateAfter {
			v.Late = "Late entry, entered " + clock(f.NotedAt, zone)
		}
		with := []string{}
		if f.Plate != "" {
			with = append(with, "plate "+f.Plate)
		}
		if f.Outcome != "" {
			with = append(with, wordFor(outcomeWords, f.Outcome))
		}
		if farm.Failed(f.Grade, f.Underside) && f.Grade != "failed" {
			with = append(with, "a failure: its underside shows")
		}
		v.With = strings.Join(with, " · ")
		p.Starts = append(p.Starts, v)
	}
}
