package web_test

import (
	"strings"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// A device whose store is full says so and keeps what was typed on the page; with
// room again the same entry is saved, and with network again it arrives once.
func TestAFullDeviceSaysSoInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	x := readyTablet(t, 30*time.Second)
	x.net.cut.Store(true)
	x.device.Restart() // the browser reckons with the room it found for half a minute
	x.tab = x.device.Tab(nil, tabletView, 30*time.Second)
	tab := x.tab
	tab.Room(1)
	x.away("/upkeep/clean?plate=L-1")

	tab.Do(chromedp.Click(chromedp.CSS("input[name=method][value=wash]")), chromedp.SendKeys(chromedp.CSS("[name=note]"), strings.Repeat("long words ", 80)), chromedp.Click(chromedp.CSS("button[value=save]")))
	tab.Do(chromedp.WaitVisible(chromedp.CSS("[data-problems]")))
	if words := webtest.Eval[string](tab, `document.querySelector("[data-problems]").textContent`); !strings.Contains(words, "could not be kept") || !strings.Contains(words, "Free some room on the device and save again.") {
		t.Errorf("on a full device it says %q", words)
	}
	if n := webtest.Eval[int](tab, `outbox.list().then(l => l.length)`); n != 0 {
		t.Errorf("%d entries are kept", n)
	}
	if note := webtest.Eval[string](tab, `document.querySelector("[name=note]").value`); !strings.HasPrefix(note, "long words") {
		t.Errorf("the note is %q", note)
	}

	tab.Room(0)
	tab.Do(chromedp.Click(chromedp.CSS("button[value=save]")), chromedp.WaitVisible(chromedp.CSS(".saved")))
	x.net.cut.Store(false)
	signInHere(t, tab)
	x.arrived(1, 20*time.Second)
	tab.Expect("ERR_")
	tab.Expect("401")
}

// A lock that the browser hands to nobody keeps no entry on the device.
func TestALockNobodyGetsKeepsNothingInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	x := readyTablet(t, 60*time.Second)
	tab := x.tab
	webtest.Eval[any](tab, `(() => {
		const request = navigator.locks.request.bind(navigator.locks);
		navigator.locks.request = (name, options, work) => options.steal ? request(name, options, work)
			: new Promise((_, fail) => options.signal.addEventListener("abort", () => fail(options.signal.reason)));
		return null;
	})()`)
	webtest.Eval[any](tab, `outbox.add([{ record: { kind: "cleaning", id: outbox.uuid7(), plate: "L-1", cleaned_at: new Date().toISOString(), method: "wipe" }, words: "Cleaned L-1: wiped" }]).then(() => null)`)
	x.arrived(1, 30*time.Second)
}
