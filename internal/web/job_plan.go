package web

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// jobPlan is the prep plan as Findings.Plan gives it.
type jobPlan struct {
	AsOf time.Time `json:"as_of"`
	Jobs []struct {
		Job     string
		Needed  int
		Start   int
		PEnough float64 `json:"p_enough"`

		PEnoughLow   *float64 `json:"p_enough_low"` // nil: of a plan made without ranges
		PEnoughHigh  *float64 `json:"p_enough_high"`
		Failures     *float64
		FailuresLow  *int `json:"failures_low"`
		FailuresHigh *int `json:"failures_high"`
		Cost         *float64
		CostLow      *float64 `json:"cost_low"`
		CostHigh     *float64 `json:"cost_high"`
		Starts       []planStart
		Late         int `json:"late_minutes"`
		Cannot       string
	}
	Tasks       []planTask
	Cost, Bound float64
	Gap         *float64

	CostLow      *float64 `json:"cost_low"`
	CostHigh     *float64 `json:"cost_high"`
	Failures     *float64
	FailuresLow  *int `json:"failures_low"`
	FailuresHigh *int `json:"failures_high"`

	money string
}

type planStart struct {
	Printer string
	Plate   string
	At      time.Time `json:"starts_at"`
	End     time.Time `json:"ends_at"`
	PFail   float64   `json:"p_fail"`
	PLow    *float64  `json:"p_fail_low"`
	PHigh   *float64  `json:"p_fail_high"`
}

type planTask struct {
	Task, Printer, Plate, Person, Job, Because string
	At                                         time.Time `json:"starts_at"`
	End                                        time.Time `json:"ends_at"`

	// Of the plan in force: what names the task from plan to plan, how often it was
	// changed and when last.
	Key      string
	Sequence int
	Since    time.Time
}

// planTasks are the tasks of a plan as people say them.
var planTasks = map[string]string{"swap_plate": "put plate on", "wipe": "wipe", "wash": "wash", "soak": "soak", "probe": "probe", "check": "check with a coupon"}

// planChangesShown is how many of the latest changes of the plan the page tells.
const planChangesShown = 5

// readPlan asks for the plan as of the minute that began last, so that a page
// and its table for spreadsheets say the same.
func (s *Server) readPlan(c echo.Context) (p jobPlan, zone *time.Location, err error) {
	if err = onlyParams(c); err != nil {
		return p, nil, err
	}
	return s.planNow(c.Request().Context())
}

// planNow is the plan for pages and calendars.
func (s *Server) planNow(ctx context.Context) (p jobPlan, zone *time.Location, err error) {
	now := s.now()
	var frame store.Frame
	if frame, err = s.store.Frame(ctx, now); err != nil {
		return p, nil, err
	}
	answer, err := s.cfg.Findings.LatestPlan(ctx, windowEnd(frame, now).Truncate(time.Minute), planConfidence)
	if err != nil {
		return p, nil, err
	}
	p.money = frame.Settings.Text("currency")
	return p, frame.Settings.Zone(), json.Unmarshal(answer, &p)
}

// costWords say what the plan is expected to cost, with its range and what drives it.
func (p *jobPlan) costWords() string {
	words := fmt.Sprintf("%.2f %s", p.Cost, p.money)
	if p.CostLow != nil && p.CostHigh != nil && *p.CostHigh > 0 {
		words += fmt.Sprintf(" (%.2f to %.2f)", *p.CostLow, *p.CostHigh)
		if p.Failures != nil && p.FailuresLow != nil && p.FailuresHigh != nil {
			words += ", as " + failureRange(*p.Failures, *p.FailuresLow, *p.FailuresHigh) + " starts fail; 90 of 100 such plans lie in the range"
		}
	}
	return words
}

// hundredRange writes a chance in 100 with its range, where that is known.
func hundredRange(p float64, low, high *float64) string {
	if low == nil || high == nil || *high == 0 {
		return fmt.Sprintf("%.1f", 100*p)
	}
	return fmt.Sprintf("%.1f (%.1f to %.1f)", 100*p, 100*min(*low, p), 100*max(*high, p))
}

