package web_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"basecourse/internal/webtest"
)

func TestALeaverIsRemovedInSetup(t *testing.T) {
	site := webtest.New(t)
	admin, kofi := site.As("amara", "admin"), site.As("kofi", "operator")
	page := "/setup/people/kofi"
	set := func(days string) webtest.Answer { return admin.Form(page+"/remove", url.Values{"days": {days}}) }
	if a := set("0"); a.Status != http.StatusConflict {
		t.Errorf("while they may sign in: got status %d, want 409", a.Status)
	}
	if a := admin.Form(page+"/off", nil); a.Status != http.StatusSeeOther {
		t.Fatalf("switching off: got status %d", a.Status)
	}
	if a := set("7"); a.Status != http.StatusBadRequest {
		t.Errorf("another number of days: got status %d, want 400", a.Status)
	}
	if a := set("30"); a.Status != http.StatusSeeOther {
		t.Fatalf("in 30 days: got status %d", a.Status)
	}
	if body := admin.Get(page).Body; !strings.Contains(body, "the name goes") || !strings.Contains(body, "Keep kofi") {
		t.Error("the page does not say when the name goes, or how to keep it")
	}
	if a := set(""); a.Status != http.StatusSeeOther {
		t.Errorf("not after all: got status %d", a.Status)
	}
	if n, err := site.Store.RemoveDue(context.Background()); err != nil || n != 0 {
		t.Errorf("%d removed, %v", n, err)
	}
	set("0")
	if n, err := site.Store.RemoveDue(context.Background()); err != nil || n != 1 {
		t.Fatalf("%d removed, %v", n, err)
	}
	if a := admin.Get(page); a.Status != http.StatusNotFound {
		t.Errorf("the old page: got status %d, want 404", a.Status)
	}
	if a := try(site.Nobody(), "kofi", webtest.Password); a.Status == http.StatusSeeOther {
		t.Error("a removed person signs in")
	}
	if a := kofi.Get("/floor"); a.Status == http.StatusOK {
		t.Error("a removed person's session works")
	}
	list := admin.Get("/setup/people").Body
	if strings.Contains(list, "kofi") || !strings.Contains(list, "left-") {
		t.Error("the list of people has the handle still")
	}
}

func TestOnePersonsGradingCanBeSwitchedOff(t *testing.T) {
	site := demoSite(t)
	manager := site.As("amara", "manager")
	grader := ""
	for _, f := range recent().FirstLayers {
		if f.Grader != "" && f.Grader != "amara" {
			grader = f.Grader
			break
		}
	}
	if a := manager.Get("/trends?grader=" + grader); a.Status != http.StatusOK {
		t.Fatalf("shown: got status %d", a.Status)
	}
	body := url.Values{"group": {"judging"}, "seen": {`{"person_level":"shown"}`}, "person_level": {"off"}}
	if a := manager.Form("/setup/settings", body); a.Status != http.StatusSeeOther {
		t.Fatalf("switching off: got status %d: %s", a.Status, a.Body)
	}
	if a := manager.Get("/trends?grader=" + grader); a.Status != http.StatusForbidden {
		t.Errorf("off: got status %d, want 403", a.Status)
	}
	if a := manager.Get("/trends?grader=amara"); a.Status != http.StatusOK {
		t.Errorf("one's own: got status %d, want 200", a.Status)
	}
	if body := manager.Get("/help/people").Body; !strings.Contains(body, "Nobody may look") {
		t.Error("the page about people says otherwise")
	}
	showPeople(t, manager, "off", "groups")
	if a := manager.Get("/trends?grader=" + grader); a.Status != http.StatusForbidden {
		t.Errorf("groups: got status %d, want 403", a.Status)
	}
	body.Set("person_level", "maybe")
	if a := manager.Form("/setup/settings", body); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("another word: got status %d, want 422", a.Status)
	}
}

func TestAChangeOfRoleIsLogged(t *testing.T) {
	site := webtest.New(t)
	admin := site.As("amara", "admin")
	site.As("kofi", "operator")
	p := admin.Page("/setup/people/kofi")
	a := admin.Form("/setup/people/kofi", url.Values{"act": {"save"}, "seen": {webtest.Attr(p.One("input[name=seen]"), "value")}, "name": {""}, "role": {"manager"}})
	if a.Status != http.StatusSeeOther {
		t.Fatalf("got status %d: %s", a.Status, a.Body)
	}
	if log := site.Log.String(); !strings.Contains(log, `"msg":"role changed"`) || !strings.Contains(log, `"of":"kofi","from":"operator","to":"manager"`) {
		t.Error("the log does not tell of it")
	}
}
