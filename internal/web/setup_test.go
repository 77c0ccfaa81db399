package web_test

import (
	"context"
	"net/url"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// formOf gives the fields of a page's form as a browser would send them,
// unchanged; act chooses among forms by their address and hidden act.
func formOf(p *webtest.Page, action, act string) url.Values {
	v := url.Values{}
	for _, form := range p.All("form") {
		if webtest.Attr(form, "action") != action {
			continue
		}
		v = webtest.FormValues(form)
		if v.Get("act") == act {
			return v
		}
	}
	return v
}

func TestAPrinterIsAddedChangedAndRetired(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "manager")
	add := url.Values{"printer": {"P-014"}, "bay": {"Back room"}, "bed_x_mm": {"250,5 mm"}, "bed_y_mm": {" 210 "}, "probing_recorded": {"some"}, "in_service_from": {"2026-01-05T08:00"}}
	a := c.Form("/setup/add-printer", add)
	if a.Status != 303 || a.Header.Get("Location") != "/setup/printers/P-014?saved=added" {
		t.Fatalf("adding: got %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
	}
	got, err := site.Store.PrinterByTag(context.Background(), "P-014")
	if err != nil || got.BedXMM != 250.5 || got.BedYMM != 210 || got.ZoneCols != 3 || got.ProbingRecorded != "some" {
		t.Fatalf("got %+v, %v", got, err)
	}
	p := c.Page("/setup/printers/P-014?saved=added")
	if said := p.Text(".notice[role=status]"); said != "Added." {
		t.Errorf("afterwards the page says %q", said)
	}
	form := formOf(p, "/setup/printers/P-014", "")
	form.Set("bay", "Loft")
	if a := c.Form("/setup/printers/P-014", form); a.Status != 303 {
		t.Fatalf("changing: got %d: %s", a.Status, a.Body)
	}
	p = c.Page("/setup/printers/P-014")
	changes := p.Text("section[aria-labelledby=changes]")
	if !strings.Contains(changes, "amara Bay Back room Loft") {
		t.Errorf("the changes lack who, from and to: %s", changes)
	}
	if a := c.Form("/setup/printers/P-014", formOf(p, "/setup/printers/P-014", "back")); a.Status != 303 {
		t.Fatalf("taking back: got %d: %s", a.Status, a.Body)
	}
	if got, _ := site.Store.PrinterByTag(context.Background(), "P-014"); got.Bay != "Back room" {
		t.Errorf("taken back: the bay is %q", got.Bay)
	}
	p = c.Page("/setup/printers/P-014")
	if a := c.Form("/setup/printers/P-014", formOf(p, "/setup/printers/P-014", "end")); a.Status != 303 {
		t.Fatalf("retiring: got %d: %s", a.Status, a.Body)
	}
	p = c.Page("/setup/printers/P-014")
	if state := p.Text("[data-state=retired]"); !strings.HasPrefix(state, "Retired since") {
		t.Errorf("a retired printer's page says %q", state)
	}
	if a := c.Form("/setup/printers/P-014", formOf(p, "/setup/printers/P-014", "again")); a.Status != 303 {
		t.Fatalf("bringing back: got %d: %s", a.Status, a.Body)
	}
	if got, _ := site.Store.PrinterByTag(context.Background(), "P-014"); !got.RetiredAt.IsZero() {
		t.Error("the printer is retired still")
	}
}

func TestBadFormsSayWhereAndKeepWhatWasTyped(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	stored(t, site, little())
	for _, x := range []struct {
		name, path string
		form       url.Values
		field      string
		want       string
	}{
		{"no tag", "/setup/add-printer", url.Values{"bed_x_mm": {"250"}, "bed_y_mm": {"210"}}, "printer", "Tag is needed."},
		{"a tag in use", "/setup/add-printer", url.Values{"printer": {"p-1"}, "bed_x_mm": {"250"}, "bed_y_mm": {"210"}}, "printer", "P-1 is there already"},
		{"too wide a bed", "/setup/add-printer", url.Values{"printer": {"P-9"}, "bed_x_mm": {"2500"}, "bed_y_mm": {"210"}}, "bed_x_mm", "a number from 50 to 2000"},
		{"no number", "/setup/add-printer", url.Values{"printer": {"P-9"}, "bed_x_mm": {"wide"}, "bed_y_mm": {"210"}}, "bed_x_mm", "found “wide”"},
		{"no time", "/setup/add-printer", url.Values{"printer": {"P-9"}, "bed_x_mm": {"250"}, "bed_y_mm": {"210"}, "in_service_from": {"yesterday"}}, "in_service_from", "a time like"},
		{"no surface", "/setup/add-plate", url.Values{"plate": {"L-9"}}, "surface", "Surface is needed."},
		{"a surface nobody knows", "/setup/add-plate", url.Values{"plate": {"L-9"}, "surface": {"ice"}}, "surface", "one of"},
		{"too hot", "/setup/add-material", url.Values{"material": {"PLA"}, "bed_temp_c": {"260"}}, "bed_temp_c", "from 0 to 200"},
		{"a role nobody knows", "/setup/add-person", url.Values{"person": {"wei"}, "role": {"king"}}, "role", "one of"},
		{"a material nobody knows", "/setup/add-job", url.Values{"job": {"O-1"}, "material": {"butter"}}, "material", "a known material"},
		{"half a piece", "/setup/add-job", url.Values{"job": {"O-1"}, "quantity": {"0.5"}}, "quantity", "a whole number"},
		{"a late fee below nothing", "/setup/add-job", url.Values{"job": {"O-1"}, "late_fee_per_hour": {"-3"}}, "late_fee_per_hour", "a number of 0 or more"},
		{"a late fee in words", "/setup/add-job", url.Values{"job": {"O-1"}, "late_fee_per_hour": {"plenty"}}, "late_fee_per_hour", "found “plenty”"},
		{"a shift that ends first", "/setup/add-shift", url.Values{"shift": {"early"}, "person": {"amara"}, "starts_at": {"2026-03-09T06:00"}, "ends_at": {"2026-03-09T05:00"}}, "ends_at", "not before “From” (2026-03-09 06:00)"},
		{"nobody's shift", "/setup/add-shift", url.Values{"shift": {"early"}, "person": {"nobody"}, "starts_at": {"2026-03-09T06:00"}, "ends_at": {"2026-03-09T14:00"}}, "person", "a known person"},
		{"negative", "/setup/add-instrument", url.Values{"instrument": {"mic"}, "resolution_mm": {"-1"}}, "resolution_mm", "from 0 to 10"},
		{"a nameless token", "/setup/add-token", url.Values{"role": {"operator"}}, "name", "Name is needed."},
		{"a token of the past", "/setup/add-token", url.Values{"name": {"x"}, "role": {"operator"}, "expires": {"2001-01-01T00:00"}}, "expires", "in the past"},
	} {
		a := c.Form(x.path, x.form)
		if a.Status != 422 {
			t.Errorf("%s: got status %d, want 422: %.300s", x.name, a.Status, a.Body)
			continue
		}
		p := a.Page(t)
		if summary := p.Text("[data-problems]"); !strings.Contains(summary, x.want) {
			t.Errorf("%s: the summary %q lacks %q", x.name, summary, x.want)
		}
		if said := p.Text("#w-" + x.field); !strings.Contains(said, x.want) {
			t.Errorf("%s: beside the field stands %q, want %q in it", x.name, said, x.want)
		}
		for name, values := range x.form {
			if in := p.All("input[name=" + name + "]"); len(in) == 1 && webtest.Attr(in[0], "value") != values[0] {
				t.Errorf("%s: %s is %q, want what was typed, %q", x.name, name, webtest.Attr(in[0], "value"), values[0])
			}
		}
	}
	for name, form := range map[string]url.Values{"a field nobody knows": {"printer": {"P-9"}, "colour": {"red"}}, "an act nobody knows": {"printer": {"P-9"}, "act": {"delete"}}} {
		if a := c.Form("/setup/add-printer", form); a.Status != 400 {
			t.Errorf("%s: got status %d, want 400", name, a.Status)
		}
	}
}

func TestATagInUseIsNotRenamedAndThePageSaysWhy(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "manager")
	stored(t, site, little())
	p := c.Page("/setup/printers/P-1")
	if text := p.Text("main"); !strings.Contains(text, "so it is not renamed") || !strings.Contains(text, "add a new printer and retire this one") {
		t.Error("the page does not say why the tag stays, and what to do")
	}
	form := formOf(p, "/setup/printers/P-1", "")
	form.Set("printer", "P-2x")
	if a := c.Form("/setup/printers/P-1", form); a.Status != 400 {
		t.Errorf("renaming by hand: got status %d, want 400", a.Status)
	}
}

