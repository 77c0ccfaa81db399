package webtest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/css"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
)

// BrowserTests tells whether tests in a browser are asked for.
func BrowserTests() bool { return os.Getenv("BASECOURSE_BROWSER_TESTS") == "1" }

var browser struct {
	once  sync.Once
	ctx   context.Context
	close func()
	err   error
}

// Main runs a binary's tests and closes the browser they shared.
func Main(m *testing.M) {
	code := m.Run()
	if browser.close != nil {
		browser.close()
	}
	os.Exit(code)
}

// startBrowser starts the one browser of this test binary.
func startBrowser() {
	dir, err := os.MkdirTemp("", "basecourse-browser-")
	if err != nil {
		browser.err = err
		return
	}
	var end func()
	browser.ctx, end, browser.err = launch(dir)
	browser.close = func() {
		end()
		_ = os.RemoveAll(dir)
	}
}

// launch starts a browser that keeps what it keeps in dir.
func launch(dir string, more ...chromedp.ExecAllocatorOption) (context.Context, func(), error) {
	var path string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		return nil, func() {}, fmt.Errorf("no Chromium in PATH")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(dir),
		// Every page is new to the browser: what it would compile for speed is thrown away.
		chromedp.Flag("js-flags", "--no-opt --no-maglev --no-sparkplug"),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		// Newer versions draw the bars of each window as pages of their own, which took
		// half of the processor though nobody sees them.
		chromedp.Flag("disable-features", "Translate,BlinkGenPropertyTrees,InitialWebUI,WebUIToolbar,WebUILocationBar,WebUIReloadButton,WebUIBackForwardButton,WebUIHomeButton,WebUIPinnedToolbarActions,WebUIExtensionsContainer,WebUIAvatarButton,WebUIAppMenuButton,WebUIOmniboxPopup,WebUIOmniboxFullPopup,WebUIOmniboxAimPopup,PreloadTopChromeWebUI,"+
			// A process in reserve for each new tab, and the pages left behind kept whole: neither is ever used.
			"SpareRendererForSitePerProcess"), chromedp.Flag("disable-back-forward-cache", true))
	opts = append(opts, more...)
	alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, cancel := chromedp.NewContext(alloc)
	return ctx, func() { cancel(); cancelAlloc() }, chromedp.Do(ctx)
}

// Device is a browser of its own, whose tabs share what is kept in it, also after
// it was closed and started again.
type Device struct {
	site *Site
	t    testing.TB
	dir  string
	more []chromedp.ExecAllocatorOption
	ctx  context.Context
	end  func()
}

// Device starts a browser of its own, with more options than the usual.
func (s *Site) Device(t testing.TB, more ...chromedp.ExecAllocatorOption) *Device {
	t.Helper()
	dir, err := os.MkdirTemp("", "basecourse-device-")
	if err != nil {
		t.Fatal(err)
	}
	d := &Device{site: s, t: t, dir: dir, more: more}
	d.start()
	t.Cleanup(func() {
		d.end()
		_ = os.RemoveAll(dir)
	})
	return d
}

func (d *Device) start() {
	d.t.Helper()
	var err error
	if d.ctx, d.end, err = launch(d.dir, d.more...); err != nil {
		d.t.Fatalf("webtest: this test needs a browser: %v", err)
	}
}

// Restart closes the browser and starts it again: sessions are over, what is kept
// on the disk is there.
func (d *Device) Restart() {
	d.t.Helper()
	d.end()
	d.start()
	// At times one was still signed in (seen in a farm kept of a failed test), maybe
	// because a browser that was not let end in time takes itself for crashed.
	if _, err := chromedp.Call(d.ctx, network.ClearBrowserCookies, cdp.Empty{}); err != nil {
		d.t.Fatal(err)
	}
}

// Tab opens a tab, signed in as a client (nil: as the device is).
func (d *Device) Tab(as *Client, v View, patience time.Duration) *Tab {
	d.t.Helper()
	return d.site.tab(d.t, d.ctx, as, v, patience)
}

// View is the size and colours a page is looked at in. Narrow is the width of
// another screen that Accessible looks at as well, in the other colours.
type View struct {
	Name          string
	Width, Height int64
	Narrow        int64
	Dark          bool
	NoScript      bool
}

