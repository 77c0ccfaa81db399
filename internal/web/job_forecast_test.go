package web_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"
)

// expectedJobs stores jobs with what was expected of each and starts that came: of job
// k starts, of which as many failed, and the last was not graded.
func expectedJobs(t *testing.T, site *webtest.Site, failed ...int) {
	t.Helper()
	b := little()
	unknown := farm.Unknown()
	for k := range failed {
		b.Jobs = append(b.Jobs, farm.Job{Job: fmt.Sprintf("J-%d", k), HoursPerPlate: unknown, FirstLayerMinutes: unknown, Value: unknown, LateFeePerHour: unknown, ClosedAt: at.Add(-time.Hour)})
	}
	stored(t, site, b)
	var records []string
	for k, n := range failed {
		planned := at.Add(-time.Duration(50+k) * time.Hour)
		records = append(records, fmt.Sprintf(`{"kind":"job_forecast","id":"E-%d","job":"J-%d","at":%q,"needed":8,"starts":11,"expected_failures":1.1,"failures_low":0,"failures_high":3,"enough":0.97,"expected_cost":6,"cost_low":1,"cost_high":17,"doubt":0.2,"chances":%q}`,
			k, k, planned.Format(time.RFC3339), strings.Join(strings.Fields(strings.Repeat("0.1 ", 11)), " ")))
		for i := range 12 {
			when := planned.Add(time.Duration(10*i+5) * time.Minute)
			grade := `,"grade":"clean","grader":"amara"`
			if i < n {
				grade = `,"grade":"failed","grader":"amara"`
			} else if i == 10 {
				grade = ""
			}
			records = append(records, fmt.Sprintf(`{"kind":"first_layer","id":"S-%d-%d","printer":"P-1","plate":"L-1","job":"J-%d","started_at":%q%s}`, k, i, k, when.Format(time.RFC3339), grade))
		}
	}
	for len(records) > 0 {
		n := min(len(records), 400)
		sent(t, site, records[:n]...)
		records = records[n:]
	}
}

func TestExpectedStandsBesideHappened(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	if text := plain(c.Page("/jobs/forecasts").Text("main")); !strings.Contains(text, "Nothing was written down yet") {
		t.Errorf("empty: %s", text)
	}
	expectedJobs(t, site, 1, 6, 0)
	text := plain(c.Page("/jobs/forecasts").Text("main"))
	for _, want := range []string{"7 happened, 3.0 (", "2 of 3 jobs", "7 failures so far. To judge it takes about 20.", "J-1", "11 of 11", "10 to 29", "1.0 (0 to", "10 of 11 layers graded"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
	job := plain(c.Page("/jobs/J-1").Text("[data-expected]"))
	for _, want := range []string{"1.1 (0 to 3) failures in 11 planned starts", "6 failures in 10 graded", "outside the range", "6.00 EUR (1.00 to 17.00)", "not enough were good", "1 start was not graded", "1 further start beyond the plan"} {
		if !strings.Contains(job, want) {
			t.Errorf("the job's page lacks %q:\n%s", want, job)
		}
	}
	if len(c.Page("/jobs").All("a[href=/jobs/forecasts]")) != 1 {
		t.Error("Jobs does not lead there")
	}
	if text := plain(c.Page("/jobs/forecasts?before=1.00000000-0000-0000-0000-000000000000").Text("main")); !strings.Contains(text, "nothing older") {
		t.Errorf("beyond the last: %s", text)
	}
	if a := c.Get("/jobs/forecasts?before=moon"); a.Status != 400 {
		t.Errorf("a place that is none: %d", a.Status)
	}
	csv := c.Get("/jobs/forecasts.csv")
	if lines := strings.Split(strings.TrimSpace(csv.Body), "\r\n"); csv.Status != 200 || len(lines) != 4 || !strings.Contains(lines[2], ",J-1,") || !strings.HasPrefix(lines[0], "job_forecast,job,at,") {
		t.Errorf("%d %q", csv.Status, csv.Body)
	}
	// Pages of the API meet at their cursors.
	var got []string
	for path := "/api/v1/job-outcomes?limit=2"; path != ""; {
		a := c.Get(path)
		var page struct {
			Items []struct {
				Job          string
				Failed, Made int
				Within       bool
				Over         bool
			}
			Next *string
		}
		if err := json.Unmarshal([]byte(a.Body), &page); err != nil || a.Status != 200 {
			t.Fatal(a.Status, err, a.Body)
		}
		for _, x := range page.Items {
			got = append(got, fmt.Sprintln(x.Job, x.Made, x.Failed, x.Within, x.Over))
		}
		if path = ""; page.Next != nil {
			path = "/api/v1/job-outcomes?limit=2&cursor=" + *page.Next
		}
	}
	if want := "J-2 11 0 true true\nJ-1 11 6 false true\nJ-0 11 1 true true\n"; strings.Join(got, "") != want {
		t.Errorf("got %v, want %s", got, want)
	}
	if a := c.Get("/api/v1/job-outcomes?cursor=x"); a.Status != 400 {
		t.Errorf("a cursor that is none: %d", a.Status)
	}
	// The record itself is read as every other.
	if a := c.Get("/api/v1/job-forecasts"); a.Status != 200 || !strings.Contains(a.Body, `"chances":"0.1 0.1`) {
		t.Errorf("%d %.300s", a.Status, a.Body)
	}
}

// Where more failed than expected the page says so and what to do.
func TestExpectationsThatAreOffAreSaid(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	expectedJobs(t, site, 3, 4, 3, 2, 4, 3, 3, 2, 4, 3)
	p := c.Page("/jobs/forecasts")
	if text := plain(p.Text("[data-expected-off]")); !strings.Contains(text, "More failed than was expected. Start some more spares") {
		t.Errorf("says %q in %s", text, plain(p.Text("main")))
	}
}

// Who may write down what is expected: managers and the program; and voids alike.
func TestExpectationsAreForManagersToRecord(t *testing.T) {
	site := webtest.New(t)
	expectedJobs(t, site, 1)
	c := site.WithToken("line", "operator")
	for _, record := range []string{`{"kind":"job_forecast","id":"E-9","job":"J-0","at":"2026-03-09T09:00:00Z","starts":1,"expected_failures":0.1,"chances":"0.1"}`,
		`{"kind":"void","record":"E-0","voided_at":"2026-03-09T09:00:00Z","void_reason":"looks bad"}`} {
		if r := send(t, c, record); r[0].Error == nil || r[0].Error.Status != 403 {
			t.Errorf("%s: %+v", record, r[0])
		}
	}
	for i, wrong := range []string{`"starts":2,"chances":"0.1"`, `"starts":1,"chances":"1.5"`, `"starts":1,"chances":"0.1","failures_low":2,"failures_high":1`} {
		if r := send(t, site.WithToken(fmt.Sprint("m-", i), "manager"), `{"kind":"job_forecast","id":"E-9","job":"J-0","at":"2026-03-09T09:00:00Z","expected_failures":0.1,`+wrong+`}`); r[0].Error == nil || r[0].Error.Status != 422 {
			t.Errorf("%s: %+v", wrong, r[0])
		}
	}
}

// The page over many jobs, and a job's own, in a browser.
func TestExpectedAndHappenedInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	expectedJobs(t, site, 3, 4, 3, 2, 4, 3, 3, 2, 4, 3)
	c := site.As("amara", "operator")
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, c, v)
			for name, path := range map[string]string{"forecasts": "/jobs/forecasts", "job-expected": "/jobs/J-1"} {
				tab.Open(path)
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+".png"), true)
				}
			}
		})
	}
}
