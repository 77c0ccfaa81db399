package web_test

import (
	"context"
	"fmt"
	"image/color"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/graders"
	"basecourse/internal/webtest"
)

// showPeople changes how much of single people is shown.
func showPeople(t *testing.T, manager *webtest.Client, was, is string) {
	t.Helper()
	body := url.Values{"group": {"judging"}, "seen": {`{"person_level":"` + was + `"}`}, "person_level": {is}}
	if a := manager.Form("/setup/settings", body); a.Status != http.StatusSeeOther {
		t.Fatalf("person_level %s: got status %d: %s", is, a.Status, a.Body)
	}
}

// Six layers with a photo each, graded by lea with marks; kofi grades them again. Of the
// first grade, of who gave it, of the layer and its outcome nothing comes to kofi.
func TestASecondGradeIsBlind(t *testing.T) {
	ctx := context.Background()
	site := gradeSite(t)
	kofi, lea, token := site.As("kofi", "operator"), site.As("zelda", "operator"), site.WithToken("gateway", "operator")
	if got := kofi.Page("/regrade").Text(".empty"); !strings.Contains(got, "No layer waits") {
		t.Errorf("empty: %q", got)
	}
	if a := kofi.Form("/regrade/draw", url.Values{"seen": {"photo"}}); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "no graded layer with a photo") {
		t.Errorf("nothing to draw: got status %d", a.Status)
	}
	now := at
	var layers []string
	for i, grade := range []string{"failed", "clean", "clean", "marginal", "clean", "cosmetic"} {
		at := now.Add(-time.Duration(i+1) * time.Hour).UTC().Format(time.RFC3339)
		marks := ""
		if grade != "clean" {
			marks = `,"marks":"B2:dragged:2"`
		}
		body := fmt.Sprintf(`{"records":[{"kind":"first_layer","id":"BLIND-%d","printer":"P-1","started_at":"%s","grade":"%s","grader":"zelda","outcome":"detached","note":"telltale"%s}]}`, i, at, grade, marks)
		if a := token.Do("POST", "/api/v1/records", "application/json", body); !strings.Contains(a.Body, `"recorded"`) {
			t.Fatalf("layer: %s", a.Body)
		}
		q := url.Values{"id": {fmt.Sprintf("0195a000-0000-7000-8000-00000000010%d", i)}, "first_layer": {fmt.Sprintf("BLIND-%d", i)}, "taken_at": {at}}
		if a := lea.Do("POST", "/api/v1/photos?"+q.Encode(), "image/jpeg", aPhoto(t, 64, 48, color.RGBA{uint8(20 * i), 0, 0, 255})); a.Status != http.StatusOK {
			t.Fatalf("photo: got status %d %s", a.Status, a.Body)
		}
		id, _ := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("BLIND-%d", i))
		layers = append(layers, id.UUID.String())
	}
	if a := kofi.Form("/regrade/draw", url.Values{"seen": {"photo"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("drawing: got status %d %s", a.Status, a.Body)
	}
	form := regexp.MustCompile(`action="(/regrade/[0-9a-f-]{36})"`)
	field := regexp.MustCompile(`name="id" value="([0-9a-f-]{36})"`)
	blind := func(what, text string) {
		t.Helper()
		for _, no := range append([]string{"zelda", "P-1", "BLIND", "telltale", "detached", "L-1", "0195a000-0000-7000-8000-0000000001", "dragged:2", "checked", "aria-current=\"page\">failed"}, layers...) {
			if strings.Contains(text, no) {
				t.Errorf("%s says %q", what, no)
			}
		}
	}
	first := ""
	for n := 6; n > 0; n-- {
		a := kofi.Get("/regrade")
		body := a.Body[strings.Index(a.Body, "<main"):]
		blind("the page", body)
		for name, values := range a.Header {
			blind("its header "+name, strings.Join(values, " "))
		}
		m, id := form.FindStringSubmatch(body), field.FindStringSubmatch(body)
		if m == nil || id == nil || !strings.Contains(body, fmt.Sprintf("%d layer", n)) {
			t.Fatalf("%d to go: %s", n, body)
		}
		pic := kofi.Get(m[1] + "/photo/file")
		if pic.Status != http.StatusOK || !strings.HasPrefix(pic.Header.Get("Content-Type"), "image/jpeg") {
			t.Errorf("the picture: got status %d", pic.Status)
		}
		blind("the picture's header", fmt.Sprint(pic.Header))
		if a := lea.Get(m[1] + "/photo/file"); a.Status != http.StatusNotFound {
			t.Errorf("somebody else's draw: got status %d", a.Status)
		}
		if a := lea.Form(m[1], url.Values{"id": {id[1]}, "grade": {"clean"}}); a.Status != http.StatusNotFound {
			t.Errorf("grading somebody else's draw: got status %d", a.Status)
		}
		if first == "" {
			// A tap paints; a clean layer with marks is refused; nothing is said of the first grade.
			painted := kofi.Form(m[1], url.Values{"id": {id[1]}, "brush": {"blobs"}, "do": {"zone-A1"}})
			if painted.Status != http.StatusOK || !strings.Contains(painted.Body, `value="A1:blobs:1"`) {
				t.Errorf("a tap: got status %d", painted.Status)
			}
			blindTap := strings.ReplaceAll(painted.Body[strings.Index(painted.Body, "<main"):], " checked", "")
			blind("the page after a tap", blindTap)
			if a := kofi.Form(m[1], url.Values{"id": {id[1]}, "marks": {"A1:blobs:1"}, "grade": {"clean"}}); a.Status != http.StatusUnprocessableEntity {
				t.Errorf("a clean layer with marks: got status %d", a.Status)
			}
			if a := kofi.Form(m[1], url.Values{"id": {id[1]}, "grade": {"fine"}}); a.Status != http.StatusUnprocessableEntity {
				t.Errorf("no grade: got status %d", a.Status)
			}
		}
		saved := kofi.Form(m[1], url.Values{"id": {id[1]}, "grade": {"marginal"}, "marks": {"A1:blobs:1"}})
		if saved.Status != http.StatusSeeOther {
			t.Fatalf("saving: got status %d %s", saved.Status, saved.Body)
		}
		if first == "" {
			first = m[1]
			// Sent twice it is stored once; undone it comes again.
			if a := kofi.Form(m[1], url.Values{"id": {id[1]}, "grade": {"marginal"}, "marks": {"A1:blobs:1"}}); a.Status != http.StatusSeeOther {
				t.Errorf("sent twice: got status %d", a.Status)
			}
			_, regrade, _ := strings.Cut(saved.Header.Get("Location"), "saved=")
			if a := lea.Form("/regrade/undo", url.Values{"regrade": {regrade}, "seen": {"photo"}}); a.Status != http.StatusNotFound {
				t.Errorf("undoing somebody else's: got status %d", a.Status)
			}
			if a := kofi.Form("/regrade/undo", url.Values{"regrade": {regrade}, "seen": {"photo"}}); a.Status != http.StatusSeeOther {
				t.Fatalf("undo: got status %d %s", a.Status, a.Body)
			}
			if again := form.FindStringSubmatch(kofi.Get("/regrade").Body); again == nil || again[1] != first {
				t.Fatalf("after undo comes %v, want %s", again, first)
			}
			n++
			first = "done"
		}
	}
	if got := kofi.Page("/regrade").Text(".empty"); !strings.Contains(got, "No layer waits") {
		t.Errorf("at the end: %q", got)
	}
	pairs, err := site.Store.RegradePairs(ctx, now.Add(-24*time.Hour), now.Add(time.Minute))
	if err != nil || len(pairs) != 6 {
		t.Fatalf("%d pairs, %v", len(pairs), err)
	}
	for _, p := range pairs {
		if p.First != "zelda" || p.Grader != "kofi" || p.Chance != 1 || p.SeenFrom != "photo" || p.Grade != "marginal" {
			t.Errorf("a pair: %+v", p)
		}
	}
	// Peeled sheets are named by where they lie, and can be passed over.
	if a := kofi.Form("/regrade/draw", url.Values{"seen": {"peeled"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("layers that were shown already: got status %d", a.Status)
	}
	if a := lea.Form("/regrade/draw", url.Values{"seen": {"peeled"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("sheets: got status %d", a.Status)
	}
	p := lea.Get("/regrade?seen=peeled").Body
	if !strings.Contains(p, "Sheet from") || !strings.Contains(p, "P-1") || strings.Contains(p, "telltale") {
		t.Error("a sheet is not named")
	}
	m := form.FindStringSubmatch(p)
	if a := lea.Form(m[1], url.Values{"do": {"pass"}}); a.Status != http.StatusSeeOther {
		t.Errorf("passing: got status %d", a.Status)
	}
	if again := form.FindStringSubmatch(lea.Get("/regrade?seen=peeled").Body); again == nil || again[1] == m[1] {
		t.Error("a sheet that was passed over comes again")
	}
	// An operator reads no list of second grades, and records none by the API.
	if a := kofi.Get("/api/v1/regrades"); a.Status != http.StatusForbidden {
		t.Errorf("the list for an operator: got status %d", a.Status)
	}
	if a := token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"regrade","id":"X","printer":"P-1","first_layer":"BLIND-1","grader":"kofi","graded_at":"2026-03-03T07:00:00Z","grade":"clean","seen_from":"photo"}]}`); !strings.Contains(a.Body, "403") {
		t.Errorf("by the API: %s", a.Body)
	}
	// What an operator sees of it is their own part alone.
	own := kofi.Get("/agreement").Body
	if !strings.Contains(own, ">You<") || strings.Contains(own, "zelda") || strings.Contains(own, `id="people"`) {
		t.Error("an operator sees more than the own part")
	}
}

// With groups and off nobody's strictness is on a page or in a table, whoever asks, but
// one's own with groups; shown, managers see it by name.
func TestStrictnessIsShownAsTheSettingSays(t *testing.T) {
	site := demoSite(t)
	manager, admin := site.As("henrike", "manager"), site.As("lindiwe", "admin")
	operator := site.As("keiko", "operator") // one of the demo's graders
	crew := map[string]bool{}
	for _, f := range recent().FirstLayers {
		if f.Grader != "" {
			crew[f.Grader] = true
		}
	}
	if len(crew) < 6 {
		t.Fatalf("%d graders", len(crew))
	}
	named := func(level string, c *webtest.Client, but string, want bool) {
		t.Helper()
		for _, path := range []string{"/agreement", "/agreement.csv", "/findings", "/help/people", "/trends", "/trends.csv", "/risk", "/risk.csv"} {
			a := c.Get(path)
			if a.Status == http.StatusForbidden && c == operator {
				continue
			}
			if a.Status != http.StatusOK {
				t.Errorf("%s: %s: got status %d", level, path, a.Status)
			}
			text := a.Body
			if i := strings.Index(text, "<main"); i >= 0 {
				text = text[i:]
			}
			found := 0
			for who := range crew {
				if who != but && regexp.MustCompile(`\b`+who+`\b`).MatchString(text) {
					found++
				}
			}
			if shown := want && strings.HasPrefix(path, "/agreement"); shown && found != len(crew) || !shown && !want && found > 0 {
				t.Errorf("%s: %s names %d of %d who grade", level, path, found, len(crew))
			}
		}
		for who := range crew {
			if a := c.Get("/trends?grader=" + who); (a.Status == http.StatusOK) != (want || who == but) {
				t.Errorf("%s: trends of %s: got status %d", level, who, a.Status)
			}
		}
	}
	showPeople(t, manager, "shown", "groups")
	named("groups", manager, "", false)
	named("groups", admin, "", false)
	named("groups", operator, "keiko", false)
	if text := manager.Page("/agreement").Text("[aria-labelledby=people]"); !strings.Contains(text, "All others") || !strings.Contains(text, "9") {
		t.Errorf("nine people of three shifts are one group: %q", text)
	}
	if !strings.Contains(operator.Get("/agreement").Body, "As findings see it") {
		t.Error("one's own is not shown")
	}
	showPeople(t, manager, "groups", "off")
	named("off", manager, "", false)
	named("off", operator, "keiko", false)
	if body := operator.Get("/agreement").Body; strings.Contains(body, "As findings see it") || strings.Contains(body, ">You<") {
		t.Error("off: one's own strictness is shown")
	}
	showPeople(t, manager, "off", "shown")
	named("shown", manager, "", true)
	page := manager.Page("/agreement")
	last := ""
	for _, row := range page.All("[aria-labelledby=people] tbody tr th") {
		if who := webtest.Text(row); who < last {
			t.Errorf("%s stands after %s: not in order of names", who, last)
		} else {
			last = who
		}
	}
	if a := operator.Get("/agreement.csv"); a.Status != http.StatusForbidden {
		t.Errorf("the table for an operator: got status %d", a.Status)
	}
}

func TestPracticeIsGradedAndWrittenDown(t *testing.T) {
	ctx := context.Background()
	site := gradeSite(t)
	kofi, boss := site.As("kofi", "operator"), site.As("boss", "manager")
	if got := kofi.Get("/practice").Body; !strings.Contains(got, "You have not practised yet") {
		t.Error("no empty state")
	}
	// The Grade pages say so to the person alone, and take grades all the same.
	hint := func(who *webtest.Client, want bool) {
		t.Helper()
		for _, at := range []string{"/grade", "/grade/P-1"} {
			if got := len(who.Page(at).All(".practice")) == 1; got != want {
				t.Errorf("%s: the hint is there: %v, want %v", at, got, want)
			}
		}
	}
	hint(kofi, true)
	answers := map[string]graders.Item{}
	for _, x := range graders.DrawnSet {
		answers[x.Code] = x
	}
	code := regexp.MustCompile(`name="item" value="([a-z0-9-]+)"`)
	round := func(wrong int) {
		t.Helper()
		if a := kofi.Form("/practice", url.Values{"do": {"start"}}); a.Status != http.StatusSeeOther {
			t.Fatalf("start: got status %d", a.Status)
		}
		for i := range graders.RoundItems {
			page := kofi.Get("/practice").Body
			m := code.FindStringSubmatch(page)
			if m == nil {
				t.Fatalf("item %d: no item", i+1)
			}
			x := answers[m[1]]
			if i == 0 {
				if a := kofi.Form("/practice", url.Values{"do": {"answer"}, "item": {x.Code}, "grade": {"failed"}}); a.Status != http.StatusUnprocessableEntity {
					t.Errorf("no mark: got status %d", a.Status)
				}
			}
			mark, grade := "none", x.Grade
			if len(x.Marks) > 0 {
				mark = x.Marks[0]
			}
			if i < wrong {
				grade = map[string]string{"clean": "cosmetic", "cosmetic": "clean", "marginal": "cosmetic", "failed": "marginal"}[grade]
			}
			a := kofi.Form("/practice", url.Values{"do": {"answer"}, "item": {x.Code}, "grade": {grade}, "mark": {mark}})
			if a.Status != http.StatusOK || !strings.Contains(a.Body, fmt.Sprintf(`data-right="%v"`, i >= wrong)) || !strings.Contains(a.Body, x.Why) {
				t.Fatalf("feedback on %s: got status %d", x.Code, a.Status)
			}
			// The first answer counts.
			again := kofi.Form("/practice", url.Values{"do": {"answer"}, "item": {x.Code}, "grade": {"failed"}, "mark": {"other"}})
			if !strings.Contains(again.Body, fmt.Sprintf(`data-right="%v"`, i >= wrong)) {
				t.Errorf("%s: another answer was taken", x.Code)
			}
		}
	}
	round(3)
	if a := kofi.Form("/practice", url.Values{"do": {"next"}}); !strings.Contains(a.Body, "Not passed this time") || !strings.Contains(a.Body, "9 of 12") {
		t.Errorf("three wrong: %s", a.Body[strings.Index(a.Body, "<main"):])
	}
	round(1)
	if a := kofi.Form("/practice", url.Values{"do": {"next"}}); !strings.Contains(a.Body, ">Passed<") {
		t.Errorf("one wrong: %s", a.Body[strings.Index(a.Body, "<main"):])
	}
	kofi.Form("/practice", url.Values{"do": {"next"}}) // sent twice
	list, err := site.Store.Qualifications(ctx, "kofi", 10)
	if err != nil || len(list) != 2 || list[0].Passed != "yes" || list[0].GradesRight != 11 || list[1].Passed != "no" || list[0].Until.Sub(list[0].At) != 365*24*time.Hour {
		t.Fatalf("%v, %v", list, err)
	}
	if got := kofi.Get("/practice").Body; !strings.Contains(got, "You hold a qualification until") {
		t.Error("what is held is not said")
	}
	if got := boss.Page("/practice").Text("table"); !strings.Contains(got, "kofi") || !strings.Contains(got, "11 of 12") {
		t.Errorf("for managers: %q", got)
	}
	hint(kofi, false)
	other := site.As("lea", "operator")
	hint(other, true)
	if got := other.Get("/practice").Body; strings.Contains(got, "11 of 12") {
		t.Error("somebody else's round is shown")
	}
	// Photos of a manager's choice.
	token := site.WithToken("gateway", "operator")
	token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"first_layer","id":"C-1","printer":"P-1","started_at":"2026-03-01T07:00:00Z","grade":"clean","grader":"kofi"}]}`)
	const id = "0195a000-0000-7000-8000-000000000001"
	if a := kofi.Do("POST", "/api/v1/photos?id="+id+"&first_layer=C-1&taken_at=2026-03-01T07:10:00Z", "image/jpeg", aPhoto(t, 64, 48, color.RGBA{9, 9, 9, 255})); a.Status != http.StatusOK {
		t.Fatal(a.Body)
	}
	if a := boss.Form("/practice/items", url.Values{"photo": {id}, "grade": {""}, "shows": {"none"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("without a grade: got status %d", a.Status)
	}
	if a := boss.Form("/practice/items", url.Values{"photo": {id}, "grade": {"cosmetic"}, "shows": {"blobs"}, "why": {"one ball"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("choosing: got status %d %s", a.Status, a.Body)
	}
	items, err := site.Store.PracticeItems(ctx, 10)
	if err != nil || len(items) != 1 || items[0].Shows != "blobs" {
		t.Fatalf("%v, %v", items, err)
	}
	item := items[0].ID.UUID.String()
	if a := other.Get("/practice/items/" + item + "/photo/file"); a.Status != http.StatusOK {
		t.Errorf("its picture: got status %d", a.Status)
	}
	if a := other.Get("/practice/items"); a.Status != http.StatusForbidden {
		t.Errorf("choosing by an operator: got status %d", a.Status)
	}
	if a := boss.Form("/practice/items/remove", url.Values{"item": {item}}); a.Status != http.StatusSeeOther {
		t.Errorf("taking it out: got status %d", a.Status)
	}
	if items, _ = site.Store.PracticeItems(ctx, 10); len(items) != 0 {
		t.Error("it is still in the set")
	}
	if a := kofi.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"qualification","id":"Q","person":"kofi","at":"2026-03-03T07:00:00Z","items":12,"grades_right":12,"passed":"yes"}]}`); !strings.Contains(a.Body, "403") {
		t.Errorf("a qualification by the API: %s", a.Body)
	}
}