func TestConflictingEditsAreShownAndNothingIsOverwritten(t *testing.T) {
	site := webtest.New(t)
	c, other := site.As("amara", "manager"), site.As("jonas", "manager")
	stored(t, site, little())
	mine := formOf(c.Page("/setup/printers/P-1"), "/setup/printers/P-1", "")
	theirs := formOf(other.Page("/setup/printers/P-1"), "/setup/printers/P-1", "")
	theirs.Set("bay", "South")
	theirs.Set("name", "Theirs")
	if a := other.Form("/setup/printers/P-1", theirs); a.Status != 303 {
		t.Fatalf("theirs: got %d: %s", a.Status, a.Body)
	}
	mine.Set("bay", "North")
	a := c.Form("/setup/printers/P-1", mine)
	if a.Status != 422 {
		t.Fatalf("mine: got %d, want 422", a.Status)
	}
	p := a.Page(t)
	summary := p.Text("[data-problems]")
	for _, want := range []string{"Jonas saved this meanwhile. Nothing was overwritten", "Now South. What you typed stands in the field.", "Now Theirs. Taken into the field."} {
		if !strings.Contains(summary, want) {
			t.Errorf("the summary %q lacks %q", summary, want)
		}
	}
	if got, _ := site.Store.PrinterByTag(context.Background(), "P-1"); got.Bay != "South" {
		t.Errorf("the bay is %q, want theirs", got.Bay)
	}
	again := formOf(p, "/setup/printers/P-1", "")
	if again.Get("bay") != "North" || again.Get("name") != "Theirs" {
		t.Errorf("the form keeps %q and %q, want mine where both changed and theirs where only they did", again.Get("bay"), again.Get("name"))
	}
	if a := c.Form("/setup/printers/P-1", again); a.Status != 303 {
		t.Errorf("saving again, knowingly: got %d", a.Status)
	}
	if got, _ := site.Store.PrinterByTag(context.Background(), "P-1"); got.Bay != "North" || got.Name != "Theirs" {
		t.Errorf("afterwards: got %+v", got)
	}
}

