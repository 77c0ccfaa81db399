package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/internal/planning"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// How many jobs a page shows, and how many of the latest it adds up.
const (
	forecastsShown = 25
	forecastsTold  = 500
	// gradedWithin is how long after its start a first layer is waited for.
	gradedWithin = 24 * time.Hour
)

// jobOutcome is a job's forecast beside what came.
type jobOutcome struct {
	store.JobOutcome
	planning.Outcome
}

func besides(list []store.JobOutcome) []jobOutcome {
	out := make([]jobOutcome, len(list))
	for i := range list {
		x := &list[i]
		chances, _ := intake.Chances(x.Chances)
		t := planning.Together{P: chances, Doubt: math.NaN()}
		if x.Doubt != nil {
			t.Doubt = *x.Doubt
		}
		out[i] = jobOutcome{*x, planning.Beside(t, x.Came)}
	}
	return out
}

// settled tells whether nothing more is waited for: the job is closed, or every planned
// start was made and graded, or it is too late to.
func (o *jobOutcome) settled(now time.Time) bool {
	if o.ClosedAt != nil && !o.ClosedAt.After(now) {
		return true
	}
	return o.Made == o.Starts && (o.Unseen() == 0 || o.Last != nil && o.Last.Add(gradedWithin).Before(now))
}

// reached tells whether as many were good as the job needed; known is false where that
// was not recorded.
func (o *jobOutcome) reached() (yes, known bool) { return o.Good >= o.Needed, o.Needed > 0 }

func failureRange(x float64, low, high int) string {
	return fmt.Sprintf("%.1f (%d to %d)", x, low, high)
}

// asPlanned is what was expected of all planned starts.
func (o *jobOutcome) asPlanned() string {
	words := fmt.Sprintf("%.1f", o.Failures)
	if o.FailuresLow != nil && o.FailuresHigh != nil {
		words = failureRange(o.Failures, int(*o.FailuresLow), int(*o.FailuresHigh))
	}
	return words + " failures in " + counted(o.Starts, "planned start", "planned starts")
}

// forecastFacts are what was expected of a job beside what happened.
func (s *Server) forecastFacts(ctx context.Context, job string, settings farm.SettingValues, now time.Time) (facts []views.Fact, err error) {
	list, err := s.store.JobOutcomesOf(ctx, now, job)
	zone, money := settings.Zone(), settings.Text("currency")
	fact := func(word, value, note string) {
		facts = append(facts, views.Fact{Word: word, Value: value, Note: note})
	}
	for _, o := range besides(list) {
		fact("Expected", o.asPlanned(), "written down "+clock(o.At, zone)+" and never changed; 90 of 100 such jobs lie in the range")
		if o.Enough != nil {
			note := ""
			if yes, known := o.reached(); known && o.settled(now) {
				note = map[bool]string{true: "enough were good", false: "not enough were good"}[yes] + " with the planned starts"
			}
			fact("Chance that they are enough", inHundred(*o.Enough)+" in 100", note)
		}
		if o.ExpectedCost != nil {
			value := fmt.Sprintf("%.2f %s", *o.ExpectedCost, money)
			if o.CostLow != nil && o.CostHigh != nil {
				value = fmt.Sprintf("%.2f %s (%.2f to %.2f)", *o.ExpectedCost, money, *o.CostLow, *o.CostHigh)
			}
			fact("Expected cost", value, "of failures, prep and lateness")
		}
		came := counted(o.Failed, "failure", "failures") + " in " + count(o.Graded) + " graded"
		note := ""
		switch {
		case o.Made == 0:
			came, note = "no start since", ""
		case o.Graded == 0:
			came = "nothing graded yet"
		default:
			note = "expected of the graded: " + failureRange(o.Expected, o.Low, o.High)
			if !o.Within() {
				note += "; outside the range"
			}
		}
		fact("Happened", came, note)
		if o.Made > 0 {
			note = counted(o.Unseen(), "start was", "starts were") + " not graded"
			if o.More > 0 {
				note += "; " + counted(o.More, "further start", "further starts") + " beyond the plan left out"
			}
			fact("Starts made", count(o.Made)+" of "+count(o.Starts)+" planned", coverage(o.Graded, o.Made)+"; "+note)
		}
	}
	return facts, err
}