func (s *Server) getJobPlan() echo.HandlerFunc {
	return func(c echo.Context) error {
		plan, zone, err := s.readPlan(c)
		if err != nil {
			return err
		}
		p := views.JobPlanPage{Shell: withClock(s.shell(c, "Prep plan", "/jobs"), s.now(), zone), Back: s.url("/jobs"), CSV: s.url("/jobs/plan.csv"), Timeline: s.url("/jobs/plan/timeline")}
		p.DataThrough = clock(plan.AsOf, zone)
		p.Lead = "What to start where and when so that each open job gets enough good plates, and what to clean and probe before."
		if len(plan.Jobs) == 0 {
			p.Empty, p.CSV, p.Timeline = "No open job needs a start.", "", ""
			return render(c, http.StatusOK, views.JobPlan(p))
		}
		p.Cost = fmt.Sprintf("As of %s. Expected cost of failures, prep and lateness: %s.", clock(plan.AsOf, zone), plan.costWords())
		if plan.Gap != nil {
			p.Cost += fmt.Sprintf(" No plan is expected to cost less than %.2f, so this one is at most %.1f %% above the best.", plan.Bound, 100**plan.Gap)
		}
		changes, err := s.store.PlanChanges(c.Request().Context(), planChangesShown)
		if err != nil {
			return err
		}
		for _, x := range changes {
			p.Changes = append(p.Changes, views.Fact{Word: clock(x.At, zone), Value: x.What})
		}
		p.Jobs = views.Table{Caption: "Jobs", Sub: "starts not graded yet count by their chance", Columns: []views.Column{{Word: "Job"}, {Word: "Needed", Number: true}, {Word: "Start", Number: true}, {Word: "Enough, of 100", Number: true},
			{Word: "Failures", Number: true}, {Word: "Cost, " + plan.money, Number: true, Wide: true}}}
		p.Starts = views.Table{Caption: "Starts by printer", Sub: "one after another of a job with the same plate and nothing done between; the spreadsheet has each",
			Columns: []views.Column{{Word: "Printer"}, {Word: "From", Whole: true}, {Word: "To", Wide: true, Whole: true}, {Word: "Job", Whole: true}, {Word: "Starts", Number: true}, {Word: "Plate", Wide: true, Whole: true}, {Word: "Fails, of 100", Number: true}}}
		p.Tasks = views.Table{Caption: "Tasks by person", Columns: []views.Column{{Word: "Person"}, {Word: "From", Whole: true}, {Word: "To", Wide: true, Whole: true}, {Word: "Task"}, {Word: "Printer", Whole: true}, {Word: "Plate", Wide: true, Whole: true}}}
		for _, j := range plan.Jobs {
			here := s.url("/jobs") + "/" + url.PathEscape(j.Job)
			p.Jobs.Rows = append(p.Jobs.Rows, views.Row{Strong: j.Cannot != "", Cells: []views.Cell{{Text: j.Job, Href: here, Note: j.Cannot}, {Text: count(j.Needed)}, {Text: count(j.Start)},
				{Text: hundredRange(j.PEnough, j.PEnoughLow, j.PEnoughHigh)}, {Text: "–"}, {Text: "–"}}})
			cells := p.Jobs.Rows[len(p.Jobs.Rows)-1].Cells
			if j.Failures != nil && j.FailuresLow != nil && j.FailuresHigh != nil {
				cells[4].Text = failureRange(*j.Failures, *j.FailuresLow, *j.FailuresHigh)
			}
			if j.Cost != nil && j.CostLow != nil && j.CostHigh != nil {
				cells[5].Text = fmt.Sprintf("%.2f (%.2f to %.2f)", *j.Cost, *j.CostLow, *j.CostHigh)
			}
		}
		for _, r := range plan.runs() {
			p.Starts.Rows = append(p.Starts.Rows, views.Row{Cells: []views.Cell{{Text: r.printer, Href: s.url("/printers/" + url.PathEscape(r.printer))}, {Text: clock(r.from, zone)}, {Text: clock(r.to, zone)},
				{Text: r.job, Href: s.url("/jobs/" + url.PathEscape(r.job))}, {Text: count(r.starts)}, {Text: either(r.plate, "–")}, {Text: hundredRange(r.fails/float64(r.starts), r.low, r.high)}}})
		}
		slices.SortStableFunc(plan.Tasks, func(a, b planTask) int { return cmp.Or(cmp.Compare(a.Person, b.Person), a.At.Compare(b.At)) })
		for _, t := range plan.Tasks {
			p.Tasks.Rows = append(p.Tasks.Rows, views.Row{Cells: []views.Cell{{Text: either(t.Person, "Anyone")}, {Text: clock(t.At, zone)}, {Text: clock(t.End, zone)},
				{Text: planTasks[t.Task]}, {Text: t.Printer, Href: s.url("/printers/" + url.PathEscape(t.Printer))}, {Text: either(t.Plate, "–")}}})
		}
		return render(c, http.StatusOK, views.JobPlan(p))
	}
}

// getJobPlanCSV sends starts and tasks as one table by time.
func (s *Server) getJobPlanCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		plan, _, err := s.readPlan(c)
		if err != nil {
			return err
		}
		utc := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
		var rows [][]string
		for _, j := range plan.Jobs {
			for _, x := range j.Starts {
				rows = append(rows, []string{utc(x.At), utc(x.End), "start", j.Job, x.Printer, x.Plate, ""})
			}
		}
		for _, t := range plan.Tasks {
			rows = append(rows, []string{utc(t.At), utc(t.End), t.Task, "", t.Printer, t.Plate, t.Person})
		}
		slices.SortStableFunc(rows, func(a, b []string) int { return cmp.Compare(a[0], b[0]) })
		return writeCSV(c, "prep-plan.csv", append([][]string{{"starts_at", "ends_at", "what", "job", "printer", "plate", "person"}}, rows...))
	}
}
