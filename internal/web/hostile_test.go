package web_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"golang.org/x/net/html"
)

// evilText is what every free text of the hostile farm begins with, evilName every name.
const (
	evilText = `=1+1"><script>planted()</script><img src=x onerror=planted()>' OR 1=1 --{{7*7}} ` + "\u202e javascript:planted() "
	evilName = `=1+1"><script>planted() `
)

// meaning are texts that are not free: something else is read out of them.
var meaning = []string{"case_steps.test", "evidence_sheets.sheet", "evidence_sheets.definitions", "job_forecasts.chances", "handover_entries.handover", "regrades.first_layer", "photos.first_layer",
	"advice_done.first_layer", "advice_done.record", "practice_items.photo", "practice_items.shows", "qualifications.answers", "photos.sha256", "settings.key", "settings.value", "mappings.mapping", "mappings.says", "draws.why"}

// hostileFarm imports the bundle in which every file says something, with every name
// and every free text turned into what means something to somebody who reads it wrongly.
func hostileFarm(t *testing.T, s *store.Store) {
	t.Helper()
	const from = "../../testdata/bundles/everything"
	dir, changed := t.TempDir(), 0
	for _, table := range intake.Tables {
		text, err := os.ReadFile(filepath.Join(from, table.File))
		if err != nil {
			t.Fatal(err)
		}
		r, err := intake.NewReader(table, bytes.NewReader(text), time.Date(2036, 1, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatal(err)
		}
		out, rec := []byte(table.HeaderLine()), table.New()
		var row intake.Row
		for {
			more, err := r.Next(&row, rec)
			if err != nil || len(row.Problems) > 0 {
				t.Fatalf("%s: %v %v", table.File, err, row.Problems)
			}
			if !more {
				break
			}
			for i := range table.Fields {
				f := &table.Fields[i]
				to, ok := f.At(rec).(*string)
				if !ok || slices.Contains(meaning, table.Name+"."+f.Name) {
					continue
				}
				switch {
				case f.Type == intake.Key && *to != "", table.Name == "policies" && f.Name == "name":
					*to, changed = evilName+*to, changed+1
				case f.Type == intake.Text && f.Long == 0 && !f.Fill:
					*to, changed = evilText+*to, changed+1
				}
			}
			out = table.AppendRecord(out, rec)
		}
		if err := os.WriteFile(filepath.Join(dir, table.File), out, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	source, err := intake.Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	report, err := s.Import(context.Background(), store.Act{Via: "import", Why: evilText}, source, store.ImportOptions{})
	if err != nil || !report.Stored || changed < 200 {
		t.Fatalf("%v, %d texts changed\n%s", err, changed, report.Text())
	}
}

// hostileFindings are the sample's with hostile names and texts.
func hostileFindings(at time.Time) *webtest.Findings {
	f := webtest.SampleFindings(at)
	name := strings.NewReplacer("P-001", evilName+"R-01", "P-002", evilName+"R-02", "L-001", evilName+"T-1", "L-002", evilName+"T-2", "L-107", evilName+"T-1")
	var spoil func(v reflect.Value)
	spoil = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Struct:
			if _, ok := v.Interface().(time.Time); ok {
				return
			}
			for i := range v.NumField() {
				if n := v.Type().Field(i).Name; n == "Summary" || n == "Differ" || n == "Settle" || n == "Method" {
					v.Field(i).SetString(evilText + v.Field(i).String())
				}
				spoil(v.Field(i))
			}
		case reflect.Slice:
			for i := range v.Len() {
				spoil(v.Index(i))
			}
		case reflect.String:
			if v.CanSet() {
				v.SetString(name.Replace(v.String()))
			}
		}
	}
	spoil(reflect.ValueOf(&f.List).Elem())
	spoil(reflect.ValueOf(&f.Evidences).Elem())
	return f
}

// routeOf is the route of the table that an address belongs to.
func routeOf(path string) (found web.Route) {
	path, _, _ = strings.Cut(path, "?")
	got, most := strings.Split(path, "/"), -1
	for _, r := range web.Routes() {
		want := strings.Split(r.Path, "/")
		if r.Method != http.MethodGet || len(want) != len(got) {
			continue
		}
		same := 0
		for i := range want {
			if want[i] == got[i] {
				same++
			} else if !strings.HasPrefix(want[i], ":") {
				same = -1
				break
			}
		}
		if same > most {
			found, most = r, same
		}
	}
	return found
}

// harmless fails the test where an answer holds something that a reader of its kind
// would not take for text. It tells whether it holds the hostile texts at all.
func harmless(t *testing.T, path string, a webtest.Answer) (seen bool) {
	t.Helper()
	if a.Status >= 500 {
		t.Errorf("%s: got status %d", path, a.Status)
	}
	if a.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%s: nothing says that its type is to be believed", path)
	}
	kind, _, _ := strings.Cut(a.Header.Get("Content-Type"), ";")
	switch kind {
	case "text/html":
		root, err := html.Parse(strings.NewReader(a.Body))
		if err != nil {
			t.Errorf("%s: %v", path, err)
			return false
		}
		for n := range root.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			if n.Data == "script" && n.FirstChild != nil && webtest.Attr(n, "type") != "application/json" || n.Data == "img" && webtest.Attr(n, "src") == "x" {
				t.Errorf("%s: an element <%s> was planted", path, n.Data)
			}
			for _, at := range n.Attr {
				if strings.HasPrefix(at.Key, "on") || slices.Contains([]string{"href", "src", "action", "formaction"}, at.Key) && strings.Contains(strings.ToLower(strings.TrimSpace(at.Val)), "javascript:") && !strings.HasPrefix(at.Val, "/") && !strings.HasPrefix(at.Val, "?") {
					t.Errorf("%s: <%s %s=%q>", path, n.Data, at.Key, at.Val)
				}
			}
		}
		return strings.Contains(a.Body, "&lt;script&gt;planted()")
	case "application/json", "application/problem+json", "application/manifest+json":
		if !json.Valid([]byte(a.Body)) {
			t.Errorf("%s is no JSON", path)
		}
	case "text/csv":
		rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(a.Body, "\ufeff"))).ReadAll()
		if err != nil && !errors.Is(err, csv.ErrFieldCount) {
			t.Errorf("%s is no CSV: %v", path, err)
		}
		for _, cell := range slices.Concat(rows...) {
			if _, err := strconv.ParseFloat(cell, 64); err != nil && cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r\x00") {
				t.Errorf("%s: a spreadsheet reads %q as a formula", path, cell)
			}
		}
		return strings.Contains(a.Body, "script>planted()")
	case "image/svg+xml":
		for d := xml.NewDecoder(strings.NewReader(a.Body)); ; {
			part, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Errorf("%s is no SVG: %v", path, err)
				break
			}
			if e, ok := part.(xml.StartElement); ok && (e.Name.Local == "script" || e.Name.Local == "image" || slices.ContainsFunc(e.Attr, func(a xml.Attr) bool { return strings.HasPrefix(a.Name.Local, "on") })) {
				t.Errorf("%s: an element <%s> was planted", path, e.Name.Local)
			}
		}
		return strings.Contains(a.Body, "&lt;script&gt;planted()")
	}
	return false
}