func TestScrewsAreAddedChangedAndRetired(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "manager")
	stored(t, site, little())
	form := formOf(c.Page("/setup/printers/P-1"), "/setup/printers/P-1/screws", "")
	form.Set("screw-0", "front left")
	form.Set("x_mm-0", "30")
	form.Set("y_mm-0", "30")
	form.Set("pitch_mm-0", "0,7")
	form.Set("screw-1", "back")
	if a := c.Form("/setup/printers/P-1/screws", form); a.Status != 422 || !strings.Contains(a.Body, "Pitch is needed.") {
		t.Fatalf("a screw without a pitch: got %d", a.Status)
	}
	form.Set("x_mm-1", "110")
	form.Set("y_mm-1", "190")
	form.Set("pitch_mm-1", "0.7")
	if a := c.Form("/setup/printers/P-1/screws", form); a.Status != 303 {
		t.Fatalf("two screws: got %d: %s", a.Status, a.Body)
	}
	form = formOf(c.Page("/setup/printers/P-1"), "/setup/printers/P-1/screws", "")
	if form.Get("screw-0") != "back" || form.Get("screw-1") != "front left" {
		t.Fatalf("afterwards the form has %v", form)
	}
	form.Set("screw-0", "") // gone
	form.Set("pitch_mm-1", "0.5")
	if a := c.Form("/setup/printers/P-1/screws", form); a.Status != 303 {
		t.Fatalf("changing: got %d: %s", a.Status, a.Body)
	}
	list, err := site.Store.Screws(context.Background(), "P-1")
	if err != nil || len(list) != 2 || list[0].RetiredAt.IsZero() || list[1].PitchMM != 0.5 {
		t.Errorf("got %+v, %v; want the first retired and the second changed", list, err)
	}
}

