package web_test

import (
	"bytes"
	"context"
	"io"
	"mime/multipart"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/webtest"
)

const logCSV = "Tag;Zeit;Maschine;Ergebnis;Fehler;Versatz [µm]\n" +
	"23.03.2026;08:15;Q-1;gut;;\n" +
	"24.03.2026;08:15;Q-1;seltsam;zu tief;-40\n" +
	"25.03.2026;08:15;Q-2;schlecht;balls;12,5\n"

// sendLog sends a log as a browser would.
func sendLog(c *webtest.Client, name, content, kind, kept string) webtest.Answer {
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	part, err := w.CreateFormFile("log", name)
	if err != nil {
		panic(err)
	}
	_, _ = io.WriteString(part, content)
	_ = w.WriteField("kind", kind)
	_ = w.WriteField("kept", kept)
	_ = w.Close()
	return c.Do("POST", "/setup/import/logs", w.FormDataContentType(), body.String())
}

func TestALogIsMappedTriedImportedAndUndone(t *testing.T) {
	site, c, dir := uploadSite(t)
	ctx := context.Background()
	a := sendLog(c, "book.csv", logCSV, "first_layer", "")
	if a.Status != 303 || !strings.HasSuffix(a.Header.Get("Location"), "/mapping") {
		t.Fatalf("a log: got %d %s", a.Status, a.Body)
	}
	there := a.Header.Get("Location")
	here := strings.TrimSuffix(there, "/mapping")
	p := c.Page(there)
	for _, want := range []string{"Day first: “23.03.2026” in line 2.", "Say what “seltsam” means", "does not say where marks are"} {
		if !strings.Contains(p.Text("main"), want) {
			t.Errorf("%q is not said: %s", want, p.Text("main"))
		}
	}
	form := webtest.FormValues(p.One("form.setup"))
	form.Set("act", "check")
	if a := c.Form(there, form); a.Status != 422 || !strings.Contains(string(a.Body), "zones for all rows") {
		t.Errorf("with marks nowhere: got %d", a.Status)
	}
	form = webtest.FormValues(c.Page(there).One("form.setup"))
	for name, value := range map[string]string{"severity": "2", "zones": "b2", "w3.1": "marginal", "w4.0": "nozzle_low", "act": "look"} {
		form.Set(name, value)
	}
	if a := c.Form(there, form); a.Status != 303 {
		t.Fatalf("looking: got %d %s", a.Status, a.Body)
	}
	p = c.Page(there)
	if text := p.Text("table"); !strings.Contains(text, "Refused. Maschine: found \"Q-1\", expected the tag of a known printer") {
		t.Errorf("the preview: %s", text)
	}
	form = webtest.FormValues(p.One("form.setup"))
	form.Set("act", "keep")
	if a := c.Form(there, form); a.Status != 303 {
		t.Fatalf("keeping: got %d %s", a.Status, a.Body)
	}
	kept, err := site.Store.Thing(ctx, farm.KindMapping, "book")
	if err != nil || !strings.Contains(kept.(*farm.LogMapping).Says, `"zu tief":"nozzle_low"`) || !strings.Contains(kept.(*farm.LogMapping).Says, `"unit":"um"`) {
		t.Errorf("kept: %+v %v", kept, err)
	}
	form.Set("act", "check")
	if a := c.Form(there, form); a.Status != 303 || a.Header.Get("Location") != here {
		t.Fatalf("trying dry: got %d %s", a.Status, a.Body)
	}
	p = c.Page(here)
	if text := p.Text("main"); !strings.Contains(text, "Printer Q-1") || !strings.Contains(text, "Printer Q-2") || len(p.All("article[data-row]")) != 3 {
		t.Errorf("tried dry: %s", text)
	}
	if a := c.Get(here + "/refused.zip"); a.Status != 200 || !strings.Contains(string(a.Body), "problems.csv") {
		t.Errorf("refused rows: got %d", a.Status)
	}
	if a := c.Form(here, url.Values{"act": {"create"}, "bed_x_mm": {"250"}, "bed_y_mm": {""}}); a.Status != 422 {
		t.Errorf("without a bed: got %d", a.Status)
	}
	if a := c.Form(here, url.Values{"act": {"create"}, "bed_x_mm": {"250"}, "bed_y_mm": {"210"}}); a.Status != 303 {
		t.Fatalf("creating: got %d %s", a.Status, a.Body)
	}
	if lead := c.Page(here).Text(".notice[role=status]"); !strings.Contains(lead, "everything fits") {
		t.Errorf("afterwards: %s", lead)
	}
	layers := func(tag string) (n int) {
		list, err := site.Store.LatestStarts(ctx, tag, site.Store.Now(), 100)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range list {
			if f.VoidedAt.IsZero() {
				n++
			}
		}
		return n
	}
	act := func(v url.Values) {
		t.Helper()
		if a := c.Form(here, v); a.Status != 303 {
			t.Fatalf("%v: got %d %s", v, a.Status, a.Body)
		}
	}
	act(url.Values{"act": {"import"}})
	if layers("Q-1") != 2 || layers("Q-2") != 1 {
		t.Errorf("imported: %d and %d", layers("Q-1"), layers("Q-2"))
	}
	if a := c.Form(here, url.Values{"act": {"undo"}, "why": {" "}}); a.Status != 422 {
		t.Errorf("undoing without a reason: got %d", a.Status)
	}
	act(url.Values{"act": {"undo"}, "why": {"the wrong zone"}})
	if layers("Q-1") != 0 || layers("Q-2") != 0 || !strings.Contains(c.Page(here).Text(".notice[role=status]"), "Nothing is stored yet") {
		t.Errorf("undone: %d and %d stand", layers("Q-1"), layers("Q-2"))
	}
	act(url.Values{"act": {"import"}})
	if layers("Q-1") != 2 {
		t.Errorf("once more: %d", layers("Q-1"))
	}
	b := sendLog(c, "book2.csv", logCSV+"26.03.2026;08:15;Q-2;gut;;\n", "first_layer", "book")
	again := b.Header.Get("Location")
	form = webtest.FormValues(c.Page(again).One("form.setup"))
	form.Set("act", "check")
	c.Form(again, form)
	if text := c.Page(strings.TrimSuffix(again, "/mapping")).Text("main"); !strings.Contains(text, "Import 1 row") {
		t.Errorf("a longer file by the kept mapping: %s", text)
	}
	if a := c.Get(there + ".json"); a.Status != 200 || !strings.Contains(string(a.Body), `"mapping": "book"`) {
		t.Errorf("as a file: %d", a.Status)
	}
	nothingLeft(t, dir)
}

