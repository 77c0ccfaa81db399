package web_test

import (
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestEveryPageOfAnEmptyFarmSaysWhatWillAppear asks every page without
// parameters as each role that may see it, over a farm without a record: none
// fails, and the main ones say what will appear and the first step.
func TestEveryPageOfAnEmptyFarmSaysWhatWillAppear(t *testing.T) {
	site := webtest.New(t)
	for _, role := range []string{"operator", "manager", "admin"} {
		c := site.As(role, role)
		for _, r := range web.Routes() {
			if r.Method != "GET" || strings.Contains(r.Path, ":") || noPage(r.Path) {
				continue
			}
			if a := c.Get(r.Path); a.Status >= 500 || a.Status == 200 && len(a.Page(t).All("h1")) != 1 {
				t.Errorf("%s as %s: got %d", r.Path, role, a.Status)
			}
		}
		for _, path := range []string{"/floor", "/grade", "/upkeep", "/trends", "/findings", "/jobs"} {
			if got := strings.Join(c.Page(path).Texts(".empty"), " "); len(got) < 20 {
				t.Errorf("%s as %s of an empty farm says only %q", path, role, got)
			}
		}
	}
}
