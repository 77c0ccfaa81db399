package web_test

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// handoverForm gives the fields of one of the page's forms.
func handoverForm(p *webtest.Page, form string) url.Values { return webtest.FormValues(p.One(form)) }

// nightShift is a farm at 06:10 in Berlin after the night in which the clocks went
// forward, with a night shift that has just ended.
func nightShift(t *testing.T) *webtest.Site {
	t.Helper()
	now := time.Date(2026, 3, 29, 4, 10, 0, 0, time.UTC)
	site := sweepSite(t, func(c *web.Config) { c.Now = func() time.Time { return now } })
	b := &farm.Bundle{People: []farm.Person{{Handle: "wei"}}, Shifts: []farm.Shift{
		{Shift: "night", Person: "wei", StartsAt: time.Date(2026, 3, 28, 21, 0, 0, 0, time.UTC), EndsAt: time.Date(2026, 3, 29, 4, 0, 0, 0, time.UTC)},
		{Shift: "early", Person: "wei", StartsAt: time.Date(2026, 3, 29, 4, 0, 0, 0, time.UTC), EndsAt: time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC)}}}
	stored(t, site, b)
	return site
}

func TestAHandoverIsWrittenNotedAndTakenOver(t *testing.T) {
	site := nightShift(t)
	wei, amara := site.As("wei", "operator"), site.As("amara", "operator")
	p := wei.Page("/handover")
	text := plain(p.Text("main"))
	// 22:00 to 06:00 across midnight, an hour short.
	for _, want := range []string{"Shift Sat 22:00 to 06:00, 7 h", "On hold 1", "P-1 fan rattles, since 2026-03-29 05:00", "1 running", "4 ended unseen", "Changed since 22:00", "2 starts, 0 of 0 graded failed", "P-1 held, fan rattles, 05:00", "No fix of the last two weeks"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q: %s", want, text)
		}
	}
	// A note of the shift, then the handover with one more.
	form := handoverForm(p, "form.hand-over")
	a := wei.Form("/handover", with(form, "do", "note", "note", "spool of P-3 runs out"))
	if a.Status != 303 {
		t.Fatalf("note: %d", a.Status)
	}
	p = wei.Page(a.Header.Get("Location"))
	if text := p.Text("main"); !strings.Contains(text, "spool of P-3 runs out") || !strings.Contains(p.Text(".saved"), "note for the handover") {
		t.Errorf("after the note: %s", text)
	}
	form = handoverForm(p, "form.hand-over")
	a = wei.Form("/handover", with(form, "do", "hand", "note", "look at P-1 first"))
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/handover?saved=") {
		t.Fatalf("handing over: %d to %s", a.Status, a.Header.Get("Location"))
	}
	if again := wei.Form("/handover", with(form, "do", "hand", "note", "look at P-1 first")); again.Status != 303 {
		t.Errorf("the same form again: %d", again.Status)
	}
	p = wei.Page("/handover")
	if len(p.All("form[action='/handover'] button[value=receipt]")) != 0 {
		t.Error("whoever wrote it may take it over")
	}
	if text := p.Text("main"); strings.Contains(text, "spool of P-3 runs out") {
		t.Error("the note stands for the next handover too")
	}
	// Taken over by name, once.
	p = amara.Page("/handover")
	if text := p.Text(".last"); !strings.Contains(text, "look at P-1 first") || !strings.Contains(text, "Nobody has taken it over yet") {
		t.Errorf("the last one: %s", text)
	}
	take := handoverForm(p, ".last form")
	a = amara.Form("/handover", with(take, "do", "receipt"))
	if a.Status != 303 {
		t.Fatalf("receipt: %d %.300s", a.Status, a.Body)
	}
	p = amara.Page(a.Header.Get("Location"))
	if text := p.Text(".last"); !strings.Contains(text, "Taken over by amara") {
		t.Errorf("after the receipt: %s", text)
	}
	if a := amara.Form("/handover", with(take, "do", "receipt", "id", "01890000-0000-7000-8000-000000000009")); a.Status != 409 {
		t.Errorf("a second receipt: %d", a.Status)
	}
	if a := wei.Form("/handover", with(take, "do", "receipt")); a.Status != 409 {
		t.Errorf("one's own receipt: %d", a.Status)
	}
	// It stays as it was given, whatever changes.
	form = opened(t, amara, "/upkeep/release?printer=P-1")
	if a := amara.Form("/upkeep/release", with(form, "reason", "fan swapped")); a.Status != 303 {
		t.Fatalf("release: %d", a.Status)
	}
	past := amara.Page("/handover/past")
	if cards := past.Texts(".ends li"); len(cards) != 1 || !strings.Contains(cards[0], "by wei") {
		t.Fatalf("past handovers: %q", cards)
	}
	kept := plain(amara.Page(webtest.Attr(past.One(".ends a"), "href")).Text("main"))
	for _, want := range []string{"P-1: fan rattles", "spool of P-3 runs out", "look at P-1 first", "Taken over by amara", "shift Sat 22:00 to 06:00, 7 h"} {
		if !strings.Contains(kept, want) {
			t.Errorf("the kept one lacks %q: %s", want, kept)
		}
	}
	// The undo takes the receipt back.
	if a := amara.Form("/upkeep/undo", webtest.FormValues(p.One(".saved form"))); a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/handover?saved=") {
		t.Fatalf("undo: %d to %s", a.Status, a.Header.Get("Location"))
	}
	if text := amara.Page("/handover").Text(".last"); !strings.Contains(text, "Nobody has taken it over yet") {
		t.Errorf("after the undo: %s", text)
	}
}