// TestStoredTextIsTextOnEveryPage looks at whatever can be reached by links in a farm
// whose every text is hostile: pages, labels, CSV, JSON; and at pages that say what is
// wrong.
func TestStoredTextIsTextOnEveryPage(t *testing.T) {
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	site := webtest.New(t, func(c *web.Config) { c.Findings = hostileFindings(now) })
	site.Store.SetClock(func() time.Time { return now })
	hostileFarm(t, site.Store)
	site.WithToken(strings.TrimSpace(evilName), "admin")
	told(t, site, 7)
	ctx, act := context.Background(), store.Act{Via: "command"}
	if err := site.Store.AddWebhook(ctx, act, store.Webhook{Name: strings.TrimSpace(evilName), URL: "https://hooks.example/", Kinds: []string{"hold"}}, make([]byte, 32)); err != nil {
		t.Fatal(err)
	}
	if _, err := site.Store.AddTablet(ctx, act, strings.TrimSpace(evilName), strings.TrimSpace(evilName), [32]byte{1}, now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "admin")
	queue := []string{"/printers/" + url.PathEscape("NONE"+evilName), "/plates/" + url.PathEscape(evilName), "/first-layers/" + url.PathEscape(evilName), "/search?q=" + url.QueryEscape(evilText), "/sign-in?next=" + url.QueryEscape(evilText),
		"/floor?bay=" + url.QueryEscape(evilText), "/trends?by=printer", "/trends?material=" + url.QueryEscape(evilName+"PLA"), "/setup/printers/" + url.PathEscape(evilName+"R-01"), "/grade/" + url.PathEscape(evilName+"R-01"), "/none/" + url.PathEscape(evilName), "/s/" + url.PathEscape(evilName+"T-1"),
		"/plates/" + url.PathEscape(evilName+"T-1") + "/mark/dxf/file", "/plates/" + url.PathEscape(evilName+"T-1") + "/mark/svg/file"}
	for _, r := range web.Routes() {
		if r.Method == http.MethodGet && !strings.Contains(r.Path, ":") {
			queue = append(queue, r.Path)
		}
		if r.Method == http.MethodGet && strings.HasPrefix(r.Path, "/api/v1/") && strings.HasSuffix(r.Path, ":tag") {
			queue = append(queue, strings.Replace(r.Path, ":tag", url.PathEscape(evilName+map[bool]string{true: "R-01", false: "T-1"}[strings.Contains(r.Path, "printer")]), 1))
		}
	}
	asked, visits, kinds := map[string]bool{}, map[string]int{}, map[string]int{}
	seen := 0
	for len(queue) > 0 {
		path := queue[0]
		queue = queue[1:]
		path, _, _ = strings.Cut(path, "#")
		at, err := url.Parse(path)
		if err != nil || at.Host != "" || !strings.HasPrefix(path, "/") || asked[path] {
			continue
		}
		asked[path] = true
		r := routeOf(at.EscapedPath())
		var names []string
		for name := range at.Query() {
			names = append(names, name)
		}
		slices.Sort(names)
		// Each route with each set of parameters twice, and of one route some.
		if alike := r.Path + " " + strings.Join(names, " "); r.Path == "/live" || strings.HasPrefix(r.Path, "/static/") || visits[alike] > 1 || kinds[r.Path] > 9 {
			continue
		} else {
			visits[alike]++
		}
		as := c
		if strings.HasPrefix(path, "/api/") {
			as = token
		}
		a := as.Get(path)
		kinds[r.Path]++
		if harmless(t, path, a) {
			seen++
		}
		if !strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") {
			var list struct{ Items []struct{ ID string } }
			if json.Unmarshal([]byte(a.Body), &list) == nil && len(list.Items) > 0 {
				queue = append(queue, at.Path+"/"+list.Items[len(list.Items)-1].ID)
			}
			continue
		}
		p := a.Page(t)
		for _, n := range slices.Concat(p.All("a[href]"), p.All("img[src]"), p.All("form[action]")) {
			to := webtest.Attr(n, "href") + webtest.Attr(n, "src")
			if n.Data == "form" && webtest.Attr(n, "method") != "post" {
				to = webtest.Attr(n, "action")
			}
			if strings.HasPrefix(to, "?") {
				to = at.EscapedPath() + to
			}
			queue = append(queue, to)
		}
	}
	t.Logf("%d addresses of %d routes were looked at, the texts seen at %d", len(visits), len(kinds), seen)
	if seen < 120 {
		t.Errorf("the texts were seen at %d addresses, the test shows little", seen)
	}
	var missing []string
	for _, r := range web.Routes() {
		if r.Method == http.MethodGet && kinds[r.Path] == 0 {
			missing = append(missing, r.Path)
		}
	}
	// Those of what this farm has not: pictures, uploads, addresses that are secret.
	if len(missing) > 20 {
		t.Errorf("no link leads to %v", missing)
	}
	// What a form says of what it refuses.
	for path, form := range map[string]url.Values{
		"/sign-in": {"handle": {evilText}, "password": {evilText}}, "/upkeep/clean": {"plates": {evilText}, "method": {evilText}, "note": {evilText}}, "/setup/add-printer": {"printer": {evilText}, "name": {evilText}, "bed_x_mm": {evilText}},
		"/setup/add-material": {"material": {evilText}, "polymer": {evilText}}, "/upkeep/hold": {"subject": {evilText}, "reason": {""}}, "/grade/" + url.PathEscape(evilName+"R-01"): {"grade": {evilText}, "marks": {evilText}, "note": {evilText}}, "/setup/add-token": {"name": {evilText}, "role": {evilText}},
		"/setup/add-webhook": {"name": {evilText}, "url": {evilText}}, "/first-layers/F-1/correct": {evilText: {evilText}},
	} {
		a := c.Form(path, form)
		if a.Status < 400 {
			t.Errorf("POST %s: got status %d, want a refusal", path, a.Status)
		}
		harmless(t, "POST "+path, a)
	}
	a := token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":`+strconv.Quote(evilText)+`},{"kind":"cleaning","id":"C-9","plate":`+strconv.Quote(evilName)+`,`+strconv.Quote(evilText)+`:1}]}`)
	harmless(t, "POST /api/v1/records", a)
}

