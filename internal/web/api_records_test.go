package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// little is a farm of two printers and two plates.
func little() *farm.Bundle {
	printer := func(tag string) farm.Printer {
		return farm.Printer{Tag: tag, Bay: "Bay 1", BedXMM: 220, BedYMM: 220, ZoneCols: 3, ZoneRows: 3, ZStepMM: 0.01, ProbingRecorded: "all"}
	}
	plate := func(tag string) farm.Plate {
		return farm.Plate{Tag: tag, Surface: "glass", SizeXMM: farm.Unknown(), SizeYMM: farm.Unknown()}
	}
	return &farm.Bundle{Printers: []farm.Printer{printer("P-1"), printer("P-2")}, Plates: []farm.Plate{plate("L-1"), plate("L-2")}}
}

type result struct {
	ID     string       `json:"id"`
	Ref    *string      `json:"ref"`
	Result string       `json:"result"`
	Error  *web.Problem `json:"error"`
}

// send posts records and gives their results.
func send(t *testing.T, c *webtest.Client, records ...string) []result {
	t.Helper()
	a := c.Do("POST", "/api/v1/records", "application/json", `{"records":[`+strings.Join(records, ",")+`]}`)
	if a.Status != http.StatusOK {
		t.Fatalf("got status %d, want 200: %s", a.Status, a.Body)
	}
	var out struct{ Results []result }
	if err := json.Unmarshal([]byte(a.Body), &out); err != nil {
		t.Fatal(err)
	}
	if len(out.Results) != len(records) {
		t.Fatalf("got %d results for %d records", len(out.Results), len(records))
	}
	return out.Results
}

func apiSite(t *testing.T) (*webtest.Site, *webtest.Client) {
	site := webtest.New(t)
	stored(t, site, little())
	return site, site.WithToken("gateway", "operator")
}

func TestRecordsRepeatFillAndConflict(t *testing.T) {
	_, c := apiSite(t)
	const start = `{"kind":"first_layer","id":"F-1","printer":"P-1","plate":"L-1","started_at":"2026-03-09T10:00:00+01:00"}`
	for _, x := range []struct {
		name, record, want string
		status             int
	}{
		{"a start", start, "recorded", 0},
		{"the same again", start, "already_recorded", 0},
		{"the same instant in another zone", strings.Replace(start, "10:00:00+01:00", "09:00:00Z", 1), "already_recorded", 0},
		{"its grade and marks", `{"kind":"first_layer","id":"F-1","printer":"P-1","started_at":"2026-03-09T09:00:00Z","grade":"failed","grader":"amara","marks":[{"zone":"A1","mark":"nozzle_low","severity":2}]}`, "recorded", 0},
		{"an absent field says nothing", start, "already_recorded", 0},
		{"marks in the other form", `{"kind":"first_layer","id":"F-1","printer":"P-1","started_at":"2026-03-09T09:00:00Z","marks":"A1:nozzle_low:2"}`, "already_recorded", 0},
		{"its outcome, by UUID", `{"kind":"first_layer","id":"` + farmID("F-1") + `","printer":"P-1","started_at":"2026-03-09T09:00:00Z","outcome":"restarted"}`, "recorded", 0},
		{"another grade", `{"kind":"first_layer","id":"F-1","printer":"P-1","started_at":"2026-03-09T09:00:00Z","grade":"clean"}`, "refused", 409},
		{"another kind under the id", `{"kind":"service","id":"` + farmID("F-1") + `","printer":"P-1","done_at":"2026-03-09T09:00:00Z","work":"nozzle"}`, "refused", 409},
		{"a printer nobody knows", `{"kind":"first_layer","id":"F-2","printer":"P-9","started_at":"2026-03-09T09:00:00Z"}`, "refused", 422},
		{"a field nobody knows", `{"kind":"first_layer","id":"F-2","printer":"P-1","started_at":"2026-03-09T09:00:00Z","colour":"red"}`, "refused", 422},
		{"a kind nobody knows", `{"kind":"print","id":"F-2"}`, "refused", 422},
		{"a time without offset", `{"kind":"first_layer","id":"F-2","printer":"P-1","started_at":"2026-03-09T09:00:00"}`, "refused", 422},
		{"a time far ahead", `{"kind":"first_layer","id":"F-2","printer":"P-1","started_at":"2099-03-09T09:00:00Z"}`, "refused", 422},
		{"when it arrived", `{"kind":"first_layer","id":"F-2","printer":"P-1","started_at":"2026-03-09T09:00:00Z","arrived_at":"2026-03-09T09:00:00Z"}`, "refused", 403},
		{"what the look list drew", `{"kind":"first_layer","id":"F-2","printer":"P-1","started_at":"2026-03-09T09:00:00Z","look_chance":0.5,"look_drawn":"lot"}`, "refused", 403},
		{"a draw", `{"kind":"draw","id":"L-1","printer":"P-1","task":"wipe","drawn_at":"2026-03-09T09:00:00Z","arm":"leave","chance":0.5,"why":"lot"}`, "refused", 403},
		{"a voiding", `{"kind":"void","record":"F-1","voided_at":"2026-03-09T12:00:00Z","void_reason":"wrong printer"}`, "recorded", 0},
		{"the voiding again", `{"kind":"void","record":"F-1","voided_at":"2026-03-09T12:00:00Z","void_reason":"wrong printer"}`, "already_recorded", 0},
		{"a voiding of nothing", `{"kind":"void","record":"F-404","voided_at":"2026-03-09T12:00:00Z","void_reason":"x"}`, "refused", 422},
	} {
		r := send(t, c, x.record)[0]
		status := 0
		if r.Error != nil {
			status = r.Error.Status
			if r.Error.Title == "" || r.Error.Type == "" || r.Error.Detail == "" {
				t.Errorf("%s: the refusal lacks words: %+v", x.name, r.Error)
			}
			for _, p := range r.Error.Problems {
				if !strings.HasPrefix(p.Pointer, "/records/0") || p.Expected == "" || p.Column != "" {
					t.Errorf("%s: problem %+v, want a pointer into /records/0 and what was expected", x.name, p)
				}
			}
		}
		if r.Result != x.want || status != x.status {
			t.Errorf("%s: got %s with status %d, want %s with %d: %+v", x.name, r.Result, status, x.want, x.status, r.Error)
		}
		if strings.Contains(x.record, `"F-1"`) && (r.ID != farmID("F-1") || r.Ref == nil || *r.Ref != "F-1") {
			t.Errorf("%s: got id %s and ref %v, want %s and F-1", x.name, r.ID, r.Ref, farmID("F-1"))
		}
	}
}

