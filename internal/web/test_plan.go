package web

import (
	"context"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/trial"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// planning a test: what it is to tell apart, as typed and as read.
type testPlan struct {
	s        *Server
	e        *Evidence
	typed    map[string]string
	problems []views.FormProblem
	task     string
	trial.Plan
	perDay  float64 // graded starts of the subject a day, lately; 0 none
	started int
}

var planNames = []string{"task", "left", "done", "share", "power"}

// openPlan reads the address and what is known of the subject.
func (s *Server) openPlan(ctx context.Context, q findingParam, typed map[string]string) (*testPlan, error) {
	e, err := s.cfg.Findings.Evidence(ctx, q.kind, q.tag, q.cause, s.now())
	if err != nil {
		return nil, err
	}
	p := &testPlan{s: s, e: e, typed: typed, task: typed["task"]}
	of, err := s.store.ThingOf(ctx, q.kind, q.tag)
	if err != nil {
		return nil, err
	}
	const lately = 14
	counts, err := s.store.CountsOf(ctx, of, [2]time.Time{s.now().Add(-lately * day), s.now()})
	if err != nil {
		return nil, err
	}
	p.perDay, p.started = float64(counts[0].Graded)/lately, counts[0].Started
	left, done := 0.10, 0.03
	if rest := e.N - e.NExposed; e.NExposed >= 20 && rest >= 20 {
		left, done = float64(e.FailuresExposed)/float64(e.NExposed), float64(e.Failures-e.FailuresExposed)/float64(rest)
	}
	if left < 0.01 || done >= left { // nothing seen to go by: a test of a halving
		left = max(left, 0.02)
		done = left / 2
	}
	number := func(name, word string, usual, least, most float64) float64 {
		text := typed[name]
		if text == "" {
			p.typed[name] = figure(math.Round(usual*1000) / 10)
			return math.Round(usual*1000) / 1000
		}
		x, ok := farm.ParseNumber(text)
		if !ok || x < least*100 || x > most*100 {
			p.problems = append(p.problems, views.FormProblem{Field: name, Words: word + " must be between " + figure(least*100) + " and " + figure(most*100) + "."})
			return math.NaN()
		}
		return x / 100
	}
	p.Leave, p.Do = number("left", "Failures without", left, 0.005, 0.9), number("done", "Failures with", done, 0, 0.9)
	p.Share, p.Power, p.Level = number("share", "The share", 0.5, 0.1, 0.9), number("power", "The chance to show it", 0.8, 0.5, 0.99), trial.LevelEnd
	if len(p.problems) == 0 && p.Do >= p.Leave {
		p.problems = append(p.problems, views.FormProblem{Field: "done", Words: "Failures with it must be fewer than without: that is what the test looks for."})
	}
	asked := farm.TestsOf[q.kind+" "+q.cause]
	if p.task == "" {
		p.task = asked[0]
	} else if !slices.Contains(asked, p.task) {
		p.problems = append(p.problems, views.FormProblem{Field: "task", Words: "Choose what the lot decides."})
	}
	return p, nil
}

// days says how long so many graded starts take at the subject's pace.
func (p *testPlan) days(starts int) string {
	if p.perDay <= 0 {
		return "no graded starts lately to say how long that takes"
	}
	return "about " + counted(int(math.Ceil(float64(starts)/p.perDay)), "day", "days")
}

// mostStarts is the largest test that is offered.
const mostStarts = 30_000

// drawnDo and drawnLeave say at the machine what the lot had.
var (
	drawnDo = map[string]string{"probe": "probe before the next start", "wipe": "wipe the plate before the next start", "swap_plate": "put on a washed plate before the next start", "turn_plate": "turn the plate before the next start"}
	notDone = map[string]string{"probe": "do not probe before the next start", "wipe": "do not wipe the plate before the next start", "swap_plate": "leave the plate on for the next start", "turn_plate": "leave the plate as it lies for the next start"}
)

func (p *testPlan) page(c echo.Context, zone *time.Location) (views.PlanPage, error) {
	e := p.e
	here := p.s.findingHref(e.Kind, e.Subject, e.Cause)
	out := views.PlanPage{Shell: withClock(p.s.shell(c, "Plan a test: "+e.Subject, "/findings"), p.s.now(), zone), Look: here + "/test", Problems: p.problems,
		Crumbs: []views.Fact{{Value: "All findings", Href: p.s.url("/findings")}, {Value: e.Subject + ", " + wordFor(causeWords, e.Cause), Href: here}},
		Lead:   "The records show what failures go with. Only a lot can show what they come from: it decides before each start, so that nothing else can."}
	if p.task == "wipe" || p.task == "swap_plate" || p.task == "turn_plate" {
		out.Caution = "Plates and beds are hot after a print, and solvents burn and give off fumes: let it cool, ventilate. Your workplace’s rules and the maker’s instructions come first, before the lot too."
	} else {
		out.Caution = "Probing moves head and bed suddenly: hands clear. Your workplace’s rules and the maker’s instructions come first, before the lot too."
	}
	task := views.Field{Name: "task", Label: "What the lot decides before each start", Kind: "choice"}
	for _, code := range farm.TestsOf[e.Kind+" "+e.Cause] {
		task.Options = append(task.Options, views.Option{Value: code, Word: sentenceCase(wordFor(testedWords, code)), Chosen: code == p.task})
	}
	out.Chosen = []views.Field{task,
		{Name: "left", Label: "Failures without it", Kind: "number", Unit: "of 100", Value: p.typed["left"], Hint: "What the records show of such starts, for example 10."},
		{Name: "done", Label: "Failures with it", Kind: "number", Unit: "of 100", Value: p.typed["done"], Hint: "The least that would be worth it. A smaller difference takes more starts."},
		{Name: "share", Label: "Starts drawn to be done", Kind: "number", Unit: "of 100", Value: p.typed["share"], Hint: "50 needs the fewest starts."},
		{Name: "power", Label: "Chance that the test shows it, if it is so", Kind: "number", Unit: "of 100", Value: p.typed["power"], Hint: "Commonly 80 or 90."}}
	beside(out.Chosen, p.problems)
	out.Rules = []string{
		"Before each start the lot says whether it is done or left, with the same chance every time. Grade pages of the printer show it. Nobody can foresee it, and nobody can draw again.",
		"Starts are compared as they were drawn, whatever was done then. A start that does not follow the draw counts all the same, and how many did is counted beside: follow it unless that would be unsafe, and log why not.",
		"It may be looked at after every start. Stopping early is honest once the page says so; that happens by chance at most once in a hundred tests of nothing. Else it is judged once, at its size: at most once in twenty-five.",
		"Ungraded starts tell nothing: grade both arms alike."}
	if len(p.problems) > 0 {
		return out, nil
	}
	n := p.Starts()
	if n == 0 || n > mostStarts {
		out.Size = "Too small a difference for any test here: it would take more than " + count(mostStarts) + " starts."
		return out, nil
	}
	out.Size = "Takes " + counted(n, "graded start", "graded starts") + ", " + p.days(n) + ", to tell " + figure(p.Leave*100) + " from " + figure(p.Do*100) + " failures of 100 with a chance of " + figure(p.Power*100) + " in 100."
	out.Range = views.Table{Caption: "Other sizes", Sub: "Starts needed by how many failures are left, of " + figure(p.Leave*100) + " of 100 without",
		Columns: []views.Column{{Word: "Failures with it, of 100"}, {Word: "Graded starts", Number: true}, {Word: "Takes"}}}
	for _, share := range []float64{0, 0.25, 0.5, 0.75} {
		x := p.Plan
		x.Do = p.Leave * share
		m := x.Starts()
		row := views.Row{Cells: []views.Cell{{Text: figure(math.Round(x.Do*1000) / 10)}, {Text: count(m)}, {Text: p.days(m)}}}
		if m > mostStarts {
			row.Cells[1].Text, row.Cells[2].Text = "over "+count(mostStarts), "–"
		}
		out.Range.Rows = append(out.Range.Rows, row)
	}
	id, err := uuid.NewV7AtTime(p.s.now())
	if err != nil {
		return out, err
	}
	out.Action, out.Submit = here+"/test", "Begin the test with "+counted(n, "start", "starts")
	out.Hidden = []views.Fact{{Word: "id", Value: orCode(p.typed["id"], id.String())}, {Word: "task", Value: p.task}}
	for _, name := range planNames[1:] {
		out.Hidden = append(out.Hidden, views.Fact{Word: name, Value: p.typed[name]})
	}
	out.Begin = []views.Field{{Name: "reason", Label: "Why it is tested", Kind: "area", Value: p.typed["reason"], Longest: 2000, Hint: "It stands with your name at the case, for example: probing costs 40 minutes a week here; is it worth it?"}}
	return out, nil
}

func (s *Server) getPlan() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, planNames...); err != nil {
			return err
		}
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		typed := map[string]string{}
		for _, name := range planNames {
			typed[name] = strings.TrimSpace(c.QueryParam(name))
		}
		p, err := s.openPlan(c.Request().Context(), q, typed)
		if err != nil {
			return err
		}
		return p.render(c, http.StatusOK)
	}
}

