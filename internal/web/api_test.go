package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// everything is a site over a farm in which every field of every file says
// something.
func everything(t *testing.T, change ...func(*web.Config)) *webtest.Site {
	t.Helper()
	site := webtest.New(t, change...)
	source, closer, err := intake.OpenSource(filepath.Join("..", "..", "testdata", "bundles", "everything"))
	if err != nil {
		t.Fatal(err)
	}
	defer closer.Close()
	report, err := site.Store.Import(context.Background(), store.Act{Via: "import"}, source, store.ImportOptions{})
	if err != nil {
		t.Fatalf("import: %v\n%+v", err, report)
	}
	return site
}

// TestTheDescriptionNamesEveryRoute compares the description with the table of
// routes, both ways.
func TestTheDescriptionNamesEveryRoute(t *testing.T) {
	site := webtest.New(t)
	a := site.Nobody().Get("/api/v1/openapi.json")
	if a.Status != 200 {
		t.Fatalf("got %d", a.Status)
	}
	d, err := webtest.ReadDescription([]byte(a.Body))
	if err != nil {
		t.Fatal(err)
	}
	if d.Doc.OpenAPI != "3.1.0" {
		t.Errorf("the description is of OpenAPI %s, want 3.1.0", d.Doc.OpenAPI)
	}
	described := map[string]string{}
	for path, item := range d.Doc.Paths.Map() {
		for method, op := range item.Operations() {
			described[method+" "+path], _ = op.Extensions["x-role"].(string)
			if op.Summary == "" || op.OperationID == "" {
				t.Errorf("%s %s says nothing about itself", method, path)
			}
		}
	}
	for _, r := range web.Routes() {
		if !strings.HasPrefix(r.Path, "/api/") || r.Method == http.MethodHead {
			continue
		}
		parts := strings.Split(r.Path, "/")
		for i, p := range parts {
			if name, ok := strings.CutPrefix(p, ":"); ok {
				parts[i] = "{" + name + "}"
			}
		}
		key := r.Method + " " + strings.Join(parts, "/")
		if role, ok := described[key]; !ok || role != r.Role {
			t.Errorf("%s for %s: the description says %q (there: %v): give the route its doc", key, r.Role, role, ok)
		}
		delete(described, key)
	}
	for key := range described {
		t.Errorf("%s is described and not served", key)
	}
}

// TestEveryReadingAnswersAsDescribed reads every list and every single item of a
// farm in which everything says something; the client holds each answer against
// the description.
func TestEveryReadingAnswersAsDescribed(t *testing.T) {
	site := everything(t)
	c := site.WithToken("reader", "manager")
	for _, r := range web.Routes() {
		if r.Method != http.MethodGet || !strings.HasPrefix(r.Path, "/api/v1/") || strings.Contains(r.Path, ":") || strings.HasSuffix(r.Path, ".json") || r.Path == "/api/v1/findings" || r.Path == "/api/v1/risk" || r.Path == "/api/v1/plan" || r.Path == "/api/v1/upkeep" {
			continue
		}
		page := read(t, c, r.Path+"?limit=2")
		if len(page.Items) == 0 {
			t.Errorf("%s: got no item", r.Path)
			continue
		}
		if r.Path == "/api/v1/job-outcomes" {
			continue // no records of their own: there is none to be read by itself
		}
		first := page.Items[0]
		name, _ := first["ref"].(string)
		if name == "" {
			name, _ = first["id"].(string)
		}
		if name == "" {
			key := map[string]string{"printers": "printer", "plates": "plate", "materials": "material", "people": "person", "jobs": "job", "shifts": "shift", "instruments": "instrument", "settings": "key", "mappings": "mapping"}[strings.TrimPrefix(r.Path, "/api/v1/")]
			name, _ = first[key].(string)
		}
		one := c.Get(r.Path + "/" + url.PathEscape(name))
		want, _ := json.Marshal(first)
		var got any
		if err := json.Unmarshal([]byte(one.Body), &got); err != nil || one.Status != 200 {
			t.Errorf("%s/%s: got %d: %v: %s", r.Path, name, one.Status, err, one.Body)
			continue
		}
		if again, _ := json.Marshal(got); !bytes.Equal(again, want) {
			t.Errorf("%s/%s: got %s, want what the list has, %s", r.Path, name, again, want)
		}
		problem(t, c.Get(r.Path+"/none"), 404, "not_found")
	}
	printer := read(t, c, "/api/v1/printers?limit=1").Items[0]["printer"].(string)
	read(t, c, "/api/v1/printers/"+url.PathEscape(printer)+"/screws")
	problem(t, c.Get("/api/v1/printers/none/screws"), 404, "not_found")
}