func aMapping(name string) string {
	return `{"mapping":"` + name + `","kind":"cleaning","zone":"UTC","only":[{"column":"what","is":["clean","Wipe"]}],"fields":{"cleaned_at":{"from":["when"],"order":"ymd"},"method":{"value":"wipe"},"plate":{"from":["plate"]}}}`
}

// A kept mapping is looked after like any thing: retired it is offered no more, the
// change is taken back, all of it stands in its history; it is not renamed, because
// what came in by it is known by its name.
func TestKeptMappingsAreRetiredAndTakenBack(t *testing.T) {
	site, c, _ := uploadSite(t)
	if err := site.Store.SaveThings(context.Background(), store.Act{Via: "page"}, farm.KindMapping, store.ThingEdit{After: &farm.LogMapping{Mapping: "book", Says: aMapping("book")}}); err != nil {
		t.Fatal(err)
	}
	offered := func() bool { return strings.Contains(string(c.Get("/setup/import").Body), `<option value="book">`) }
	const here = "/setup/mappings/book"
	if !offered() || !strings.Contains(c.Page("/setup/import").Text("main"), "Mappings that are kept") {
		t.Error("a kept mapping is not offered")
	}
	if text := c.Page("/setup/mappings").Text("table"); !strings.Contains(text, "book") || !strings.Contains(text, "Cleanings, 3 fields, some rows only") {
		t.Errorf("the list: %s", text)
	}
	act := func(do string, want int) {
		t.Helper()
		for _, f := range c.Page(here).All("form") {
			v := webtest.FormValues(f)
			if v.Get("act") != do {
				continue
			}
			if a := c.Form(here, v); a.Status != want {
				t.Errorf("%s: got %d", do, a.Status)
			}
			return
		}
		t.Errorf("no form for %s", do)
	}
	act("end", 303)
	if offered() || !strings.Contains(c.Page(here).Text("main"), "Retired since") {
		t.Error("retired, and offered")
	}
	act("back", 303)
	if !offered() {
		t.Error("the change taken back, and not offered")
	}
	if text := c.Page(here).Text("main"); !strings.Contains(text, "Retired") || !strings.Contains(text, "not renamed") {
		t.Errorf("its history: %s", text)
	}
	form := webtest.FormValues(c.Page(here).One("form.setup"))
	form.Set("says", strings.Replace(aMapping("book"), `"column":"what"`, `"colum":"what"`, 1))
	if a := c.Form(here, form); a.Status != 422 || !strings.Contains(string(a.Body), "unknown field") {
		t.Errorf("a mapping that cannot be read: got %d", a.Status)
	}
	form.Set("says", strings.Replace(aMapping("other"), `"only"`, ` "only"`, 1))
	if a := c.Form(here, form); a.Status != 422 {
		t.Errorf("another name: got %d", a.Status)
	}
	operator := site.As("op", "operator")
	for _, at := range []string{"/setup/mappings", here} {
		if a := operator.Get(at); a.Status != 403 {
			t.Errorf("%s for an operator: got %d", at, a.Status)
		}
	}
}

