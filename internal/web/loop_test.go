package web_test

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"

	"github.com/gofrs/uuid/v5"
	"golang.org/x/net/html"
)

// sent records through the API, as a machine does.
func sent(t *testing.T, site *webtest.Site, records ...string) {
	t.Helper()
	a := site.WithToken("machine-"+fmt.Sprint(time.Now().UnixNano()), "manager").Do("POST", "/api/v1/records", "application/json", `{"records":[`+strings.Join(records, ",")+`]}`)
	if a.Status != 200 || strings.Contains(a.Body, `"refused"`) {
		t.Fatalf("recording: %d %s", a.Status, a.Body)
	}
}

// layer is a first layer on P-1 with L-1, started some minutes before at.
func layer(id string, minutes int, more string) string {
	when := at.Add(-time.Duration(minutes) * time.Minute)
	return fmt.Sprintf(`{"kind":"first_layer","id":"%s","printer":"P-1","plate":"L-1","started_at":"%s"%s}`, id, when.Format(time.RFC3339), more)
}

func graded(grade string) string { return `,"grade":"` + grade + `","grader":"amara"` }

const johannesburg = 2 * time.Hour

func typedTime(minutesBefore int) string {
	return at.Add(johannesburg - time.Duration(minutesBefore)*time.Minute).UTC().Format("2006-01-02T15:04")
}

func TestDoneRecordsWhatItNamedAndOpensAProof(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")+`,"marks":"A1:contamination:2"`))
	path := "/first-layers/" + startID(t, "B-1")
	p := c.Page(path + "/done?action=wash&cause=dirty_plate")
	words := plain(p.Text("main"))
	if !strings.Contains(words, "good layers with plate L-1, none nudged, show that it held") && !strings.Contains(words, "watched for coming back") {
		t.Errorf("nothing said in advance: %q", words)
	}
	if !strings.Contains(words, "Caution") {
		t.Errorf("no caution on a wash: %q", words)
	}
	form := opened(t, c, path+"/done?action=wash&cause=dirty_plate")
	if form.Get("plates") != "L-1" || form.Get("method") != "wash" || form.Get("action") != "wash" || form.Get("good_needed") == "" {
		t.Fatalf("the form begins with %v", form)
	}
	form.Set("good_needed", "3") // as it was promised before expectations were kept
	form.Del("expected_layers")
	form.Set("when", typedTime(170))
	a := c.Form(path+"/done", form)
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), path+"?saved=") {
		t.Fatalf("got %d %s %v", a.Status, a.Header.Get("Location"), a.Page(t).Texts("[data-problems] li"))
	}
	if again := c.Form(path+"/done", form); again.Header.Get("Location") != a.Header.Get("Location") {
		t.Errorf("the same form again: %d %s", again.Status, again.Header.Get("Location"))
	}
	ctx := context.Background()
	f := layerAt(t, site, path)
	list, err := site.Store.AdviceOn(ctx, f)
	if err != nil || len(list) != 1 {
		t.Fatalf("recorded: %v %v", list, err)
	}
	d := list[0]
	if d.Action != "wash" || d.Cause != "dirty_plate" || d.SubjectKind != "plate" || d.Subject != "L-1" || d.GoodNeeded != 3 || !farm.Known(d.ExpectedRate) {
		t.Errorf("recorded: %+v", d)
	}
	id, _ := farm.NewID(farm.KindCleaning, d.Record)
	if rec, err := site.Store.Event(ctx, farm.KindCleaning, id); err != nil || rec.(*farm.Cleaning).Method != "wash" || rec.(*farm.Cleaning).Plate != "L-1" {
		t.Errorf("the record it names: %+v %v", rec, err)
	}
	for _, step := range []struct {
		add         []string
		want, other string
	}{
		{nil, "Proving 0 of 3", ""},
		{[]string{layer("G-1", 100, graded("clean")), layer("G-2", 90, "")}, "Proving 1 of 3", "good"},
		{[]string{layer("G-3", 80, graded("clean")+`,"nudge_mm":0.02`)}, "Proving 0 of 3", "nudged"},
		{[]string{layer("G-4", 70, graded("clean")), layer("G-5", 60, graded("cosmetic"))}, "Proving 2 of 3", "good"},
		{[]string{layer("G-6", 50, graded("clean"))}, "Held up", "held up: 3 good layers"},
		{[]string{layer("G-7", 40, graded("failed"))}, "Held up", "held up: 3 good layers"},
	} {
		if step.add != nil {
			sent(t, site, step.add...)
		}
		for _, page := range []string{path, "/plates/L-1"} {
			if got := plain(c.Page(page).Text(".proofs")); !strings.Contains(got, step.want) || !strings.Contains(got, step.other) {
				t.Errorf("%s says %q, want %q and %q", page, got, step.want, step.other)
			}
		}
	}
	undo := c.Form("/upkeep/undo", with(nil, "entry", strings.Split(a.Header.Get("Location"), "saved=")[1], "next", "/upkeep"))
	if undo.Status != 303 {
		t.Fatalf("undo: %d", undo.Status)
	}
	if list, err = site.Store.AdviceOn(ctx, f); err != nil || len(list) != 0 {
		t.Errorf("after the undo: %v %v", list, err)
	}
	if rec, err := site.Store.Event(ctx, farm.KindCleaning, id); err != nil || rec.(*farm.Cleaning).VoidedAt.IsZero() {
		t.Errorf("the cleaning after the undo: %+v %v", rec, err)
	}
}

