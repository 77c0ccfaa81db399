package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// cutRow is what one cut of the network did.
type cutRow struct {
	kept    int    // entries recorded while it was cut
	other   string // what else happened
	lost    int32  // answers lost in it, of what the server had done
	refused int32  // requests that met no network
	arrived int    // entries in the database when it ended
}

// cutReport is the whole run.
type cutReport struct {
	rows                             []cutRow
	entries, arrived, lost, doubled  int
	refusedEntries, answersLost      int
	withoutNetwork, afterwards       time.Duration
	restarts, expiries, browserStops int
}

// keep records n entries in a tab by the same forms as people use, and gives their
// ids.
func keep(t *testing.T, tab *webtest.Tab, n, from int) []string {
	t.Helper()
	text := webtest.Eval[string](tab, fmt.Sprintf(`(async () => {
		if (!window.outboxRecords) await new Promise((done, fail) => { const s = document.createElement("script"); s.src = document.documentElement.dataset.records; s.onload = done; s.onerror = fail; document.head.append(s) })
		const farm = (await outbox.meta("farm"))?.farm, ids = []
		for (let i = %d; i < %d; i++) {
			const form = [
				["/grade/P-1", { do: "clean", start: "new" }], ["/upkeep/clean", { plates: "L-1", method: "wipe" }], ["/upkeep/probe", { printer: "P-1", extent: "full" }],
				["/grade/P-3", { grade: "failed", marks: "A1:blobs:2", start: "new" }], ["/upkeep/fit", { plate: i %% 2 ? "L-4" : "L-1", printer: "P-1" }], ["/upkeep/skip", { printer: "P-3", reason: "hurry" }]][i %% 6]
			const made = await outboxBuild(form[0], new URLSearchParams({ ...form[1], note: "entry " + i }), farm, "amara")
			if (made.problems.length || made.records.length !== 1) throw new Error(JSON.stringify(made))
			await outbox.add(made.records)
			ids.push(made.records[0].record.id)
		}
		return JSON.stringify(ids)
	})()`, from, from+n))
	var ids []string
	if err := json.Unmarshal([]byte(text), &ids); err != nil || len(ids) != n {
		t.Fatalf("kept %d entries, %v; want %d", len(ids), err, n)
	}
	return ids
}

