package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// testStanding is what a planned test shows as of now.
type testStanding struct {
	*farm.PlannedTest
	starts   []store.TestStart
	waiting  int
	drawn    [2]int // left, done
	followed [2]int
	graded   [2]trial.Arm // of those that count: the first of its size
	after    int          // graded ones beyond its size, which do not count
	crossed  int          // graded starts after which stopping was honest; 0 not yet
	full     bool         // its size is reached
	look     trial.Look
	result   trial.Result
	shown    bool
}

// judgeTest counts as drawn and judges by the rule fixed when the test began: at its
// size by the randomisation test, before it by what may be looked at after every
// start.
func judgeTest(t *farm.PlannedTest, starts []store.TestStart, waiting int) *testStanding {
	x := &testStanding{PlannedTest: t, starts: starts, waiting: waiting}
	var graded []trial.One
	for _, s := range starts {
		arm := 0
		if s.Do {
			arm = 1
		}
		x.drawn[arm]++
		if s.Followed {
			x.followed[arm]++
		}
		if s.Graded {
			graded = append(graded, trial.One{Do: s.Do, Failed: s.Failed})
		}
	}
	n := trial.Count(graded, t.Starts, t.Share, uint64(t.BeginsAt.UnixMicro()))
	x.graded, x.after, x.crossed, x.full, x.look, x.result, x.shown = [2]trial.Arm{n.Leave, n.Do}, n.After, n.Crossed, n.Full, n.Look, n.Result, n.Shown
	return x
}

func (x *testStanding) over() bool { return !x.EndedAt.IsZero() }

// helps tells whether doing spared failures.
func (x *testStanding) helps() bool { return x.result.Diff < 0 }

// less says a difference of chances as fewer or more failures of 100.
func lessWords(d float64, i stats.Interval) string {
	one := func(v float64) string { return figure(math.Abs(math.Round(v*1000) / 10)) }
	switch {
	case i.High <= 0:
		return one(d) + " fewer of 100 (" + one(i.High) + " to " + one(i.Low) + " fewer)"
	case i.Low >= 0:
		return one(d) + " more of 100 (" + one(i.Low) + " to " + one(i.High) + " more)"
	case d <= 0:
		return one(d) + " fewer of 100 (" + one(i.Low) + " fewer to " + one(i.High) + " more)"
	}
	return one(d) + " more of 100 (" + one(i.Low) + " fewer to " + one(i.High) + " more)"
}

// says tells what the test shows: first what follows.
func (x *testStanding) says() (state views.State, says []string) {
	task := wordFor(testedWords, x.Task)
	seen := x.graded[0].Starts + x.graded[1].Starts
	caused := map[bool]string{true: sentenceCase(task) + " spares failures of " + x.Subject + ": drawn by lot, leaving it caused " + lessOther(x) + ".",
		false: sentenceCase(task) + " caused failures of " + x.Subject + ": drawn by lot, doing it brought " + lessWords(x.result.Diff, x.result.Limits) + "."}[x.helps()]
	both := x.graded[0].Starts > 0 && x.graded[1].Starts > 0
	by := ""
	if both {
		by = fmt.Sprintf("Done against left: %s, by the randomisation test %s.", lessWords(x.result.Diff, x.result.Limits), chanceWords(&x.result))
	}
	switch {
	case !x.over() && x.crossed > 0:
		return views.State{Code: "running", Word: "Running: stopping now is honest"}, []string{"End it, or go on. " + caused}
	case !x.over() && x.full:
		return views.State{Code: "running", Word: "Its size is reached: end it"}, []string{"End it and decide the case.", by}
	case !x.over():
		return views.State{Code: "running", Word: "Running"}, []string{count(seen) + " of " + counted(x.Starts, "graded start", "graded starts") + ". Go on: it is not honest to stop yet because of what it shows."}
	case x.shown:
		return views.State{Code: "shown", Word: "Over: a difference is shown"}, []string{caused, by}
	case x.full:
		return views.State{Code: "not_shown", Word: "Over: no difference is shown"}, []string{"The test did not show that " + task + " makes a difference on " + x.Subject + ". " + by}
	}
	return views.State{Code: "too_little", Word: "Ended before its size"}, []string{"Too little to tell: it ended after " + count(seen) + " of " + counted(x.Starts, "graded start", "graded starts") + ", and what may be looked at before its size shows no difference."}
}

// lessOther says what leaving it brings.
func lessOther(x *testStanding) string {
	return lessWords(-x.result.Diff, stats.Interval{Low: -x.result.Limits.High, High: -x.result.Limits.Low})
}

// chanceWords say how often the lot alone does as much.
func chanceWords(r *trial.Result) string {
	if r.P < 0.001 {
		return "as much comes by the lot alone less than once in a thousand"
	}
	return "as much comes by the lot alone in " + figure(math.Round(r.P*1000)/10) + " of 100"
}