func TestAFixThatCameBack(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")))
	path := "/first-layers/" + startID(t, "B-1")
	form := opened(t, c, path+"/done?action=probe")
	form.Set("when", typedTime(170))
	if a := c.Form(path+"/done", form); a.Status != 303 {
		t.Fatalf("got %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	sent(t, site, layer("G-1", 100, graded("clean")), layer("G-2", 90, graded("failed")), layer("G-3", 80, graded("clean")))
	if got := plain(c.Page("/printers/P-1").Text(".proofs")); !strings.Contains(got, "Proving") || !strings.Contains(got, "2 good layers, 1 failed") || !strings.Contains(got, "had nothing changed, about 0.") || !strings.Contains(got, "no look-alikes") {
		t.Errorf("after one failure the printer's page says %q", got)
	}
	sent(t, site, layer("G-4", 70, graded("failed")), layer("G-5", 60, graded("failed")))
	if got := plain(c.Page("/printers/P-1").Text(".proofs")); !strings.Contains(got, "Came back") || !strings.Contains(got, "came back: 2 good layers, ") || !strings.Contains(got, "Probed") {
		t.Errorf("the printer's page says %q", got)
	}
}

func TestEveryActionOfAnAdviceHasAForm(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")))
	path := "/first-layers/" + startID(t, "B-1") + "/done"
	fill := map[string][]string{"move_nozzle": {"from_mm", "0.10", "to_mm", "0.14"}, "swap_plate": {"plate", "L-4"}, "set_plate_aside": {"reason", "bent"}}
	made := map[string]farm.Kind{"wipe": farm.KindCleaning, "wash": farm.KindCleaning, "coat": farm.KindCleaning, "probe": farm.KindProbe, "move_nozzle": farm.KindOffsetChange,
		"tram": farm.KindService, "swap_plate": farm.KindFitting, "turn_plate": farm.KindFitting, "set_plate_aside": farm.KindPlateState}
	for i, action := range farm.AdviceActions {
		address := path + "?action=" + action
		if action == "move_nozzle" {
			address += "&move=0.04"
		}
		form := opened(t, c, address)
		form.Set("when", typedTime(170-i))
		a := c.Form(path, with(form, fill[action]...))
		if a.Status != 303 {
			t.Errorf("%s: got %d %v", action, a.Status, a.Page(t).Texts("[data-problems] li"))
			continue
		}
	}
	list, err := site.Store.AdviceOn(context.Background(), layerAt(t, site, strings.TrimSuffix(path, "/done")))
	if err != nil || len(list) != len(farm.AdviceActions) {
		t.Fatalf("%d recorded, want %d: %v", len(list), len(farm.AdviceActions), err)
	}
	for _, d := range list {
		if kind := made[d.Action]; (kind == "") != (d.Record == "") {
			t.Errorf("%s names the record %q, want a %s", d.Action, d.Record, kind)
		} else if kind != "" {
			id, _ := farm.NewID(kind, d.Record)
			if _, err := site.Store.Event(context.Background(), kind, id); err != nil {
				t.Errorf("%s: %v", d.Action, err)
			}
		}
	}
}

func TestDisagreeingNeedsAReason(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")))
	path := "/first-layers/" + startID(t, "B-1")
	for _, answer := range []string{"something_else", "disagreed"} {
		form := opened(t, c, path+"/done?action=probe&answer="+answer)
		if a := c.Form(path+"/done", form); a.Status != 422 || len(a.Page(t).Texts("[data-problems] li")) != 1 {
			t.Errorf("%s without a reason: got %d", answer, a.Status)
		}
		if a := c.Form(path+"/done", with(form, "reason_not", "the mesh is of this morning")); a.Status != 303 {
			t.Errorf("%s: got %d", answer, a.Status)
		}
	}
	if got := plain(c.Page(path).Text(".proofs")); !strings.Contains(got, "Something else was done") || !strings.Contains(got, "Disagreed") || !strings.Contains(got, "of this morning") {
		t.Errorf("the page says %q", got)
	}
	if a := c.Get(path + "/done"); a.Status != 303 || a.Header.Get("Location") != path {
		t.Errorf("without an action: got %d %s", a.Status, a.Header.Get("Location"))
	}
	if a := c.Get(path + "/done?action=smash"); a.Status != 400 {
		t.Errorf("an unknown action: got %d", a.Status)
	}
}

func TestDecisionsAndOutcomesAreOneTapEach(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 40, graded("marginal")+`,"marks":"A1:blobs:2 B1:blobs:1"`), layer("B-2", 30, graded("marginal")+`,"marks":"A1:nozzle_high:1"`),
		layer("B-3", 20, graded("failed")+`,"marks":"A1:blobs:3"`), layer("B-4", 10, graded("clean")))
	path := func(id string) string { return "/first-layers/" + startID(t, id) }
	if p := c.Page(path("B-1")); len(p.All("[data-decide] button")) != 4 {
		t.Errorf("a marginal layer asks with %d buttons", len(p.All("[data-decide] button")))
	}
	if p := c.Page(path("B-4")); len(p.All("[data-decide]")) != 0 {
		t.Error("a clean layer asks what is done about it")
	}
	for _, x := range [][2]string{{"B-1", "let_run"}, {"B-2", "nudged -0.02"}, {"B-3", "stopped"}} {
		a := c.Form(path(x[0])+"/decision", with(nil, "decision", x[1]))
		if a.Status != 303 {
			t.Fatalf("%s: got %d", x[1], a.Status)
		}
		if got := c.Page(a.Header.Get("Location")).Text(".saved"); !strings.Contains(got, "Saved: ") || !strings.Contains(got, "Undo") {
			t.Errorf("said back: %q", got)
		}
	}
	if f := layerAt(t, site, path("B-2")); f.Decision != "nudged" || f.NudgeMM != -0.02 {
		t.Errorf("nudged: %q %v", f.Decision, f.NudgeMM)
	}
	if f := layerAt(t, site, path("B-3")); f.Outcome != "stopped" {
		t.Errorf("stopped, outcome %q", f.Outcome)
	}
	if a := c.Form(path("B-1")+"/decision", with(nil, "decision", "stopped")); a.Status != 409 {
		t.Errorf("decided twice: got %d", a.Status)
	}
	list := c.Page("/outcomes")
	if got := list.Texts(".ends li"); len(got) != 3 {
		t.Fatalf("asked about: %q", got)
	}
	for _, x := range [][2]string{{"B-1", "finished"}, {"B-2", "detached"}} {
		a := c.Form(path(x[0])+"/outcome", with(nil, "outcome", x[1], "next", "/outcomes"))
		if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/outcomes?saved=") {
			t.Fatalf("%s: got %d", x[1], a.Status)
		}
	}
	if a := c.Form(path("B-1")+"/outcome", with(nil, "outcome", "scrapped")); a.Status != 409 {
		t.Errorf("ended twice: got %d", a.Status)
	}
	table := plain(strings.Join(c.Page("/outcomes/by-mark").Texts("tbody tr"), " | "))
	for _, want := range []string{"Blobs clear 1 of 1", "Under-squished slight – 0 0 of 1", "Blobs strong – 0 – 1"} {
		if !strings.Contains(strings.ReplaceAll(table, " too little data", ""), want) {
			t.Errorf("the table says %q, lacks %q", table, want)
		}
	}
	last := c.Form(path("B-4")+"/outcome", with(nil, "outcome", "finished"))
	undo := c.Form("/upkeep/undo", with(nil, "entry", strings.Split(last.Header.Get("Location"), "saved=")[1], "next", "/outcomes"))
	if undo.Status != 303 || len(c.Page("/outcomes").Texts(".ends li")) != 1 {
		t.Errorf("undo of an outcome: got %d, the list has %d", undo.Status, len(c.Page("/outcomes").Texts(".ends li")))
	}
}