func TestUnchangedAnswersAreNotSentAgain(t *testing.T) {
	_, c := apiSite(t)
	for _, path := range []string{"/api/v1/printers", "/api/v1/printers/P-1", "/api/v1/first-layers", "/api/v1/findings?at=2026-03-09T14:00:00Z", "/api/v1/openapi.json"} {
		first := c.Get(path)
		tag := first.Header.Get("ETag")
		if first.Status != 200 || tag == "" {
			t.Errorf("%s: got %d with ETag %q, want one", path, first.Status, tag)
			continue
		}
		for _, sent := range []string{tag, strings.TrimPrefix(tag, "W/"), `"other", ` + tag, "*"} {
			a := c.Do("GET", path, "", "", func(r *http.Request) { r.Header.Set("If-None-Match", sent) })
			if a.Status != 304 || a.Body != "" || a.Header.Get("ETag") != tag {
				t.Errorf("%s with If-None-Match %s: got %d with %d bytes and ETag %q, want 304 and nothing", path, sent, a.Status, len(a.Body), a.Header.Get("ETag"))
			}
		}
		if a := c.Do("GET", path, "", "", func(r *http.Request) { r.Header.Set("If-None-Match", `"other"`) }); a.Status != 200 || a.Body != first.Body {
			t.Errorf("%s with another tag: got %d, want the answer", path, a.Status)
		}
	}
	tag := c.Get("/api/v1/first-layers").Header.Get("ETag")
	send(t, c, `{"kind":"first_layer","id":"F-1","printer":"P-1","started_at":"2026-03-09T10:00:00Z"}`)
	if a := c.Do("GET", "/api/v1/first-layers", "", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); a.Status != 200 {
		t.Errorf("after a new record: got %d, want 200", a.Status)
	}
}

func TestRefusalsOfTheAPIAreProblems(t *testing.T) {
	site, c := apiSite(t)
	operator, nobody := c, site.Nobody()
	for _, x := range []struct {
		name   string
		client *webtest.Client
		method string
		path   string
		kind   string
		accept string
		want   int
		is     string
	}{
		{"an address that is not there", c, "GET", "/api/v1/none", "", "", 404, "not_found"},
		{"a thing that is not there", c, "GET", "/api/v1/printers/P-99", "", "", 404, "not_found"},
		{"a record that is not there", c, "GET", "/api/v1/probes/M-99", "", "", 404, "not_found"},
		{"a record of another kind", c, "GET", "/api/v1/probes/" + farmID("F-1"), "", "", 404, "not_found"},
		{"another method", c, "DELETE", "/api/v1/printers", "", "", 405, "not_found"},
		{"reading what is written to", c, "GET", "/api/v1/records", "", "", 405, "not_found"},
		{"no JSON wanted", c, "GET", "/api/v1/printers", "", "text/csv", 406, "invalid"},
		{"JSON refused", c, "GET", "/api/v1/printers", "", "*/*, application/json;q=0", 406, "invalid"},
		{"a body of another type", c, "POST", "/api/v1/records", "text/csv", "", 415, "invalid"},
		{"nobody", nobody, "GET", "/api/v1/printers", "", "", 401, "unauthenticated"},
		{"people by an operator's token", operator, "GET", "/api/v1/people", "", "", 403, "forbidden"},
		{"a parameter nobody knows", c, "GET", "/api/v1/cleanings?printer=P-1", "", "", 400, "invalid"},
		{"a cursor made by hand", c, "GET", "/api/v1/cleanings?cursor=1", "", "", 400, "invalid"},
	} {
		a := x.client.Do(x.method, x.path, x.kind, "", func(r *http.Request) {
			if x.accept != "" {
				r.Header.Set("Accept", x.accept)
			}
		})
		t.Run(x.name, func(t *testing.T) {
			if p := problem(t, a, x.want, x.is); p.Detail == "" {
				t.Errorf("it says nothing")
			}
			if x.want == 405 && a.Header.Get("Allow") == "" {
				t.Error("it does not say which methods are allowed")
			}
		})
	}
	for _, accept := range []string{"application/json", "*/*", "application/*;q=0.1, text/html", "text/html, */*;q=0.8"} {
		if a := c.Do("GET", "/api/v1/printers", "", "", func(r *http.Request) { r.Header.Set("Accept", accept) }); a.Status != 200 {
			t.Errorf("Accept %s: got %d, want 200", accept, a.Status)
		}
	}
}