// hostileValues are what somebody types into an address to see what happens.
var hostileValues = []string{"'; SELECT pg_sleep(5) --", `"><script>planted()</script>`, "%00", "%ff%fe", "../../../../etc/passwd", strings.Repeat("A", 4000), "-1", "9999999999999999999", "1 OR 1=1", "{{7*7}}${7*7}", "\u202e", "NaN", "0001-01-01T00:00:00Z", "$1", "%"}

var namesOfParams = regexp.MustCompile(`at most once each of ([a-z0-9_, -]+)`)

// hostileParams sends hostile values for every parameter that a route says it takes,
// so many of them for each, one after the other in the list.
func hostileParams(t *testing.T, each int) {
	site := demoSite(t)
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "admin")
	layers, err := site.Store.LatestStarts(context.Background(), "P-001", at, 1)
	if err != nil {
		t.Fatal(err)
	}
	stands := strings.NewReplacer(":tag", "P-001", ":id", layers[0].ID.UUID.String(), ":kind", "printer", ":cause", "skipped_probing", ":file", "none.css", ":week", "2026-W10")
	tried, params, next := 0, 0, 0
	var without []string
	for _, r := range web.Routes() {
		if r.Method != http.MethodGet || r.Path == "/live" {
			continue
		}
		path := stands.Replace(r.Path)
		if strings.HasPrefix(path, "/plates/") || strings.HasPrefix(path, "/setup/plates/") || strings.HasPrefix(path, "/api/v1/plates/") {
			path = strings.Replace(path, "P-001", "L-102", 1)
		}
		as := c
		if strings.HasPrefix(path, "/api/") {
			as = token
		}
		asked := as.Get(path + "?no-such-parameter=1")
		m := namesOfParams.FindStringSubmatch(asked.Body)
		if m == nil {
			if !strings.Contains(asked.Body, "no parameters") {
				without = append(without, r.Path)
			}
			continue
		}
		for _, name := range strings.Split(strings.TrimSpace(m[1]), ", ") {
			params++
			for range each {
				evil := hostileValues[next%len(hostileValues)]
				next++
				value := url.QueryEscape(evil)
				if strings.HasPrefix(evil, "%") && len(evil) > 1 {
					value = evil
				}
				began := time.Now()
				a := as.Get(path + "?" + name + "=" + value)
				tried++
				if took := time.Since(began); a.Status >= 500 || took > 4*time.Second {
					t.Errorf("GET %s?%s=%.60s: got status %d after %s", path, name, value, a.Status, took)
				}
				if strings.Contains(a.Body, "<script>planted") && strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") {
					t.Errorf("GET %s?%s=%s: the answer holds the text as markup", path, name, value)
				}
			}
		}
	}
	t.Logf("%d parameters, %d requests; %d routes do not say what they take: %v", params, tried, len(without), without)
	if params < 100 {
		t.Errorf("%d parameters were found, the test shows little", params)
	}
}

