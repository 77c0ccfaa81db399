package web_test

import (
	"context"
	"net/url"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/webtest"
)

// The trail of a printer, a plate, a grader and a job is read in at most two clicks from
// its page: links are followed as a reader would, to pages of the same thing.
func TestATrailIsTwoClicksAway(t *testing.T) {
	ctx := context.Background()
	site := gradeSite(t)
	site.As("kofi", "operator")
	boss := site.As("boss", "admin")
	act := store.Act{Via: "page", Person: "boss", Why: "for the trail"}
	job := farm.Job{Job: "O-7", Name: "Clips", HoursPerPlate: farm.Unknown(), FirstLayerMinutes: farm.Unknown(), Value: farm.Unknown(), LateFeePerHour: farm.Unknown()}
	closed := job
	closed.Name = "Long clips"
	kofi, err := site.Store.Thing(ctx, farm.KindPerson, "kofi")
	if err != nil {
		t.Fatal(err)
	}
	renamed := *kofi.(*farm.Person)
	renamed.Name = "Kofi A."
	for _, x := range []struct {
		kind farm.Kind
		edit store.ThingEdit
	}{{farm.KindJob, store.ThingEdit{After: &job}}, {farm.KindJob, store.ThingEdit{Before: &job, After: &closed}}, {farm.KindPerson, store.ThingEdit{Before: kofi, After: &renamed}}} {
		if err := site.Store.SaveThings(ctx, act, x.kind, x.edit); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		from, tag string
		says      []string // of one row of a trail
	}{
		{"/printers/P-1", "P-1", []string{"machine-S-1", "first layer: stored"}},
		{"/plates/L-1", "L-1", []string{"machine-S-1", "first layer: stored"}},
		{"/jobs/O-7", "O-7", []string{"boss", "Clips", "Long clips"}},
		{"/setup/people/kofi", "kofi", []string{"boss", "Kofi A."}},
	} {
		here, seen := []string{c.from}, map[string]bool{}
		found := ""
		for clicks := 0; clicks <= 2 && found == ""; clicks++ {
			var next []string
			for _, at := range here {
				if seen[at] {
					continue
				}
				seen[at] = true
				a := boss.Get(at)
				if a.Status != 200 || !strings.Contains(string(a.Body), "<main") {
					continue
				}
				p := boss.Page(at)
				if slices.ContainsFunc(p.Texts("main tr"), func(row string) bool {
					return !slices.ContainsFunc(c.says, func(w string) bool { return !strings.Contains(row, w) })
				}) {
					found = at
					t.Logf("%s: %d clicks, at %s", c.from, clicks, at)
					break
				}
				for _, l := range p.All("main a[href]") {
					u, err := url.Parse(webtest.Attr(l, "href"))
					if err == nil && u.Host == "" && u.Path != "" && strings.Contains(u.String(), c.tag) && !strings.HasSuffix(u.Path, ".zip") {
						u.Fragment = ""
						next = append(next, u.String())
					}
				}
			}
			here = next
		}
		if found == "" {
			t.Errorf("from %s no trail of %s is reached in two clicks", c.from, c.tag)
		}
	}
}