func TestPeopleGetPasswordsAndLoseThem(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	if a := c.Form("/setup/add-person", url.Values{"person": {"wei"}, "name": {"Wei"}, "role": {"operator"}}); a.Status != 303 {
		t.Fatalf("adding: got %d: %s", a.Status, a.Body)
	}
	if a := c.Form("/setup/people/wei/password", url.Values{"password": {"short"}}); a.Status != 422 || !strings.Contains(a.Body, "8 to 256 characters") {
		t.Errorf("a short password: got %d", a.Status)
	}
	if a := c.Form("/setup/people/wei/password", url.Values{"password": {webtest.Password}}); a.Status != 303 {
		t.Fatalf("a password: got %d: %s", a.Status, a.Body)
	}
	wei := site.SignIn("wei")
	if a := c.Form("/setup/people/wei/sign-out", nil); a.Status != 303 {
		t.Fatalf("signing out everywhere: got %d", a.Status)
	}
	if a := wei.Get("/floor"); a.Status != 303 {
		t.Errorf("their session afterwards: got %d, want to be asked who is there", a.Status)
	}
	wei = site.SignIn("wei")
	if a := c.Form("/setup/people/wei/off", nil); a.Status != 303 {
		t.Fatalf("switching off: got %d", a.Status)
	}
	if a := wei.Get("/floor"); a.Status != 303 {
		t.Errorf("switched off, their session: got %d", a.Status)
	}
	if a := c.Form("/setup/people/wei/on", nil); a.Status != 303 {
		t.Fatalf("switching on: got %d", a.Status)
	}
	if a := wei.Get("/floor"); a.Status != 303 {
		t.Errorf("switched on again, the session from before: got %d, want it ended", a.Status)
	}
	// The last admin stays: neither another role nor switched off.
	form := formOf(c.Page("/setup/people/amara"), "/setup/people/amara", "")
	form.Set("role", "operator")
	if a := c.Form("/setup/people/amara", form); a.Status != 422 || !strings.Contains(a.Body, "the last admin who may sign in") {
		t.Errorf("the last admin steps down: got %d", a.Status)
	}
	if a := c.Form("/setup/people/amara/off", nil); a.Status != 409 || !strings.Contains(a.Body, "the last admin who may sign in") {
		t.Errorf("the last admin is switched off: got %d", a.Status)
	}
	if log := site.Log.String(); strings.Contains(log, webtest.Password) {
		t.Error("the log holds a password")
	}
}