// TestHostileParameters: no parameter of any route ends in an error of the server's or
// makes it wait; the long test sends every value to each.
func TestHostileParameters(t *testing.T) { hostileParams(t, 2) }

var namesOfFields = regexp.MustCompile(`one of the form.{1,6}s fields(?:, once)?: ([a-z0-9_, -]+)`)

// TestHostileForms: no field of any form ends in an error of the server's.
func TestHostileForms(t *testing.T) {
	site, _ := provided(t, func(c *web.Config) { c.TrustedProxies = []string{"127.0.0.1"} })
	stored(t, site, little())
	c := site.As("amara", "admin")
	site.As("kofi", "operator")
	fields, next, sent := 0, 0, 0
	var without []string
	for _, r := range web.Routes() {
		if r.Method != http.MethodPost || strings.HasPrefix(r.Path, "/api/") || r.Path == "/sign-out" || r.Path == "/account/sign-out" {
			continue
		}
		path := strings.NewReplacer("/printers/:tag", "/printers/P-1", "/plates/:tag", "/plates/L-1", "/people/:tag", "/people/kofi", "/grade/:tag", "/grade/P-1").Replace(r.Path)
		path = anyOf(path)
		send := func(form url.Values) webtest.Answer {
			sent++
			return c.Do("POST", path, "application/x-www-form-urlencoded", form.Encode(), func(r *http.Request) { r.Header.Set("X-Forwarded-For", "10.0.2."+strconv.Itoa(sent%250)) })
		}
		m := namesOfFields.FindStringSubmatch(send(url.Values{"no-such-field": {"1"}}).Body)
		if m == nil {
			without = append(without, r.Path)
			continue
		}
		names, all := strings.Split(strings.TrimSpace(m[1]), ", "), url.Values{}
		for _, name := range names {
			fields++
			evil := []string{"\x00", "\xff\xfe", evilText, strings.Repeat("A", 10_000), "NaN", "-1e999"}[next%6]
			next++
			if a := send(url.Values{name: {evil}}); a.Status >= 500 {
				t.Errorf("POST %s with %s=%.20q: got status %d", path, name, evil, a.Status)
			}
			all.Set(name, "x\x00")
		}
		if a := send(all); a.Status < 400 || a.Status >= 500 {
			t.Errorf("POST %s with NUL in every field: got status %d, want it refused", path, a.Status)
		}
		for name := range all {
			all.Set(name, "x\xff")
		}
		if a := send(all); a.Status < 400 || a.Status >= 500 {
			t.Errorf("POST %s with what is no UTF-8 in every field: got status %d, want it refused", path, a.Status)
		}
	}
	t.Logf("%d fields; %d forms do not say what they take: %v", fields, len(without), without)
	if fields < 100 {
		t.Errorf("%d fields were found, the test shows little", fields)
	}
}