func TestATokenThatSendsTooFastIsToldWhenToComeBack(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.RequestsPerSecond = 1 })
	stored(t, site, little())
	fast, other := site.WithToken("fast", "operator"), site.WithToken("other", "operator")
	var last webtest.Answer
	for range 5 { // one by its address before it is known, two at once, then too many
		last = fast.Get("/api/v1/printers")
	}
	problem(t, last, 429, "busy")
	wait, err := strconv.Atoi(last.Header.Get("Retry-After"))
	if err != nil || wait < 1 || wait > 2 {
		t.Errorf("Retry-After is %q, want 1 or 2 seconds", last.Header.Get("Retry-After"))
	}
	if a := other.Get("/api/v1/printers"); a.Status != 200 {
		t.Errorf("another token: got %d, want 200", a.Status)
	}
	time.Sleep(time.Duration(wait)*time.Second + 50*time.Millisecond)
	if a := fast.Get("/api/v1/printers"); a.Status != 200 {
		t.Errorf("after Retry-After: got %d, want 200", a.Status)
	}
}

func TestATokenRunsOutAndTellsWhenItWasUsed(t *testing.T) {
	site := webtest.New(t)
	clock := time.Now()
	var mu sync.Mutex
	site.Store.SetClock(func() time.Time { mu.Lock(); defer mu.Unlock(); return clock })
	later := func(d time.Duration) { mu.Lock(); defer mu.Unlock(); clock = clock.Add(d) }
	c := site.Nobody()
	var err error
	if c.Token, err = web.AddToken(context.Background(), site.Store, "gateway", "operator", clock.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	used := func() *time.Time {
		list, err := site.Store.Tokens(context.Background())
		if err != nil || len(list) != 1 {
			t.Fatalf("tokens: %v, %v", list, err)
		}
		return list[0].LastUsedAt
	}
	if used() != nil {
		t.Error("a new token was used already")
	}
	c.Get("/api/v1/printers")
	first := used()
	if first == nil {
		t.Fatal("the use was not noted")
	}
	later(30 * time.Second)
	c.Get("/api/v1/printers")
	if again := used(); !again.Equal(*first) {
		t.Error("a second use within the minute was written down, want that spared")
	}
	later(time.Minute)
	c.Get("/api/v1/printers")
	if again := used(); !again.After(*first) {
		t.Error("the last use stays at the first one")
	}
	later(time.Hour)
	problem(t, c.Get("/api/v1/printers"), 401, "unauthenticated")
	problem(t, c.Get("/api/v1/openapi.json"), 401, "unauthenticated")
}

// TestFiftyClientsAtOnce sends 1,000 records, each by two of fifty clients and
// many at the same time: every one is stored, once, and one sender is told so.
func TestFiftyClientsAtOnce(t *testing.T) {
	site, c := apiSite(t)
	const clients, each, records = 50, 40, 1000
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients}}
	var wait sync.WaitGroup
	var mu sync.Mutex
	told := map[string]map[string]int{}
	begin := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	for k := range clients {
		wait.Go(func() {
			for i := range each {
				n := k/2*each + (i+k%2*7)%each // two neighbours send the same ones, seven apart
				id := fmt.Sprintf("F-%04d", n)
				body := fmt.Sprintf(`{"records":[{"kind":"first_layer","id":%q,"printer":"P-%d","plate":"L-1","started_at":%q}]}`, id, n%2+1, begin.Add(time.Duration(n)*time.Minute).Format(time.RFC3339))
				for {
					req, err := http.NewRequestWithContext(ctx, "POST", site.URL+"/api/v1/records", strings.NewReader(body))
					if err != nil {
						t.Error(err)
						return
					}
					req.Header.Set("Content-Type", "application/json")
					req.Header.Set("Authorization", "Bearer "+c.Token)
					res, err := client.Do(req)
					if err != nil {
						t.Errorf("%s: %v", id, err)
						return
					}
					var out struct{ Results []result }
					err = json.NewDecoder(res.Body).Decode(&out)
					res.Body.Close()
					if res.StatusCode == 429 || res.StatusCode == 503 {
						seconds, _ := strconv.Atoi(res.Header.Get("Retry-After"))
						time.Sleep(time.Duration(max(1, seconds)) * time.Second)
						continue
					}
					if err != nil || res.StatusCode != 200 || len(out.Results) != 1 {
						t.Errorf("%s: got %d, %v", id, res.StatusCode, err)
						return
					}
					mu.Lock()
					if told[id] == nil {
						told[id] = map[string]int{}
					}
					told[id][out.Results[0].Result]++
					mu.Unlock()
					break
				}
			}
		})
	}
	wait.Wait()
	if len(told) != records {
		t.Errorf("%d records were answered, want %d", len(told), records)
	}
	for id, n := range told {
		if n["recorded"] != 1 || n["already_recorded"] != 1 {
			t.Errorf("%s: its two senders were told %v, want recorded once and already_recorded once", id, n)
		}
	}
	seen := map[string]int{}
	path := "/api/v1/first-layers?limit=500"
	for {
		p := read(t, c, path)
		for _, item := range p.Items {
			seen[item["ref"].(string)]++
		}
		if p.Next == nil {
			break
		}
		path = "/api/v1/first-layers?limit=500&cursor=" + url.QueryEscape(*p.Next)
	}
	for id := range told {
		if seen[id] != 1 {
			t.Errorf("%s stands %d times in the farm, want once", id, seen[id])
		}
	}
	if len(seen) != records {
		t.Errorf("%d records stand in the farm, want %d", len(seen), records)
	}
}