// getForecasts is how well what was expected of jobs held.
func (s *Server) getForecasts() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before"); err != nil {
			return err
		}
		before, err := readCursor(c.QueryParam("before"), "before")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone, here := frame.Settings.Zone(), s.url("/jobs/forecasts")
		told, err := s.store.JobOutcomes(ctx, now, store.Cursor{}, forecastsTold)
		if err != nil {
			return err
		}
		p := views.ForecastsPage{Shell: withClock(s.shell(c, "Expected and happened", "/jobs"), now, zone), Back: s.url("/jobs"),
			Lead: "What the first plan of each job expected, written down then and never changed, beside what came of the planned starts. Only graded starts count, each with its own chance."}
		p.DataThrough = clock(now, zone)
		if len(told) == 0 {
			p.Empty = "Nothing was written down yet. As soon as the prep plan has a place for each start of a job, what it expects of it stands here."
			return render(c, http.StatusOK, views.Forecasts(p))
		}
		p.CSV = s.url("/jobs/forecasts.csv")
		all := besides(told)
		recordParts(&p, all, now)
		shown := all
		if !before.IsZero() {
			list, err := s.store.JobOutcomes(ctx, now, before, forecastsShown+1)
			if err != nil {
				return err
			}
			shown = besides(list)
			p.Pager.First = here
		}
		if len(shown) > forecastsShown {
			shown = shown[:forecastsShown]
			last := &shown[forecastsShown-1]
			p.Pager.Older = here + "?before=" + url.QueryEscape(cursorText(last.At, last.ID)) + "#jobs"
		}
		p.Table = views.Table{Caption: "Jobs, the latest first", Sub: "expected of the graded starts, with the range that holds 90 of 100 such jobs", Columns: []views.Column{{Word: "Job"}, {Word: "Written down", Wide: true},
			{Word: "Starts made", Number: true, Wide: true}, {Word: "Graded", Number: true}, {Word: "Expected failures", Number: true}, {Word: "Happened", Number: true}, {Word: "In the range"}}}
		for i := range shown {
			p.Table.Rows = append(p.Table.Rows, s.forecastRow(&shown[i], zone, now))
		}
		if len(shown) == 0 {
			p.Table.Sub = "nothing older"
		}
		return render(c, http.StatusOK, views.Forecasts(p))
	}
}

func (s *Server) forecastRow(o *jobOutcome, zone *time.Location, now time.Time) views.Row {
	in := views.Cell{Text: "–", Note: "nothing graded yet"}
	expected, happened := failureRange(o.Expected, o.Low, o.High), count(o.Failed)
	off := false
	if o.Graded == 0 {
		expected, happened = "–", "–"
	} else {
		off = !o.Within()
		in = views.Cell{Text: map[bool]string{true: "no", false: "yes"}[off]}
	}
	if !o.settled(now) {
		in.Note = "not over"
	}
	return views.Row{Strong: off, Cells: []views.Cell{{Text: o.Job, Href: s.url("/jobs") + "/" + url.PathEscape(o.Job)}, {Text: clock(o.At, zone)}, {Text: count(o.Made) + " of " + count(o.Starts)},
		{Text: count(o.Graded), Note: coverage(o.Graded, o.Made)}, {Text: expected}, {Text: happened}, in}}
}

// offWords say what is off, and what to do.
var offWords = map[planning.Off]string{
	planning.TooFew:    "More failed than was expected. Start some more spares than the plan asks for, and look at Findings for what changed.",
	planning.TooMany:   "Fewer failed than was expected. The plan asks for more spares than it would take.",
	planning.TooApart:  "Chances were said too far apart: starts called risky failed less than said, starts called safe more.",
	planning.TooLittle: "Chances were said too close together: starts called risky failed more than said, starts called safe less.",
}