func (p *testPlan) render(c echo.Context, status int) error {
	frame, err := p.s.store.Frame(c.Request().Context(), p.s.now())
	if err != nil {
		return err
	}
	page, err := p.page(c, frame.Settings.Zone())
	if err != nil {
		return err
	}
	return render(c, status, views.Plan(page))
}

// postPlan begins a test: the test and the step of the case, both or neither.
func (s *Server) postPlan() echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, now := c.Request().Context(), s.now()
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, append([]string{"id", "reason"}, planNames...)...)
		if err != nil {
			return err
		}
		id, err := uuid.FromString(form["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form["id"], Expected: "the form's own number: open the form again"})
		}
		to := s.url("/tests/" + id.String())
		tests, err := s.store.TestsOf(ctx, q.kind, q.tag, q.cause)
		if err != nil {
			return err
		}
		for _, t := range tests {
			if t.ID.UUID == id { // sent twice
				return c.Redirect(http.StatusSeeOther, to)
			}
			if t.EndedAt.IsZero() {
				return fault.New(fault.Conflict, "A test of this runs already. End it first.")
			}
		}
		p, err := s.openPlan(ctx, q, form)
		if err != nil {
			return err
		}
		n, reason := 0, strings.TrimSpace(form["reason"])
		if len(p.problems) == 0 {
			if n = p.Starts(); n == 0 || n > mostStarts {
				p.problems = append(p.problems, views.FormProblem{Field: "done", Words: "That would take more than " + count(mostStarts) + " starts. Look for a larger difference."})
			} else if reason == "" {
				p.problems = append(p.problems, views.FormProblem{Field: "reason", Words: "Say why it is tested, in a few words."})
			}
		}
		if len(p.problems) > 0 {
			return p.render(c, http.StatusUnprocessableEntity)
		}
		who, at := identity(c), intake.Stamp(now)
		records := []map[string]any{
			{"kind": farm.KindPlannedTest, "id": id.String(), "subject_kind": q.kind, "subject": q.tag, "cause": q.cause, "task": p.task, "begins_at": at, "starts": n, "share": p.Share,
				"fails_left": p.Leave, "fails_done": p.Do, "power": p.Power, "person": who.Handle, "reason": reason},
			{"kind": farm.KindCaseStep, "id": uuid.NewV5(id, "on_test").String(), "subject_kind": q.kind, "subject": q.tag, "cause": q.cause, "at": at, "step": "on_test", "state": p.e.State,
				"test": id.String(), "person": who.Handle, "reason": "Test begun: " + reason},
		}
		if err := s.keepAllByPage(c, records); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, to+"?saved=begun")
	}
}

// keepAllByPage records what a form says, all or nothing.
func (s *Server) keepAllByPage(c echo.Context, records []map[string]any) error {
	items := make([]intake.Item, len(records))
	for i, r := range records {
		var err error
		if items[i], err = pageItem(r, s.store.Now()); err != nil {
			return err
		}
	}
	_, err := s.store.RecordAll(c.Request().Context(), pageAct(c), items)
	return err
}

// testHref is the address of a planned test.
func (s *Server) testHref(t *farm.PlannedTest) string { return s.url("/tests/" + t.ID.UUID.String()) }