// underCuts records entries in two tabs of a device while the network is cut and
// comes back, answers are lost, the server is started anew, the session runs out
// and the browser is closed, and counts what became of them.
func underCuts(t *testing.T, seed uint64, entries, cuts int, patience time.Duration) cutReport {
	t.Helper()
	draw := rand.New(rand.NewPCG(seed, 1))
	site := offlineSite(t)
	kinds := []farm.Kind{farm.KindFirstLayer, farm.KindCleaning, farm.KindProbe, farm.KindFitting, farm.KindProbeSkipped}
	stored := func() map[string]int {
		out := map[string]int{}
		for _, k := range kinds {
			list, err := site.Store.Events(context.Background(), k, store.EventFilter{Limit: 100_000})
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range list {
				out[idOf(x)]++
			}
		}
		return out
	}
	before := len(stored())
	net := behindLine(t, site)
	amara := site.As("amara", "operator")
	device := site.Device(t)
	tab := func(as *webtest.Client) *webtest.Tab {
		return device.Tab(as, tabletView, patience).Forgive("ERR_", "401", "503")
	}
	one, two := tab(amara), tab(nil)
	one.Open("/floor")
	readyForOffline(t, one)
	two.Open("/queue")
	r := cutReport{entries: entries}
	var ids []string
	began := time.Now()
	left := entries
	for i := range cuts {
		row := cutRow{}
		net.cut.Store(true)
		lost, refused := net.lost.Load(), net.refused.Load()
		n := left / (cuts - i)
		left -= n
		half := draw.IntN(n + 1)
		from := len(ids)
		ids = append(ids, keep(t, one, half, from)...)
		ids = append(ids, keep(t, two, n-half, from+half)...)
		row.kept = n
		switch {
		case i == cuts*1/4 || cuts < 4 && i == 0:
			row.other = "server started anew"
			again := http.Handler(webtest.Over(t, site.Store, site.DB).Server)
			net.to.Store(&again)
			r.restarts++
		case i == cuts*2/4:
			row.other = "session ran out, signed in again"
			if err := site.Store.EndSessions(context.Background(), store.Act{Via: "command"}, "amara"); err != nil {
				t.Fatal(err)
			}
			r.expiries++
		case i == cuts*3/4 && cuts > 1:
			row.other = "browser closed and started again, signed in again"
			device.Restart()
			one, two = tab(nil), tab(nil)
			one.Open("/queue")
			two.Open("/offline")
			r.browserStops++
		}
		// Back for a moment: it begins to send, loses answers, and is cut within.
		net.slow.Store(int64(time.Duration(5+draw.IntN(40)) * time.Millisecond))
		net.lose.Store(int32(draw.IntN(3)))
		net.cut.Store(false)
		for _, tab := range []*webtest.Tab{one, two} {
			webtest.Eval[any](tab, `(outbox.send(), null)`)
		}
		time.Sleep(time.Duration(draw.IntN(120)) * time.Millisecond)
		if i%2 == 1 {
			net.cut.Store(true)
			time.Sleep(time.Duration(draw.IntN(60)) * time.Millisecond)
			net.cut.Store(false)
		}
		if strings.Contains(row.other, "signed in") {
			signInHere(t, one)
		} else if i%3 == 0 {
			two.Open("/floor") // a page is loaded in the midst of it
		}
		row.lost, row.refused = net.lost.Load()-lost, net.refused.Load()-refused
		row.arrived = len(stored()) - before
		r.rows = append(r.rows, row)
		t.Logf("cut %d: %+v", i+1, row)
	}
	r.withoutNetwork = time.Since(began)
	began = time.Now()
	net.lose.Store(0)
	net.slow.Store(0)
	if webtest.Eval[string](one, `(async () => (await fetch(document.documentElement.dataset.base + "/offline/me", { redirect: "manual" })).ok ? "in" : "out")()`) == "out" {
		signInHere(t, one)
	}
	emptied(t, one, 60*time.Second)
	r.afterwards = time.Since(began)
	r.refusedEntries = webtest.Eval[int](one, `(async () => (await outbox.list()).length)()`)
	if r.refusedEntries > 0 {
		t.Logf("refused: %s", webtest.Eval[string](one, `(async () => JSON.stringify((await outbox.list())[0]))()`))
	}
	there := stored()
	for _, id := range ids {
		switch there[id] {
		case 0:
			r.lost++
		case 1:
			r.arrived++
		default:
			r.doubled++
		}
	}
	r.doubled += len(there) - before - r.arrived // others than were recorded here
	r.answersLost = int(net.lost.Load())
	return r
}

// signInHere signs amara in by the page, where nobody is.
func signInHere(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	tab.Open("/sign-in")
	if webtest.Eval[bool](tab, `document.documentElement.dataset.me === "amara"`) {
		return
	}
	tab.Do(chromedp.SendKeys(chromedp.CSS("input[name=handle]"), "amara"), chromedp.SendKeys(chromedp.CSS("input[name=password]"), webtest.Password),
		chromedp.Click(chromedp.CSS("main button[type=submit]")), chromedp.WaitReady(chromedp.CSS("html[data-ready][data-me=amara]")))
}

func idOf(rec any) string {
	switch x := rec.(type) {
	case *farm.FirstLayer:
		return x.ID.UUID.String()
	case *farm.Cleaning:
		return x.ID.UUID.String()
	case *farm.Probe:
		return x.ID.UUID.String()
	case *farm.Fitting:
		return x.ID.UUID.String()
	case *farm.ProbeSkipped:
		return x.ID.UUID.String()
	}
	return ""
}

func (r cutReport) check(t *testing.T) {
	t.Helper()
	if r.lost != 0 || r.doubled != 0 || r.refusedEntries != 0 || r.arrived != r.entries {
		t.Errorf("of %d entries %d arrived, %d were lost, %d doubled, %d refused; want all once", r.entries, r.arrived, r.lost, r.doubled, r.refusedEntries)
	}
	if r.answersLost == 0 || r.restarts != 1 || r.expiries != 1 {
		t.Errorf("nothing was put in its way: %d answers lost, %d restarts, %d sessions run out", r.answersLost, r.restarts, r.expiries)
	}
}

// TestThreeCutsInTheBrowser is the small version of TestOfflineTwentyCuts.
func TestThreeCutsInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	r := underCuts(t, 11, 30, 3, 100*time.Second)
	r.check(t)
	t.Logf("30 entries, 3 cuts, %d answers lost: %d arrived, %d lost, %d doubled", r.answersLost, r.arrived, r.lost, r.doubled)
}