// recordParts adds up the jobs that are over.
func recordParts(p *views.ForecastsPage, all []jobOutcome, now time.Time) {
	var over []planning.Outcome
	reached, known, hoped := 0, 0, 0.0
	for i := range all {
		o := &all[i]
		if !o.settled(now) || o.Graded == 0 {
			continue
		}
		over = append(over, o.Outcome)
		if yes, ok := o.reached(); ok && o.Enough != nil && o.Made == o.Starts {
			known++
			reached += btoi(yes)
			hoped += *o.Enough
		}
	}
	r := planning.Judge(over)
	if r.Jobs == 0 {
		p.Wait = "No job is over yet: of those below starts or grades are still waited for."
		return
	}
	fact := func(word, value, note string) {
		p.Facts = append(p.Facts, views.Fact{Word: word, Value: value, Note: note})
	}
	fact("Failures", fmt.Sprintf("%d happened, %s expected", r.Failed, failureRange(r.Expected, r.Low, r.High)), fmt.Sprintf("in %s graded, %s", counted(r.Graded, "start", "starts"), counted(r.Jobs, "job", "jobs")))
	in := fmt.Sprintf("%d of %s", r.Within, counted(r.Jobs, "job", "jobs"))
	if r.Jobs >= 20 {
		w := stats.Wilson(r.Within, r.Jobs, 0.95)
		in += fmt.Sprintf(" (likely %.0f to %.0f in 100)", 100*w.Low, 100*w.High)
	}
	fact("In their range", in, "90 in 100 or some more should be: the ranges are of whole numbers")
	if known > 0 {
		fact("Enough were good", fmt.Sprintf("%d of %s", reached, counted(known, "job", "jobs")), fmt.Sprintf("%.1f expected; of jobs of which every planned start was made", hoped))
	}
	if !r.Judged() {
		p.Wait = fmt.Sprintf("%s so far. To judge it takes about 20.", sentenceCase(counted(r.Failed, "failure", "failures")))
	} else {
		if !math.IsNaN(r.Slope) {
			fact("How far apart chances were", fmt.Sprintf("%.2f (%.2f to %.2f)", r.Slope, r.SlopeLow, r.SlopeHigh), "1 is right; below 1 they were said too far apart, above 1 too close together")
		}
		fact("Odds of failing, to those said", fmt.Sprintf("%.2f times (%.2f to %.2f)", math.Exp(r.Intercept), math.Exp(r.InterceptLow), math.Exp(r.InterceptHigh)), "1 is right")
		fact("By chance alone", fmt.Sprintf("%s in 100", inHundred(r.Exact)), "how often the number of failures would be as far off, if each chance said were right (exact)")
		for _, off := range r.Off {
			p.Off = append(p.Off, offWords[off])
		}
	}
	p.Bands = views.Table{Caption: "By size of the job", Sub: "graded starts of a job; range: 90 of 100, if each chance said were right", Columns: []views.Column{{Word: "Graded starts"}, {Word: "Jobs", Number: true}, {Word: "Starts", Number: true, Wide: true},
		{Word: "Expected failures", Number: true}, {Word: "Happened", Number: true}, {Word: "In their range", Number: true}}}
	for i := range r.Bands {
		b := &r.Bands[i]
		word := fmt.Sprintf("%d to %d", b.From, b.To)
		if b.To == 0 {
			word = count(b.From) + " and more"
		}
		row := views.Row{Cells: []views.Cell{{Text: word}, {Text: count(b.Jobs)}, {Text: count(b.Graded)}, {Text: "–"}, {Text: "–"}, {Text: "–"}}}
		if b.Jobs > 0 {
			row.Cells[3], row.Cells[4], row.Cells[5] = views.Cell{Text: failureRange(b.Expected, b.Low, b.High)}, views.Cell{Text: count(b.Failed)}, views.Cell{Text: count(b.Within) + " of " + count(b.Jobs)}
			row.Strong = b.Failed < b.Low || b.Failed > b.High
		}
		p.Bands.Rows = append(p.Bands.Rows, row)
	}
}

var outcomeColumns = []string{"job_forecast", "job", "at", "needed", "starts", "expected_failures", "failures_low", "failures_high", "enough", "expected_cost", "cost_low", "cost_high",
	"made", "graded", "failed", "unseen", "further", "expected_of_graded", "graded_low", "graded_high", "within", "good", "over"}

// cells are an outcome's values in the order of outcomeColumns; "" unknown.
func (o *jobOutcome) cells(now time.Time) []string {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }
	known := func(x *float64) string {
		if x == nil {
			return ""
		}
		return number(*x)
	}
	id := o.ID.String()
	needed, within, low, high, expected := "", "", "", "", ""
	if o.Needed > 0 {
		needed = strconv.Itoa(o.Needed)
	}
	if o.Graded > 0 {
		within, low, high, expected = strconv.FormatBool(o.Within()), strconv.Itoa(o.Low), strconv.Itoa(o.High), number(o.Expected)
	}
	return []string{id, o.Job, iso(o.At), needed, strconv.Itoa(o.Starts), number(o.Failures), known(o.FailuresLow), known(o.FailuresHigh), known(o.Enough), known(o.ExpectedCost), known(o.CostLow), known(o.CostHigh),
		strconv.Itoa(o.Made), strconv.Itoa(o.Graded), strconv.Itoa(o.Failed), strconv.Itoa(o.Unseen()), strconv.Itoa(o.More), expected, low, high, within, strconv.Itoa(o.Good), strconv.FormatBool(o.settled(now))}
}

// getForecastsCSV sends all of them as a table, the oldest first.
func (s *Server) getForecastsCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		now := s.now()
		rows := [][]string{outcomeColumns}
		for after := (store.Cursor{}); ; {
			list, err := s.store.JobOutcomesAfter(c.Request().Context(), now, after, listMost)
			if err != nil {
				return err
			}
			for _, o := range besides(list) {
				rows = append(rows, o.cells(now))
				after = store.Cursor{At: o.At, ID: o.ID}
			}
			if len(list) < listMost {
				return writeCSV(c, "expected-and-happened.csv", rows)
			}
		}
	}
}
