package web

import (
	"bytes"
	"context"
	"flag"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/views"
)

var updateCharts = flag.Bool("update-charts", false, "rewrite the golden charts")

// chartOf is a chart over twelve weeks of made counts: one week far above, a
// run, a late week, one without layers, and the last not over.
func chartOf(t *testing.T) *trendsChart {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	q, err := readTrends(map[string][]string{"by": {"material"}, "plate": {"L-203"}})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 4, 8, 10, 0, 0, 0, time.UTC) // the clocks went forward on 2026-03-29
	c := &trendsChart{q: q, zone: zone, now: now, about: "plate L-203", got: &store.Trends{}}
	c.bounds = c.q.bounds(now, zone)
	for k, failed := range []int{1, 2, 1, 2, 1, 2, 1, 1, 16, 0, 4, 2} {
		b := store.TrendCount{Started: 70, Graded: 60, Failures: failed}
		switch k {
		case 9:
			b = store.TrendCount{Started: 3}
		case 10:
			b.Late = 40
		case 11:
			b.Started, b.Graded = 20, 12
		}
		c.got.Buckets = append(c.got.Buckets, b)
		c.got.Total.Started += b.Started
		c.got.Total.Graded += b.Graded
		c.got.Total.Failures += b.Failures
		c.got.Total.Late += b.Late
	}
	c.events = []store.TrendEvent{{At: c.bounds[2].Add(30 * time.Hour), What: "service", Detail: "nozzle"}, {At: c.bounds[8].Add(time.Hour), What: "lot", Detail: "B-7"}, {At: c.bounds[8].Add(2 * time.Hour), What: "offset_change"}}
	i := 0
	for at := c.bounds[0]; at.Before(now); at = at.Add(3 * time.Hour) {
		i++
		c.got.Outcomes = append(c.got.Outcomes, store.TrendOutcome{Micros: at.UnixMicro(), Failed: i%37 == 5 || i > 560 && i%4 == 0, Late: i%300 == 5})
	}
	return c
}

// The pictures the page draws from given counts, whole: looked at, then kept
// with -update-charts.
func TestChartsAreDrawnAsKept(t *testing.T) {
	c := chartOf(t)
	rate, _ := c.rateChart()
	list := []ranked{{name: "PETG"}, {name: "PLA"}, {name: "ASA"}}
	for i := range list {
		list[i].TrendGroup = store.TrendGroup{Name: list[i].name, Total: store.TrendCount{Started: 300 - 80*i, Graded: 240 - 70*i, Failures: []int{30, 6, 4}[i]}, Buckets: c.got.Buckets}
		list[i].x, list[i].n = list[i].Total.Failures, list[i].Total.Graded
	}
	list[0].side = 1
	s := &Server{}
	many, _ := s.multiples(c, list[:1], 0.05)
	sum := *c
	sum.got.Total = store.TrendCount{}
	for _, o := range c.got.Outcomes {
		sum.got.Total.Started++
		sum.got.Total.Graded++
		if o.Failed {
			sum.got.Total.Failures++
		}
	}
	charts := map[string]views.Chart{"rate": rate, "gaps": sum.gapsChart(), "sum": sum.sumChart(), "funnel": c.compareChart(list, 0.05)}
	for name, chart := range charts {
		checkDrawn(t, name, func(b *bytes.Buffer) error { return views.ChartFigure(chart).Render(context.Background(), b) })
	}
	checkDrawn(t, "multiples", func(b *bytes.Buffer) error { return views.Multiples(many).Render(context.Background(), b) })
}

func checkDrawn(t *testing.T, name string, render func(*bytes.Buffer) error) {
	t.Helper()
	var buf bytes.Buffer
	if err := render(&buf); err != nil {
		t.Fatal(err)
	}
	got := strings.ReplaceAll(buf.String(), "><", ">\n<") + "\n"
	if strings.Contains(got, "NaN") || strings.Contains(got, "Inf") {
		t.Errorf("%s: a place is no number", name)
	}
	file := filepath.Join("testdata", "charts", name+".html")
	if *updateCharts {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from %s; look at it, then run go test ./internal/web -run Drawn -update-charts", name, file)
	}
}

