package web_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/webtest"
)

// A slash goes to the search from any page; a scanner that types a label's address
// and Enter there opens the thing.
func TestASlashAndAScanFindThings(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	stored(t, site, little())
	c := site.As("amara", "operator")
	for _, v := range views() {
		tab := site.Tab(t, c, v)
		for _, path := range []string{"/setup/labels?tags=P-1,L-1,L-2&paper=a4-14", "/plates/L-1/mark", "/search"} {
			tab.Open(path)
			tab.Fits()
			tab.Accessible()
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "search"+strings.NewReplacer("/", "-", "?", "-", "&", "-").Replace(path)+"-"+v.Name+".png"), true)
			}
		}
		if v.Width < 760 {
			continue
		}
		tab.Open("/upkeep")
		webtest.Eval[any](tab, `document.body.dispatchEvent(new KeyboardEvent("keydown", {key: "/", bubbles: true, cancelable: true})), null`)
		if !webtest.Eval[bool](tab, `document.activeElement.matches("[data-seek]")`) {
			t.Error("a slash does not go to the search")
		}
		webtest.Eval[any](tab, `document.activeElement.value = "http://farm.example/s/L-2", document.activeElement.form.requestSubmit(), null`)
		for range 100 {
			if webtest.Eval[string](tab, `location.pathname`) == "/plates/L-2" {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		if got := webtest.Eval[string](tab, `location.pathname`); got != "/plates/L-2" {
			t.Errorf("a scan opens %s", got)
		}
	}
}