func farmID(text string) string {
	id, err := farm.NewID(farm.KindFirstLayer, text)
	if err != nil {
		panic(err)
	}
	return id.UUID.String()
}

func TestABadRecordHidesNoGoodOne(t *testing.T) {
	site, c := apiSite(t)
	good := func(id string) string {
		return fmt.Sprintf(`{"kind":"cleaning","id":%q,"plate":"L-1","cleaned_at":"2026-03-09T09:00:00Z","method":"wash"}`, id)
	}
	r := send(t, c, good("C-1"), `{"kind":"cleaning","id":"C-2","plate":"L-1","cleaned_at":"yesterday","method":"rinse"}`, good("C-3"), `17`)
	for i, want := range []string{"recorded", "refused", "recorded", "refused"} {
		if r[i].Result != want {
			t.Errorf("record %d: got %s, want %s", i, r[i].Result, want)
		}
	}
	if got := len(r[1].Error.Problems); got != 2 || r[1].Error.Problems[0].Pointer != "/records/1/cleaned_at" {
		t.Errorf("the bad record: got %+v, want both its problems by pointer", r[1].Error.Problems)
	}
	again := send(t, c, good("C-1"), good("C-3"))
	for i := range again {
		if again[i].Result != "already_recorded" {
			t.Errorf("sent again, record %d: got %s, want already_recorded", i, again[i].Result)
		}
	}
	if page := site.As("amara", "operator").Page("/plates/L-1"); len(page.All(`[data-event=cleaning]`)) != 2 {
		t.Errorf("the plate's history: got %d cleanings, want 2", len(page.All(`[data-event=cleaning]`)))
	}
}

func TestTheSameRecordTwentyTimesAtOnce(t *testing.T) {
	_, c := apiSite(t)
	var wait sync.WaitGroup
	got := make(chan string, 20)
	for range 20 {
		wait.Go(func() {
			a := c.Do("POST", "/api/v1/records", "application/json",
				`{"records":[{"kind":"probe","id":"M-1","printer":"P-1","probed_at":"2026-03-09T09:00:00Z","columns":2,"rows":2,"heights_mm":[0.1,null,-0.05,0]}]}`)
			var out struct{ Results []result }
			if err := json.Unmarshal([]byte(a.Body), &out); err != nil || len(out.Results) != 1 {
				got <- fmt.Sprint(a.Status, a.Body)
				return
			}
			got <- out.Results[0].Result
		})
	}
	wait.Wait()
	close(got)
	n := map[string]int{}
	for r := range got {
		n[r]++
	}
	if n["recorded"] != 1 || n["already_recorded"] != 19 {
		t.Errorf("got %v, want one recorded and 19 already_recorded", n)
	}
}