func (s *Server) openTest(c echo.Context) (*testStanding, store.Frame, error) {
	ctx, now := c.Request().Context(), s.now()
	t, err := s.store.PlannedTest(ctx, c.Param("id"))
	if err != nil {
		return nil, store.Frame{}, err
	}
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return nil, frame, err
	}
	until := now
	if !t.EndedAt.IsZero() {
		until = t.EndedAt
	}
	starts, waiting, err := s.store.TestStarts(ctx, t, until)
	if err != nil {
		return nil, frame, err
	}
	return judgeTest(t, starts, waiting), frame, nil
}

func (s *Server) getTest() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		x, frame, err := s.openTest(c)
		if err != nil {
			return err
		}
		return s.renderTest(c, http.StatusOK, x, frame, map[string]string{}, nil)
	}
}

// testLast is how many of the latest starts a page lists.
const testLast = 20

func (s *Server) renderTest(c echo.Context, status int, x *testStanding, frame store.Frame, typed map[string]string, problems []views.FormProblem) error {
	zone := frame.Settings.Zone()
	finding := s.findingHref(x.SubjectKind, x.Subject, x.Cause)
	p := views.TestPage{Shell: withClock(s.shell(c, "Test: "+wordFor(testedWords, x.Task)+", "+x.Subject, "/findings"), s.now(), zone),
		Crumbs: []views.Fact{{Value: "All findings", Href: s.url("/findings")}, {Value: x.Subject + ", " + wordFor(causeWords, x.Cause), Href: finding}},
		Saved:  map[string]string{"begun": "Begun. Grade pages show from now on what the lot drew.", "ended": "Ended. Decide the case on the finding’s page."}[c.QueryParam("saved")]}
	p.DataThrough = clock(s.now(), zone)
	p.State, p.Says = x.says()
	p.Says = slices.DeleteFunc(p.Says, func(w string) bool { return w == "" })
	p.Arms = views.Table{Caption: "Starts as the lot drew them", Columns: []views.Column{{Word: "Drawn"}, {Word: "Starts", Number: true}, {Word: "Followed", Number: true, Wide: true}, {Word: "Graded", Number: true}, {Word: "Failed", Number: true}}}
	for arm, word := range []string{"Left: no " + wordFor(testedWords, x.Task), "Done: " + wordFor(testedWords, x.Task)} {
		a := x.graded[arm]
		failed := views.Cell{Text: count(a.Failures)}
		if w := stats.Wilson(a.Failures, a.Starts, 0.95); a.Starts >= 10 {
			failed.Note = percent(float64(a.Failures)/float64(a.Starts)) + ", likely " + bare(w.Low) + " to " + percent(w.High)
		}
		p.Arms.Rows = append(p.Arms.Rows, views.Row{Cells: []views.Cell{{Text: word}, {Text: count(x.drawn[arm])}, {Text: count(x.followed[arm])}, {Text: count(a.Starts)}, failed}})
	}
	if !x.over() && x.graded[0].Starts > 0 && x.graded[1].Starts > 0 && x.graded[0].Failures+x.graded[1].Failures > 0 {
		p.Notes = append(p.Notes, "May be looked at after every start: failures when done are "+ratioWords(x.look.Ratio)+" those when left; "+lessWords((x.look.Diff.Low+x.look.Diff.High)/2, x.look.Diff)+", at 99 in 100 however often somebody looks.")
	}
	p.Notes = append(p.Notes, "Counted as drawn, whatever was done then; “followed” is what the records show.")
	if x.after > 0 {
		p.Notes = append(p.Notes, counted(x.after, "graded start", "graded starts")+" after its size do not count.")
	}
	if x.waiting > 0 {
		p.Notes = append(p.Notes, counted(x.waiting, "draw waits", "draws wait")+" for a start, or none followed within a week.")
	}
	p.Facts = []views.Fact{
		{Word: "Drawn before each start", Value: wordFor(testedWords, x.Task) + ", " + figure(x.Share*100) + " of 100"},
		{Word: "Size", Value: counted(x.Starts, "graded start", "graded starts"), Note: "to tell " + figure(x.FailsDone*100) + " from " + figure(x.FailsLeft*100) + " failures of 100 with a chance of " + figure(x.Power*100) + " in 100"},
		{Word: "Began", Value: clock(x.BeginsAt, zone) + ", by " + orSomebody(x.Person), Note: x.Reason},
	}
	if x.over() {
		p.Facts = append(p.Facts, views.Fact{Word: "Ended", Value: clock(x.EndedAt, zone) + ", by " + orSomebody(x.EndedBy), Note: x.EndReason})
	}
	p.Method = fmt.Sprintf("Each start is drawn by itself with the same chance. At its size: randomisation test, all draws made again with the same chance (%s), at %s of 100; difference with its 95 %% range by score tests. Before its size: the arms of failed starts as a coin of known chance, weighed by a mixture that may be looked at after every start, at %s of 100. Together at most five tests of nothing in a hundred show something.",
		map[bool]string{true: "counted exactly", false: fmt.Sprintf("%s of them, from a fixed seed", count(x.result.Drawn))}[x.result.Exact], figure(100*trial.LevelEnd), figure(100*trial.LevelWatch))
	p.Last = views.Table{Caption: "The latest first", Columns: []views.Column{{Word: "Started", Whole: true}, {Word: "Drawn"}, {Word: "Followed", Wide: true}, {Word: "First layer"}}}
	for _, t := range slices.Backward(x.starts) {
		if len(p.Last.Rows) == testLast {
			break
		}
		layer := "not graded"
		if t.Graded {
			layer = map[bool]string{true: "failed", false: "held"}[t.Failed]
		}
		p.Last.Rows = append(p.Last.Rows, views.Row{Cells: []views.Cell{{Text: clock(t.At, zone), Href: s.url("/first-layers/" + t.ID.String()), Note: t.Printer}, {Text: map[bool]string{true: "done", false: "left"}[t.Do]},
			{Text: map[bool]string{true: "yes", false: "no"}[t.Followed]}, {Text: layer}}})
	}
	if !x.over() && roleRank(identity(c).Role) >= roleRank(roleManager) {
		f := &views.FormPage{Action: s.testHref(x.PlannedTest) + "/end", Submit: "End the test", Danger: !x.full && x.crossed == 0, Problems: problems,
			Fields: []views.Field{{Name: "reason", Label: "Why it ends", Kind: "area", Value: typed["reason"], Longest: 2000, Hint: "For example: its size is reached."}}}
		if f.Danger {
			f.Notice = "Its size is not reached and stopping is not honest yet: ended now, it can show nothing by its failures."
		}
		beside(f.Fields, problems)
		p.End = f
	}
	return render(c, status, views.Test(p))
}