// Views are those pages are checked in: a desk's and with it a phone's, light and
// dark.
var Views = []View{{Name: "desk-light", Width: 1440, Height: 900, Narrow: 360}}

// AllViews are those to take pictures of.
var AllViews = []View{
	{Name: "tablet-light", Width: 820, Height: 1180}, {Name: "tablet-dark", Width: 820, Height: 1180, Dark: true},
	{Name: "desk-light", Width: 1440, Height: 900}, {Name: "desk-dark", Width: 1440, Height: 900, Dark: true},
	{Name: "phone-light", Width: 360, Height: 780}, {Name: "phone-dark", Width: 360, Height: 780, Dark: true},
}

// Tab is one page in the browser, with its own cookies.
type Tab struct {
	ctx      context.Context
	site     *Site
	t        testing.TB
	view     View
	mu       sync.Mutex
	problems []string
	forgiven []string
	checked  bool // the accessibility checker was on a page before
}

// Tab opens a tab that is signed in as a client (nil: nobody). What the console
// or the content security policy has to say fails the test at its end.
func (s *Site) Tab(t testing.TB, as *Client, v View) *Tab {
	t.Helper()
	browser.once.Do(startBrowser)
	if browser.err != nil {
		t.Fatalf("webtest: this test needs a browser: %v", browser.err)
	}
	tab := s.tab(t, browser.ctx, as, v, 90*time.Second, chromedp.WithNewBrowserContext())
	// Each tab is a new device: its service worker would fetch all of its shell, which
	// takes longer than three pages. A Device has one.
	tab.always(`ServiceWorkerContainer.prototype.register = () => new Promise(() => {})`)
	return tab
}

func (s *Site) tab(t testing.TB, in context.Context, as *Client, v View, patience time.Duration, options ...chromedp.ContextOption) *Tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(in, options...)
	t.Cleanup(cancel)
	ctx, stop := context.WithTimeout(ctx, patience)
	t.Cleanup(stop)
	tab := &Tab{ctx: ctx, site: s, t: t, view: v}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(v.Width, v.Height)); err != nil {
		t.Fatal(err)
	}
	err := colours(ctx, v.Dark)
	if err == nil && v.NoScript {
		_, err = chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	}
	if err != nil {
		t.Fatal(err)
	}
	// Nobody asks the browser about style sheets, which it would otherwise read once more for
	// each page and watch from then on.
	if _, err := chromedp.Call(ctx, css.Disable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	tab.always(`addEventListener("securitypolicyviolation", e => console.error("policy violation: " + e.violatedDirective + " " + e.blockedURI))`)
	if as != nil {
		for _, k := range as.Cookies() {
			if _, err := chromedp.Call(ctx, network.SetCookie, network.SetCookieParams{Name: k.Name, Value: k.Value, URL: s.URL, HTTPOnly: new(true)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleException || m.Type == chromedp.ConsoleWarning {
				tab.note(m.String())
			}
		}
	}()
	t.Cleanup(func() {
		tab.mu.Lock()
		defer tab.mu.Unlock()
		for _, p := range tab.problems {
			t.Errorf("%s: the browser says: %s", v.Name, p)
		}
	})
	return tab
}

// always has every page of the tab run a script before its own.
func (b *Tab) always(script string) {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: script}); err != nil {
		b.t.Fatal(err)
	}
}

func colours(ctx context.Context, dark bool) error {
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	return err
}

// colours switches the tab to dark or light.
func (b *Tab) colours(dark bool) {
	b.t.Helper()
	if err := colours(b.ctx, dark); err != nil {
		b.t.Fatal(err)
	}
}

func (b *Tab) note(problem string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, part := range b.forgiven {
		if strings.Contains(problem, part) {
			return
		}
	}
	b.problems = append(b.problems, problem)
}

// Forgive takes messages of the console that the test provokes for granted, from
// now on.
func (b *Tab) Forgive(parts ...string) *Tab {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forgiven = append(b.forgiven, parts...)
	return b
}