// TestTheExamplesOfTheHelpRun takes the examples from the page and runs them, as
// somebody would who copies them.
func TestTheExamplesOfTheHelpRun(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if _, err2 := exec.LookPath("curl"); err != nil || err2 != nil {
		t.Skip("this test needs bash and curl")
	}
	site, c := apiSite(t)
	page := site.As("amara", "operator").Page("/help/api")
	names, codes, gives := page.All("[data-example]"), page.All("[data-example] pre code"), page.All("[data-gives]")
	if len(names) < 8 || len(codes) != len(names) || len(gives) != len(names) {
		t.Fatalf("the page has %d examples, %d codes, %d answers", len(names), len(codes), len(gives))
	}
	for i := range names {
		code, want := codes[i].FirstChild.Data, gives[i].FirstChild.Data
		cmd := exec.CommandContext(t.Context(), bash, "-eu", "-c", code)
		cmd.Env = append(os.Environ(), "FARM="+site.URL, "TOKEN="+c.Token)
		out, err := cmd.CombinedOutput()
		if err != nil || !strings.Contains(string(out), want) {
			t.Errorf("%s: %v: got %s\nwant %s in it, from\n%s", webtest.Attr(names[i], "data-example"), err, out, want, code)
		}
	}
	if page := read(t, c, "/api/v1/first-layers"); len(page.Items) != 1 || page.Items[0]["voided_at"] == nil {
		t.Errorf("afterwards the farm holds %v, want the one record, voided", page.Items)
	}
	if !strings.Contains(strings.Join(page.Texts("td"), " ")+strings.Join(page.Texts("th"), " "), "/api/v1/first-layers/:id") {
		t.Error("the page does not list the addresses")
	}
}