// Which rows count and what becomes of words nobody listed are asked on the page of a
// mapping, and go into its file.
func TestFiltersOfAMappingAreAskedFor(t *testing.T) {
	_, c, _ := uploadSite(t)
	there := sendLog(c, "book.csv", logCSV, "first_layer", "").Header.Get("Location")
	form := webtest.FormValues(c.Page(there).One("form.setup"))
	form.Set("l2", "Q-1 | Q-3")
	form.Set("l4", "(empty) | zu tief")
	form.Set("o3", "unknown")
	form.Set("act", "look")
	if a := c.Form(there, form); a.Status != 303 {
		t.Fatalf("got %d %s", a.Status, a.Body)
	}
	body := string(c.Get(there + ".json").Body)
	for _, want := range []string{`"column": "Maschine"`, `"Q-3"`, `"column": "Fehler"`, `"other": "unknown"`} {
		if !strings.Contains(body, want) {
			t.Errorf("%s is not in the file: %s", want, body)
		}
	}
	form = webtest.FormValues(c.Page(there).One("form.setup"))
	if form.Get("l2") != "Q-1 | Q-3" || form.Get("l4") != "(empty) | zu tief" || form.Get("o3") != "unknown" {
		t.Errorf("shown again: %q, %q, %q", form.Get("l2"), form.Get("l4"), form.Get("o3"))
	}
	form.Set("l2", "")
	form.Set("l4", "")
	form.Set("act", "look")
	c.Form(there, form)
	if body := string(c.Get(there + ".json").Body); strings.Contains(body, `"only"`) {
		t.Errorf("emptied, and still there: %s", body)
	}
}

func TestWhatIsNoLogIsSaid(t *testing.T) {
	_, c, _ := uploadSite(t)
	for _, x := range []struct {
		content, kind, kept string
		status              int
	}{{"", "cleaning", "", 422}, {"a;b\n", "settings", "", 422}, {"a;b\n", "", "no such", 422}, {"\x00\x01", "cleaning", "", 303}} {
		a := sendLog(c, "x.csv", x.content, x.kind, x.kept)
		if a.Status != x.status {
			t.Errorf("%q: got %d, want %d", x.content, a.Status, x.status)
		}
		if a.Status == 303 {
			c.Page(a.Header.Get("Location"))
		}
	}
	bundle := upload(c, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV})
	if a := c.Get(bundle.Header.Get("Location") + "/mapping"); a.Status != 404 {
		t.Errorf("a bundle's mapping: got %d", a.Status)
	}
}

func TestAMappingInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site, c, _ := uploadSite(t)
	there := sendLog(c, "book.csv", logCSV, "first_layer", "").Header.Get("Location")
	for _, v := range views() {
		tab := site.Tab(t, c, v)
		tab.Open(there)
		tab.Fits()
		tab.Accessible()
		if *shots != "" {
			tab.Shot(filepath.Join(*shots, "mapping-"+v.Name+".png"), true)
		}
	}
}