// Expect takes back a message of the console that the test provoked.
func (b *Tab) Expect(part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	kept := b.problems[:0]
	for _, p := range b.problems {
		if !strings.Contains(p, part) {
			kept = append(kept, p)
		}
	}
	b.problems = kept
}

// Do runs steps and fails the test when one does not work. A step that took hold of a
// page just before the next one came in its place is taken again.
func (b *Tab) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	for _, step := range steps {
		err := chromedp.Do(b.ctx, step)
		for again := 0; err != nil && again < 3 && strings.Contains(err.Error(), "node with given id"); again++ {
			err = chromedp.Do(b.ctx, step)
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
}

// Open goes to a page and waits until it says it is ready.
func (b *Tab) Open(path string) {
	b.t.Helper()
	b.Do(chromedp.Navigate(b.site.URL+path), chromedp.WaitReady(chromedp.CSS("html[data-ready]"), chromedp.RetryInterval(20*time.Millisecond)))
}

// Eval gives what a JavaScript expression says.
func Eval[T any](b *Tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Path is where the tab is.
func (b *Tab) Path() string {
	b.t.Helper()
	at, err := chromedp.Run(b.ctx, chromedp.Location())
	if err != nil {
		b.t.Fatal(err)
	}
	return strings.TrimPrefix(at, b.site.URL)
}

// Shot writes a picture of the whole page, or of what a screen shows.
func (b *Tab) Shot(file string, whole bool) {
	b.t.Helper()
	take := chromedp.CaptureScreenshot()
	if whole {
		take = chromedp.FullScreenshot(100)
	}
	png, err := chromedp.Run(b.ctx, take)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(file, png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// Paper prints the page and gives the PDF, with backgrounds left out as
// browsers do unless told otherwise; the file is kept where one is named.
func (b *Tab) Paper(size chromedp.PaperSize, file string) []byte {
	b.t.Helper()
	pdf, err := chromedp.Run(b.ctx, chromedp.PrintToPDF(chromedp.PDFPaper(size), func(p *page.PrintToPDFParams) { p.PreferCSSPageSize = new(true) }))
	if err != nil {
		b.t.Fatal(err)
	}
	if file != "" {
		if err := os.WriteFile(file, pdf, 0o644); err != nil {
			b.t.Fatal(err)
		}
	}
	return pdf
}

// Print shows the page as paper of a width in CSS pixels has it; 0 goes back to
// the screen.
func (b *Tab) Print(width int64) {
	b.t.Helper()
	media, size := "print", width
	if width == 0 {
		media, size = "", 1440
	}
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media})
	if err == nil {
		err = chromedp.Do(b.ctx, chromedp.EmulateViewport(size, 900))
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// Printed is how high the page's main part is as paper has it, in CSS pixels: next to
// nothing where a rule for paper hides all of it.
func (b *Tab) Printed() float64 {
	b.t.Helper()
	media := func(name string) {
		if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: name}); err != nil {
			b.t.Fatal(err)
		}
	}
	media("print")
	defer media("")
	return Eval[float64](b, `document.querySelector("main").getBoundingClientRect().height`)
}

// T is the test the tab belongs to.
func (b *Tab) T() testing.TB { return b.t }

// Resize makes the screen another size, the page staying as it is.
func (b *Tab) Resize(width, height int64) {
	b.t.Helper()
	b.Do(chromedp.EmulateViewport(width, height))
}

// Fits fails the test when the page is wider than its screen.
func (b *Tab) Fits() {
	b.t.Helper()
	if over := Eval[int](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
		b.t.Errorf("%s is %d px wider than the screen", b.Path(), over)
	}
}

// Room sets how many bytes the site may keep on the device; 0: as the browser
// says.
func (b *Tab) Room(bytes float64) {
	b.t.Helper()
	p := storage.OverrideQuotaForOriginParams{Origin: b.site.URL}
	if bytes > 0 {
		p.QuotaSize = &bytes
	}
	if _, err := chromedp.Call(b.ctx, storage.OverrideQuotaForOrigin, p); err != nil {
		b.t.Fatal(err)
	}
}

// SlowCPU makes the tab's processor so many times slower.
func (b *Tab) SlowCPU(times float64) {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: times}); err != nil {
		b.t.Fatal(err)
	}
}