func TestBodiesOfRecordsThatCannotBeRead(t *testing.T) {
	_, c := apiSite(t)
	many := strings.Repeat(`{"kind":"x"},`, 501)
	for name, body := range map[string]string{
		"nothing": "", "no JSON": "{", "a list": "[]", "no records": `{"records":[]}`, "another field": `{"records":[{}],"more":1}`,
		"too many": `{"records":[` + strings.TrimSuffix(many, ",") + `]}`, "something behind": `{"records":[{}]} {}`, "no UTF-8": "{\"records\":[\"\xff\"]}",
		"a name twice": `{"records":[{}],"records":[{}]}`,
	} {
		a := c.Do("POST", "/api/v1/records", "application/json", body)
		p := problem(t, a, 400, "invalid")
		if p.Detail == "" {
			t.Errorf("%s: the refusal says nothing", name)
		}
	}
}

func TestWhoMayRecordInWhoseName(t *testing.T) {
	site, token := apiSite(t)
	operator, manager := site.As("amara", "operator"), site.As("boss", "manager")
	record := func(id, person string) string {
		return fmt.Sprintf(`{"kind":"cleaning","id":%q,"plate":"L-1","cleaned_at":"2026-03-09T09:00:00Z","method":"wipe","person":%q}`, id, person)
	}
	for _, x := range []struct {
		name   string
		client *webtest.Client
		person string
		want   int
	}{
		{"a token for anybody", token, "kofi", 0}, {"a manager for anybody", manager, "kofi", 0}, {"an operator for themselves", operator, "amara", 0},
		{"an operator for another", operator, "kofi", 403}, {"an operator for somebody unknown", operator, "nobody", 403}, {"an operator for nobody", operator, "", 0},
	} {
		r := send(t, x.client, record(x.name, x.person))[0]
		if got := r.Error; x.want == 0 && got != nil || x.want != 0 && (got == nil || got.Status != x.want) {
			t.Errorf("%s: got %s %+v, want status %d", x.name, r.Result, got, x.want)
		}
	}
	grade := `{"kind":"first_layer","id":"F-7","printer":"P-1","started_at":"2026-03-09T09:00:00Z","grade":"clean","grader":"boss"}`
	if r := send(t, operator, grade)[0]; r.Error == nil || r.Error.Status != 403 || r.Error.Problems[0].Pointer != "/records/0/grader" {
		t.Errorf("an operator grades as another: got %+v, want 403 at /records/0/grader", r)
	}
}

func TestPoliciesAreForManagersToRecord(t *testing.T) {
	site, _ := apiSite(t)
	policy := `{"kind":"policy","id":"Y-1","name":"All","in_force_from":"2026-03-09T09:00:00Z","clean_prints":8,"reason":"where we begin"}`
	void := `{"kind":"void","record":"Y-1","voided_at":"2026-03-09T09:00:00Z","void_reason":"no"}`
	operator, manager := site.As("amara", "operator"), site.As("boss", "manager")
	for i, x := range []struct {
		client *webtest.Client
		record string
		want   int
	}{{operator, policy, 403}, {manager, policy, 0}, {operator, policy, 403}, {operator, void, 403}, {operator, strings.Replace(void, "Y-1", "Y-9", 1), 422}, {manager, void, 0}} {
		status := 0
		if r := send(t, x.client, x.record)[0]; r.Error != nil {
			status = r.Error.Status
		}
		if status != x.want {
			t.Errorf("%d %s: got %d, want %d", i, x.record, status, x.want)
		}
	}
	if a := operator.Get("/api/v1/policies"); a.Status != 200 || !strings.Contains(string(a.Body), `"clean_prints":8`) {
		t.Errorf("got %d %s", a.Status, a.Body)
	}
}

// Whoever could set the chance with which a start is drawn would keep the look list from
// drawing it: an operator may not, a gateway whose farm keeps its list elsewhere may.
func TestAnOperatorSetsNoChance(t *testing.T) {
	site, gateway := apiSite(t)
	record := func(id string) string {
		return `{"kind":"first_layer","id":"` + id + `","printer":"P-1","started_at":"2026-03-09T09:00:00Z","look_chance":0.5}`
	}
	if r := send(t, site.As("amara", "operator"), record("F-1"))[0]; r.Result != "refused" || r.Error.Status != 403 || r.Error.Problems[0].Pointer != "/records/0/look_chance" {
		t.Errorf("an operator: %s %+v", r.Result, r.Error)
	}
	if r := send(t, gateway, record("F-2"))[0]; r.Result != "recorded" {
		t.Errorf("a gateway: %s %+v", r.Result, r.Error)
	}
}