func TestTokensAreShownOnceAndRevoked(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	a := c.Form("/setup/add-token", url.Values{"name": {"gateway"}, "role": {"operator"}, "expires": {""}})
	if a.Status != 200 {
		t.Fatalf("making: got %d: %s", a.Status, a.Body)
	}
	token := a.Page(t).Text("code")
	machine := site.Nobody()
	machine.Token = token
	if a := machine.Get("/api/v1/printers"); a.Status != 200 {
		t.Fatalf("with the token: got %d", a.Status)
	}
	for _, path := range []string{"/setup/tokens", "/setup/tokens/gateway"} {
		if strings.Contains(c.Get(path).Body, token) {
			t.Errorf("%s shows the token again", path)
		}
	}
	if strings.Contains(site.Log.String(), token) {
		t.Error("the log holds the token")
	}
	if a := c.Form("/setup/add-token", url.Values{"name": {"gateway"}, "role": {"operator"}}); a.Status != 422 || !strings.Contains(a.Body, "already") {
		t.Errorf("a second one by that name: got %d", a.Status)
	}
	if a := c.Form("/setup/tokens/gateway", nil); a.Status != 303 {
		t.Fatalf("revoking: got %d", a.Status)
	}
	if a := machine.Get("/api/v1/printers"); a.Status != 401 {
		t.Errorf("with the revoked token: got %d, want 401", a.Status)
	}
	if text := c.Page("/setup/tokens/gateway?saved=revoked").Text("main"); !strings.Contains(text, "State revoked") {
		t.Errorf("the token's page: %s", text)
	}
}

func TestSettingsHaveUnitsRangesAndEffects(t *testing.T) {
	site := webtest.New(t)
	admin, manager := site.As("amara", "admin"), site.As("jonas", "manager")
	page := admin.Page("/setup/settings")
	text := page.Text("main")
	for _, r := range farm.SettingRules {
		if len(page.All("input[name="+r.Key+"]")) != 1 || !strings.Contains(text, "Standard "+r.Default+"; "+r.Expected) {
			t.Errorf("setting %s lacks its field, standard or range", r.Key)
		}
	}
	if len(manager.Page("/setup/settings").All("input[name=labour_per_hour]")) != 0 {
		t.Error("a manager is offered to change what costs money")
	}
	money := formOf(page, "/setup/settings", "")
	for _, form := range page.All("form[action=/setup/settings]") {
		if v := webtest.FormValues(form); v.Get("group") == "money" {
			money = v
		}
	}
	money.Set("labour_per_hour", "31,50")
	money.Set("why_money", "new rates from March")
	if a := manager.Form("/setup/settings", money); a.Status != 403 {
		t.Errorf("a manager sends money settings all the same: got %d, want 403", a.Status)
	}
	if a := admin.Form("/setup/settings", money); a.Status != 303 {
		t.Fatalf("an admin: got %d: %s", a.Status, a.Body)
	}
	values, err := site.Store.Settings(context.Background())
	if err != nil || values.Text("labour_per_hour") != "31.50" {
		t.Errorf("got %v, %v", values, err)
	}
	if got := admin.Page("/setup/settings").Text("main"); !strings.Contains(got, "amara new rates from March An hour of a person 30 31.50") {
		t.Errorf("the changes lack who, from and to: %s", got)
	}
	for key, wrong := range map[string]string{"labour_per_hour": "-1", "machine_per_hour": "cheap", "failure_material": "1e99"} {
		bad := url.Values{"group": {"money"}, "seen": money["seen"], key: {wrong}}
		if a := admin.Form("/setup/settings", bad); a.Status != 422 || !strings.Contains(a.Body, "found “"+wrong+"”") {
			t.Errorf("%s = %s: got %d", key, wrong, a.Status)
		}
	}
	if a := admin.Form("/setup/settings", url.Values{"group": {"money"}, "seen": {"{}"}, "why_money": {strings.Repeat("x", 201)}}); a.Status != 422 {
		t.Errorf("a reason without end: got %d", a.Status)
	}
	// The same form again: somebody saved meanwhile, namely this admin.
	money.Set("labour_per_hour", "40")
	if a := admin.Form("/setup/settings", money); a.Status != 409 || !strings.Contains(a.Body, "is now 31.50") {
		t.Errorf("an old form: got %d, want a conflict that says what stands there", a.Status)
	}
	place := url.Values{"group": {"place"}, "seen": {`{"time_zone":"UTC"}`}, "time_zone": {"Mars/Olympus"}}
	if a := admin.Form("/setup/settings", place); a.Status != 422 || !strings.Contains(a.Body, "a time zone by its name") {
		t.Errorf("a zone nobody knows: got %d", a.Status)
	}
}