func ratioWords(i stats.Interval) string {
	if math.IsInf(i.High, 1) {
		return figure(i.Low) + " times or more"
	}
	return figure(math.Round(i.Low*100)/100) + " to " + figure(math.Round(i.High*100)/100) + " times"
}

// postTestEnd ends a test, with a reason.
func (s *Server) postTestEnd() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "reason", "do")
		if err != nil {
			return err
		}
		x, frame, err := s.openTest(c)
		if err != nil {
			return err
		}
		if x.over() {
			return fault.New(fault.Conflict, "The test has ended already.")
		}
		reason := strings.TrimSpace(form["reason"])
		if reason == "" {
			return s.renderTest(c, http.StatusUnprocessableEntity, x, frame, form, []views.FormProblem{{Field: "reason", Words: "Say why it ends, in a few words."}})
		}
		is := "other"
		switch {
		case x.full:
			is = "size"
		case x.crossed > 0:
			is = "shown"
		}
		t := x.PlannedTest
		err = s.keepByPage(c, map[string]any{"kind": farm.KindPlannedTest, "id": t.ID.Text(), "subject_kind": t.SubjectKind, "subject": t.Subject, "cause": t.Cause, "task": t.Task, "begins_at": intake.Stamp(t.BeginsAt),
			"starts": t.Starts, "share": t.Share, "fails_left": t.FailsLeft, "fails_done": t.FailsDone, "power": t.Power, "reason": t.Reason,
			"ended_at": intake.Stamp(s.now()), "ended_by": identity(c).Handle, "end_is": is, "end_reason": reason})
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.testHref(t)+"?saved=ended")
	}
}

// logLinks lead from a reminder to what is logged.
func (s *Server) logLinks(task, arm string, p store.TestPlace) []views.Link {
	printer, plate := url.QueryEscape(p.Printer), url.QueryEscape(p.Plate)
	switch {
	case task == "probe" && arm == "do":
		return []views.Link{{Word: "Log the probe", Href: s.url("/upkeep/probe?printer=" + printer)}, {Word: "Not followed: say why", Href: s.url("/upkeep/skip?printer=" + printer)}}
	case task == "probe":
		return []views.Link{{Word: "Probed all the same: log it", Href: s.url("/upkeep/probe?printer=" + printer)}}
	case task == "wipe" && arm == "do":
		return []views.Link{{Word: "Log the wipe", Href: s.url("/upkeep/clean?plate=" + plate)}, {Word: "Not followed: say why", Href: s.url("/upkeep/skip-task?printer=" + printer + "&task=wipe")}}
	case task == "wipe":
		return []views.Link{{Word: "Wiped all the same: log it", Href: s.url("/upkeep/clean?plate=" + plate)}}
	case arm == "do":
		return []views.Link{{Word: "Log the fitting", Href: s.url("/upkeep/fit?printer=" + printer)}}
	}
	return nil
}