// Done on a nozzle move is filled in from the last offset logged: one tap records
// it. What comes then has a Done of its own, and what is done asks no more.
func TestDoneOnAMoveIsFilledIn(t *testing.T) {
	site := advisedSite(t)
	c := site.As("amara", "operator")
	path := "/first-layers/" + startID(t, "G-2")
	done := func() string {
		for _, link := range c.Page(path).All(".layer-advice a") {
			if strings.HasPrefix(webtest.Text(link), "Done") {
				return strings.Replace(webtest.Attr(link, "href"), "&amp;", "&", -1)
			}
		}
		return ""
	}
	if form := opened(t, c, done()); form.Get("from_mm") != "" || form.Get("direction") != "up" {
		t.Errorf("no offset is known and the form begins with %v", form)
	}
	sent(t, site, `{"kind":"offset_change","id":"O-1","printer":"P-2","changed_at":"`+stamp(24*time.Hour)+`","to_mm":0.12}`)
	form := opened(t, c, done())
	move, _ := farm.ParseNumber(strings.TrimPrefix(form.Get("to_mm"), "0."))
	if form.Get("from_mm") != "0.12" || move < 15 || move > 17 {
		t.Fatalf("the form begins with %v", form)
	}
	if a := c.Form(path+"/done", form); a.Status != 303 {
		t.Fatalf("one tap: got %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	last, err := site.Store.LastOffset(context.Background(), "P-2", at)
	if err != nil || last.FromMM != 0.12 || !(last.ToMM > 0.15) {
		t.Errorf("recorded %+v, %v", last, err)
	}
	if again := done(); again != "" {
		t.Errorf("asked again at %s", again)
	}
	// G-1: swap the plate, then wash it: each has its own.
	path = "/first-layers/" + startID(t, "G-1")
	var then string
	for _, link := range c.Page(path).All(".then a") {
		if href := webtest.Attr(link, "href"); strings.Contains(href, "action=wash") {
			then = href
		}
	}
	if then == "" {
		t.Fatal("no Done beside the wash that comes then")
	}
	if a := c.Form(path+"/done", opened(t, c, then)); a.Status != 303 {
		t.Fatalf("the wash: got %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	page := c.Page(path)
	if links := page.All(".then li[data-action=wash] a"); len(links) != 0 || !strings.Contains(plain(page.Text(".proofs")), "Plate washed") || !strings.Contains(page.Text(".layer-advice"), "I disagree") {
		t.Errorf("after the wash: %q", plain(page.Text("main")))
	}
}

// Where the offset is known one tap on the card records the move, at the time of the
// tap; what will show that it held stands above it. A second tap changes nothing; an
// offset logged since the page was opened is not passed over.
func TestDoneByOneTap(t *testing.T) {
	site := advisedSite(t)
	c := site.As("amara", "operator")
	sent(t, site, `{"kind":"offset_change","id":"O-1","printer":"P-2","changed_at":"`+stamp(24*time.Hour)+`","to_mm":0.12}`)
	path := "/first-layers/" + startID(t, "G-2")
	tapOn := func(page *webtest.Page, action string) url.Values {
		forms := map[*html.Node]url.Values{}
		for _, n := range page.All("form.tap input") {
			if forms[n.Parent] == nil {
				forms[n.Parent] = url.Values{}
			}
			forms[n.Parent].Set(webtest.Attr(n, "name"), webtest.Attr(n, "value"))
		}
		for _, form := range forms {
			if form.Get("action") == action {
				return form
			}
		}
		return nil
	}
	page := c.Page(path)
	card := plain(page.Text(".layer-advice"))
	if !strings.Contains(card, "good layers on P-2") && !strings.Contains(card, "watched for coming back") || !strings.Contains(card, "offset of P-2 from 0.12 to 0.1") {
		t.Errorf("the card says %q", card)
	}
	tap := tapOn(page, "move_nozzle")
	late := url.Values{}
	for k, v := range tap {
		late[k] = v
	}
	if a := c.Form(path+"/done", tap); a.Status != 303 || !strings.Contains(a.Header.Get("Location"), "saved=") {
		t.Fatalf("one tap: got %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	f := layerAt(t, site, path)
	said, err := site.Store.AdviceOn(context.Background(), f)
	last, err2 := site.Store.LastOffset(context.Background(), "P-2", at)
	if err != nil || err2 != nil || len(said) != 1 || said[0].Action != "move_nozzle" || last.FromMM != 0.12 || !(last.ToMM > 0.15) {
		t.Fatalf("recorded %+v, %+v, %v %v", said, last, err, err2)
	}
	if a := c.Form(path+"/done", tap); a.Status != 303 {
		t.Errorf("a second tap: got %d", a.Status)
	}
	if tapOn(c.Page(path), "move_nozzle") != nil {
		t.Error("it is asked again")
	}
	late.Set("id", earlierID(t, time.Hour)) // another tablet, opened an hour ago
	if a := c.Form(path+"/done", late); a.Status != 422 || !strings.Contains(plain(a.Page(t).Text("[data-problems]")), "Another change was logged") {
		t.Errorf("an offset that was passed over: got %d", a.Status)
	}
	// G-1: the wash that comes after the swap.
	path = "/first-layers/" + startID(t, "G-1")
	wash := tapOn(c.Page(path), "wash")
	if a := c.Form(path+"/done", wash); a.Status != 303 || wash.Get("plates") != "L-1" {
		t.Errorf("a wash by one tap, %v: got %d %v", wash, a.Status, a.Page(t).Texts("[data-problems] li"))
	}
}

// Each action of an advice has its Done: what it records, or nothing but that.
func TestEveryActionHasItsDone(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")+`,"marks":"A1:contamination:2"`))
	path := "/first-layers/" + startID(t, "B-1")
	asks := map[string]string{"wipe": "method", "wash": "method", "coat": "method", "probe": "extent", "move_nozzle": "to_mm", "tram": "work", "swap_plate": "plate", "turn_plate": "plate_turned", "set_plate_aside": "state"}
	for _, action := range farm.AdviceActions {
		form := opened(t, c, path+"/done?action="+action)
		if field := asks[action]; field != "" && !form.Has(field) || field == "" && len(form) > 9 {
			t.Errorf("%s asks %v", action, form)
		}
	}
}

// A weighed patch tells thin lines of a low nozzle from too little feed.
func TestAWeighedPatchIsGoneBy(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	var slits []string
	for _, z := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		slits = append(slits, z+":nozzle_high:2")
	}
	sent(t, site, layer("B-1", 180, graded("marginal")+`,"outcome":"finished","marks":"`+strings.Join(slits, " ")+`"`))
	path := "/first-layers/" + startID(t, "B-1")
	top := func(query string) string {
		return webtest.Attr(c.Page(path + query).All("[data-cause]")[0], "data-cause")
	}
	if got := top(""); got != "nozzle_high" {
		t.Errorf("by the marks: %s", got)
	}
	// 20 mm square, 0.20 mm, 1.24 g/cm³: 0.0992 g.
	if got := top("?patch_mass_g=0.080&patch_area_mm2=400&density_g_cm3=1.24"); got != "feed_low" {
		t.Errorf("a light patch: %s", got)
	}
	if got := top("?patch_mass_g=0,099&patch_area_mm2=400&density_g_cm3=1.24"); got != "nozzle_high" {
		t.Errorf("the right mass: %s", got)
	}
	if got := plain(c.Page(path + "?patch_mass_g=heavy").Text("#weigh")); !strings.Contains(got, "The mass must be between") {
		t.Errorf("nonsense: %q", got)
	}
}

// earlierID is the number of a form opened a while ago.
func earlierID(t *testing.T, before time.Duration) string {
	id, err := uuid.NewV7AtTime(at.Add(-before))
	if err != nil {
		t.Fatal(err)
	}
	return id.String()
}