func TestJobsShowTheirStartsGradesAndFailures(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/jobs")
	links := p.All("table.plain tbody a")
	if len(links) == 0 {
		t.Fatal("no job is listed")
	}
	found := false
	for _, link := range links {
		job := c.Page(webtest.Attr(link, "href"))
		if len(job.All("li[data-event=first_layer]")) == 0 {
			continue
		}
		found = true
		text := plain(job.Text("main"))
		if !strings.Contains(text, "layers graded") || !strings.Contains(text, "Not graded") {
			t.Errorf("%s lacks its counts: %s", webtest.Attr(link, "href"), text)
		}
		failures := c.Page(webtest.Attr(link, "href") + "?show=failures")
		for _, row := range failures.Texts("li[data-event=first_layer]") {
			if !strings.Contains(row, "Failed") && !strings.Contains(row, "underside shows") {
				t.Errorf("among the failures: %s", row)
			}
		}
		break
	}
	if !found {
		t.Error("no job has a start")
	}
	if a := c.Get("/jobs/none"); a.Status != 404 {
		t.Errorf("a job nobody knows: got %d", a.Status)
	}
	if a := c.Get("/jobs?find=zzzz"); a.Status != 200 || !strings.Contains(a.Body, "No job has") {
		t.Errorf("nothing found: got %d", a.Status)
	}
}

// TestNamesOfAllKindsLead puts awkward names through lists, pages and saving.
func TestAwkwardNamesWork(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.BasePath = "/bc" })
	c := site.As("amara", "admin")
	for _, name := range []string{"a/b", "50 %", "?x=1", "ü & <b>", "#1", "..x", "add-printer"} {
		if err := site.Store.SaveThings(context.Background(), store.Act{Via: "page"}, farm.KindMaterial, store.ThingEdit{After: &farm.Material{Name: name, BedTempC: farm.Unknown()}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, link := range c.Page("/bc/setup/materials").All("table.plain tbody a") {
		href := webtest.Attr(link, "href")
		p := c.Page(href)
		form := formOf(p, href, "")
		form.Set("polymer", "X")
		if a := c.Form(href, form); a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), href) {
			t.Errorf("%s: got %d to %q: %.300s", href, a.Status, a.Header.Get("Location"), a.Body)
		}
	}
}

func TestEveryPageOfSetupHasOneHeading(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "admin")
	for _, path := range setupPages {
		p := c.Get(path).Page(t)
		if title := p.Text("title"); len(p.All("h1")) != 1 || title != p.Text("h1")+" – Basecourse" {
			t.Errorf("%s: %d headings and title %q, want one heading, the title's", path, len(p.All("h1")), title)
		}
		if len(p.All("[style]")) != 0 || len(p.All("main#main")) != 1 {
			t.Errorf("%s: has style attributes, or lacks its landmark", path)
		}
	}
}

var setupPages = []string{"/help", "/jobs", "/jobs/NONE", "/setup", "/setup/printers", "/setup/printers/P-001", "/setup/printers/NONE", "/setup/add-printer", "/setup/plates", "/setup/plates/L-107", "/setup/add-plate",
	"/setup/materials", "/setup/add-material", "/setup/people", "/setup/people/amara", "/setup/add-person", "/setup/jobs", "/setup/add-job", "/setup/shifts", "/setup/add-shift",
	"/setup/instruments", "/setup/add-instrument", "/setup/mappings", "/setup/settings", "/setup/over-bonding", "/setup/cautions", "/setup/tokens", "/setup/add-token", "/setup/import", "/setup/import/NONE", "/setup/export"}
