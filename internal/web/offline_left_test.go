package web_test

import (
	"strings"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// TestADeviceForgetsWhoSignedOutInTheBrowser holds that nothing of a person stays on a
// device of their own once they sign out (ASVS 14.3.1), but what is not sent yet; after a
// session that only ran out they go on recording (see TestWorkWithoutNetworkInTheBrowser).
func TestADeviceForgetsWhoSignedOutInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	x := readyTablet(t, 60*time.Second)
	tab := x.tab.Forgive("ERR_") // a connection from before the cut may fail once more
	kept := func() string {
		return webtest.Eval[string](tab, `(async () => {
			const db = await outbox.open(), all = []
			for (const store of db.objectStoreNames) for (const x of await db.getAll(store)) all.push(JSON.stringify(x))
			for (const name of await caches.keys()) for (const r of await (await caches.open(name)).keys()) all.push(await (await caches.match(r)).text())
			return all.filter(x => !x.includes('"state":"waiting"')).join("\n") // what is not sent yet stays, with its person
		})()`)
	}
	if all := kept(); !strings.Contains(all, "amara") || !strings.Contains(all, "P-2") {
		t.Fatal("before signing out the device keeps neither who works there nor the farm")
	}
	// One entry waits, or was just sent: then its person's name stands in it alone.
	x.net.cut.Store(true)
	x.away("/upkeep/clean?plate=L-1")
	tab.Do(chromedp.Click(chromedp.CSS("input[name=method][value=wash]")), chromedp.Click(chromedp.CSS("button[value=save]")), chromedp.WaitVisible(chromedp.CSS(".saved")))
	x.net.cut.Store(false)
	for _, out := range []struct{ path, button string }{{"/floor", ".who .menu form[action$='/sign-out'] button"}, {"/account", "main form[action$='/account/sign-out'] button"}} {
		tab.Open(out.path)
		readyForOffline(t, tab)
		if out.path == "/floor" {
			tab.Do(chromedp.Click(chromedp.CSS(".who summary")))
		}
		tab.Do(chromedp.Click(chromedp.CSS(out.button)), chromedp.WaitReady(chromedp.CSS("input[name=password]")), chromedp.WaitReady(chromedp.CSS("html[data-outbox=on]")))
		if all := kept(); strings.Contains(all, "P-2") || strings.Count(all, "amara") > 1 {
			t.Errorf("after signing out on %s the device still keeps %s", out.path, all)
		}
		tab.Do(chromedp.SendKeys(chromedp.CSS("input[name=handle]"), "amara"), chromedp.SendKeys(chromedp.CSS("input[name=password]"), webtest.Password), chromedp.Click(chromedp.CSS("main button[type=submit]")), chromedp.WaitReady(chromedp.CSS(".who summary")))
	}
}
