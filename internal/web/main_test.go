package web_test

import (
	"context"
	"flag"
	"slices"
	"sync"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// at is a fixed present for tests whose pages show times.
var at = time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)

// shots is a folder for pictures of the pages, to be looked at.
var shots = flag.String("shots", "", "write pictures of the pages to this folder")

func TestMain(m *testing.M) { webtest.Main(m) }

func stored(t testing.TB, site *webtest.Site, b *farm.Bundle) {
	t.Helper()
	report, err := site.Store.ImportFarm(context.Background(), store.Act{Via: "import"}, b, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("import: %v\n%+v", err, report)
	}
}

// demoSite is a server over the demo's farm at its last day.
func demoSite(t testing.TB) *webtest.Site {
	t.Helper()
	return webtest.On(t, demoDB(t), func(c *web.Config) {
		c.Now = func() time.Time { return at }
		c.Findings = webtest.SampleFindings(at)
		c.Copies = copies{web.Copy{WrittenAt: at.Add(-11 * time.Hour), Folder: "/var/lib/basecourse/copies", Kept: 14, Rows: 81234}}
	})
}

// demoDB is a database of the demo's farm, stored once a run and copied.
func demoDB(t testing.TB) string {
	t.Helper()
	return testdb.Filled(t, "demo", func(url string) error {
		ctx := context.Background()
		st, err := store.Open(ctx, url)
		if err != nil {
			return err
		}
		defer st.Close()
		_, err = st.ImportFarm(ctx, store.Act{Via: "import"}, recent(), store.ImportOptions{})
		return err
	})
}

// recent is the demo's farm with the first layers, probes and cleanings of its
// last three weeks: enough for every page, and quick to store.
var recent = sync.OnceValue(func() *farm.Bundle {
	b := simfarm.Demo(at, 1)
	from := at.Add(-21 * 24 * time.Hour)
	b.FirstLayers = slices.DeleteFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.StartedAt.Before(from) })
	b.Probes = slices.DeleteFunc(b.Probes, func(p farm.Probe) bool { return p.ProbedAt.Before(from) })
	b.Cleanings = slices.DeleteFunc(b.Cleanings, func(c farm.Cleaning) bool { return c.CleanedAt.Before(from) })
	return b
})

type copies struct{ web.Copy }

func (c copies) Latest(context.Context) (web.Copy, error) { return c.Copy, nil }