// Words of the charts: what stands out is named, in order of weight.
func TestChartsSayWhatStandsOut(t *testing.T) {
	c := chartOf(t)
	rate, chart := c.rateChart()
	if rate.Title != "The week from 2026-03-16 failed more than chance explains: 16 of 60" {
		t.Errorf("title %q", rate.Title)
	}
	if got := c.standsOut(8, &chart); got != "Beyond the upper limit" {
		t.Errorf("the high week: %q", got)
	}
	if got := c.standsOut(3, &chart); got != "One of 8 in a row below the usual rate" {
		t.Errorf("a week of the run: %q", got)
	}
	d := rate.Drawings[0]
	kinds := map[string]int{}
	for _, dot := range d.Dots {
		kinds[dot.Kind]++
	}
	if kinds["beyond"] != 1 || kinds["late"] != 1 || kinds["open"] != 1 || len(d.Dots) != 11 || len(d.Runs) != 1 || len(d.Path) != 2 || len(d.Events) != 2 {
		t.Errorf("dots %v, %d runs, %d stretches, %d ticks", kinds, len(d.Runs), len(d.Path), len(d.Events))
	}
}

// Weeks begin on Monday in the farm's zone, 167 hours long where the clocks go
// forward and 169 where they go back; days are 23 and 25 hours long.
func TestWindowsAreCutInTheFarmsZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	read := func(v map[string][]string) trendsQuery {
		q, err := readTrends(v)
		if err != nil {
			t.Fatal(err)
		}
		return q
	}
	for _, c := range []struct {
		values map[string][]string
		end    string
		want   []string
		hours  []float64
	}{
		{map[string][]string{"weeks": {"2"}}, "2026-03-29T22:30:00Z", []string{"2026-03-23", "2026-03-30", "2026-04-06"}, []float64{167, 168}},
		{map[string][]string{"weeks": {"2"}}, "2026-10-25T22:30:00Z", []string{"2026-10-12", "2026-10-19", "2026-10-26"}, []float64{168, 169}},
		{map[string][]string{"weeks": {"1"}}, "2026-01-05T00:00:00Z", []string{"2026-01-05", "2026-01-12"}, []float64{168}},
		{map[string][]string{"from": {"2026-03-28"}, "to": {"2026-03-30"}, "per": {"day"}}, "2026-06-01T00:00:00Z", []string{"2026-03-28", "2026-03-29", "2026-03-30", "2026-03-31"}, []float64{24, 23, 24}},
		{map[string][]string{"from": {"2026-03-11"}, "to": {"2026-03-17"}}, "2026-06-01T00:00:00Z", []string{"2026-03-11", "2026-03-16", "2026-03-18"}, []float64{120, 48}},
	} {
		end, _ := time.Parse(time.RFC3339, c.end)
		q := read(c.values)
		bounds := q.bounds(end, berlin)
		if len(bounds) != len(c.want) {
			t.Errorf("%v: got %v, want %v", c.values, bounds, c.want)
			continue
		}
		for k, b := range bounds {
			if got := b.In(berlin).Format("2006-01-02 15:04"); got != c.want[k]+" 00:00" {
				t.Errorf("%v: bound %d is %s, want %s", c.values, k, got, c.want[k])
			}
			if k > 0 && b.Sub(bounds[k-1]).Hours() != c.hours[k-1] {
				t.Errorf("%v: bucket %d is %g h long, want %g", c.values, k-1, b.Sub(bounds[k-1]).Hours(), c.hours[k-1])
			}
		}
	}
	q := read(map[string][]string{"from": {"2020-01-01"}, "to": {"2024-01-01"}, "per": {"day"}})
	if n := len(q.bounds(time.Now(), berlin)); n > mostDays+2 || q.per != "week" {
		t.Errorf("four years by day: %d bounds by %s", n, q.per)
	}
}

// An address that is read and written again is the same, and whatever it says,
// reading it ends in a query or a refusal.
func FuzzTrendsAddress(f *testing.F) {
	for _, s := range []string{"", "by=pair&weeks=4", "from=2026-03-01&to=2026-03-09&per=day", "chart=sum&run=10000&plate=L-1&page=3", "weeks=999&by=x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		q, err := readTrends(v)
		if err != nil {
			return
		}
		again, err := readTrends(q.values())
		if err != nil || again != q {
			t.Fatalf("%q is read as %+v, written and read again as %+v (%v)", text, q, again, err)
		}
		if b := q.bounds(time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), time.UTC); len(b) < 2 || len(b) > mostWeeks+mostDays {
			t.Fatalf("%q: %d bounds", text, len(b))
		}
	})
}