func TestPastHandoversHavePages(t *testing.T) {
	site := handSite(t)
	b := &farm.Bundle{}
	for i := range 25 {
		id, err := farm.NewID(farm.KindHandover, "V-"+string(rune('a'+i)))
		if err != nil {
			t.Fatal(err)
		}
		b.Handovers = append(b.Handovers, farm.Handover{ID: id, At: at.Add(-time.Duration(25-i) * time.Hour), Says: "On hold: 0\n- Nothing is on hold."})
	}
	stored(t, site, b)
	c := site.As("amara", "operator")
	p := c.Page("/handover/past")
	if n := len(p.All(".ends li")); n != 20 {
		t.Errorf("%d on the first page, want 20", n)
	}
	p = c.Page(webtest.Attr(p.One("nav.pager a[rel=next]"), "href"))
	if n := len(p.All(".ends li")); n != 5 {
		t.Errorf("%d on the second page, want 5", n)
	}
	if a := c.Get("/handover/past?before=x"); a.Status != 400 {
		t.Errorf("before=x: %d", a.Status)
	}
	if a := c.Get("/handover/01890000-0000-7000-8000-000000000000"); a.Status != 404 {
		t.Errorf("no such handover: %d", a.Status)
	}
}

func TestAHandoverOfAFarmWithoutRecords(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	text := c.Page("/handover").Text("main")
	for _, want := range []string{"Nothing is on hold", "Nothing is due", "Every first layer that runs is graded", "No starts."} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q: %s", want, text)
		}
	}
	if text := c.Page("/handover/past").Text(".empty"); !strings.Contains(text, "Nothing was handed over yet") {
		t.Errorf("it says %q", text)
	}
	id := "01890000-0000-7000-8000-000000000003"
	for form, status := range map[string]int{"do=note&note=": 422, "do=other": 400, "do=receipt&handover=x": 400, "do=note&note=" + strings.Repeat("x", 1001): 422} {
		values, err := url.ParseQuery(form)
		if err != nil {
			t.Fatal(err)
		}
		values.Set("id", id)
		if a := c.Form("/handover", values); a.Status != status {
			t.Errorf("%.30s: got %d, want %d", form, a.Status, status)
		}
	}
}

func TestReceiptsAreByNameAndNotesSaySomething(t *testing.T) {
	_, c := apiSite(t)
	for record, want := range map[string]string{
		`"handover":"V-1","what":"receipt"`:        "/person",
		`"what":"receipt","person":"ines"`:         "/handover",
		`"what":"note","person":"ines"`:            "/note",
		`"what":"note","person":"ines","note":"x"`: "",
	} {
		r := send(t, c, `{"kind":"handover_entry","id":"W-1","at":"2026-03-01T14:10:00Z",`+record+`}`)[0]
		switch {
		case want == "" && r.Result != "recorded":
			t.Errorf("%s: %+v", record, r)
		case want != "" && (r.Result != "refused" || r.Error == nil || len(r.Error.Problems) != 1 || !strings.HasSuffix(r.Error.Problems[0].Pointer, want)):
			t.Errorf("%s: %+v %+v, want a refusal of %s", record, r, r.Error, want)
		}
	}
}

// The handover of a busy farm stands on one screen of a desk, and is taken over by one
// tap.
func TestTheHandoverInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			site := demoSite(t)
			wei := site.As("wei", "operator")
			form := handoverForm(wei.Page("/handover"), "form.hand-over")
			if a := wei.Form("/handover", with(form, "do", "hand", "note", "The fan of P-001 rattles when cold.")); a.Status != 303 {
				t.Fatalf("handing over: %d", a.Status)
			}
			tab := site.Tab(t, site.As("amara", "operator"), v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "handover-"+name+"-"+strings.ReplaceAll(v.Name, " ", "-")+".png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			tab.Open("/handover")
			if bottom := webtest.Eval[float64](tab, `document.querySelector(".handover").getBoundingClientRect().bottom`); v.Width == 1440 && bottom > float64(v.Height) {
				t.Errorf("what the program wrote ends %v px down, more than one screen of %d", bottom, v.Height)
			}
			look("now")
			tab.Do(chromedp.Click(chromedp.CSS("button[value=receipt]")), chromedp.WaitNotPresent(chromedp.CSS("button[value=receipt]")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			if text := webtest.Eval[string](tab, `document.querySelector(".last").textContent`); !strings.Contains(text, "Taken over by amara") {
				t.Errorf("after one tap: %s", text)
			}
			if *shots != "" {
				look("taken")
				tab.Open("/handover/past")
				look("past")
				tab.Paper(chromedp.PaperA4, filepath.Join(*shots, "handover.pdf"))
			}
		})
	}
}
