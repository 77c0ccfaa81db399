package web_test

import (
	"context"
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"go.yaml.in/yaml/v4"
)

// atWork tells of findings and copies as a server that runs does.
type atWork struct{ webtest.Findings }

// Work tells how findings were computed.
func (*atWork) Work() (runs, failed int64, took time.Duration, ended time.Time) {
	return 3, 1, time.Second, time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
}

type copied struct{}

// Latest gives a copy.
func (copied) Latest(context.Context) (web.Copy, error) {
	return web.Copy{WrittenAt: time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}, nil
}

var (
	metricName = regexp.MustCompile(`\b(?:basecourse|process|go)_[a-z0-9_]+`)
	matcher    = regexp.MustCompile(`([a-z_]+)(=~?)"([^"]*)"`)
	grouping   = regexp.MustCompile(`\b(?:by|without|ignoring|on) \(([a-z_, ]+)\)`)
)

// TestAlertsAndDashboardAskForWhatThereIs reads deploy/alerts.yaml and
// deploy/dashboard.json and holds every metric, label and value they name against
// what /metrics serves and the table of routes.
func TestAlertsAndDashboardAskForWhatThereIs(t *testing.T) {
	w := &atWork{}
	site := webtest.New(t, func(c *web.Config) { c.Findings, c.Backups, c.Copies = w, copied{}, copied{} })
	c := site.As("amara", "manager")
	c.Get("/floor")
	body := c.Get("/metrics").Body
	samples, labels, values := map[string]bool{}, map[string]bool{"le": true, "instance": true}, map[string]map[string]bool{"route": {}, "status": {}}
	for line := range strings.Lines(body) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		name := line[:strings.IndexAny(line, "{ ")]
		samples[name] = true
		for _, m := range matcher.FindAllStringSubmatch(line[:strings.LastIndex(line, " ")], -1) {
			labels[m[1]] = true
			if values[m[1]] == nil {
				values[m[1]] = map[string]bool{}
			}
			values[m[1]][m[3]] = true
		}
	}
	for _, r := range web.Routes() {
		values["route"][r.Path] = true
	}
	check := func(where, expr string) {
		t.Helper()
		names := metricName.FindAllString(matcher.ReplaceAllString(expr, ""), -1)
		if len(names) == 0 {
			t.Errorf("%s: %q names no metric", where, expr)
		}
		for _, n := range names {
			if !samples[n] {
				t.Errorf("%s: /metrics serves no %s", where, n)
			}
		}
		for _, m := range matcher.FindAllStringSubmatch(expr, -1) {
			if !labels[m[1]] {
				t.Errorf("%s: no metric has a label %s", where, m[1])
			}
			if m[1] == "status" {
				continue // statuses come when they happen
			}
			for _, v := range strings.Split(m[3], "|") {
				if !values[m[1]][v] {
					t.Errorf("%s: %s is never %q", where, m[1], v)
				}
			}
		}
		for _, m := range grouping.FindAllStringSubmatch(expr, -1) {
			for _, l := range strings.Split(m[1], ", ") {
				if !labels[l] {
					t.Errorf("%s: no metric has a label %s", where, l)
				}
			}
		}
		for _, pair := range []string{"()", "{}", "[]"} {
			if strings.Count(expr, pair[:1]) != strings.Count(expr, pair[1:]) {
				t.Errorf("%s: %q leaves a bracket open", where, expr)
			}
		}
	}

	var rules struct {
		Groups []struct {
			Name  string
			Rules []struct {
				Alert, Expr, For    string
				Labels, Annotations map[string]string
			}
		}
	}
	text, err := os.ReadFile("../../deploy/alerts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(text, &rules); err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			check(r.Alert, r.Expr)
			if _, err := time.ParseDuration(r.For); err != nil || slices.Contains(told, r.Alert) || !slices.Contains([]string{"act", "look"}, r.Labels["severity"]) {
				t.Errorf("%s: for %q, labels %v: %v", r.Alert, r.For, r.Labels, err)
			}
			for _, key := range []string{"summary", "description"} {
				if v := r.Annotations[key]; !strings.Contains(v, " ") || !strings.HasSuffix(v, ".") && !strings.HasSuffix(v, "?") {
					t.Errorf("%s: its %s is no sentence: %q", r.Alert, key, v)
				}
			}
			told = append(told, r.Alert)
		}
	}
	if len(told) < 12 {
		t.Errorf("%d alerts, want one for each thing that can go wrong", len(told))
	}

	var board struct {
		Title  string
		Panels []struct {
			ID      int
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if text, err = os.ReadFile("../../deploy/dashboard.json"); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	shown := ""
	for _, p := range board.Panels {
		if p.Title == "" || len(p.Targets) == 0 {
			t.Errorf("panel %d shows nothing", p.ID)
		}
		for _, x := range p.Targets {
			check(p.Title, x.Expr)
			shown += x.Expr
		}
	}
	for name := range samples {
		family := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(name, "_bucket"), "_count"), "_sum"), "_created")
		if strings.HasPrefix(name, "basecourse_") && !strings.Contains(shown, strings.TrimSuffix(family, "_total")) && family != "basecourse_pool_connections_most" {
			t.Errorf("the dashboard does not show %s", name)
		}
	}
}
