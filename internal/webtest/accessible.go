package webtest

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
)

// axeSource is the accessibility checker, from testdata.
var axeSource = sync.OnceValues(func() (string, error) {
	_, here, _, _ := runtime.Caller(0)
	b, err := os.ReadFile(filepath.Join(filepath.Dir(here), "..", "..", "testdata", "vendor", "axe-core@4.14.1", "axe.min.js"))
	return string(b), err
})

type violation struct {
	ID, Help string
	Nodes    []string
}

// Accessible fails the test for everything axe finds wrong with the page (WCAG 2.2 A
// and AA, and best practices). Where the view has a narrow screen too, what depends
// on width and colours is looked at there in the other colours: contrast, what
// scrolls, and whether targets are large enough for a finger (2.5.8).
func (b *Tab) Accessible() {
	b.t.Helper()
	b.fail(b.violations(""))
	if b.view.Narrow == 0 {
		return
	}
	b.colours(!b.view.Dark)
	b.Resize(b.view.Narrow, 780)
	b.Fits()
	b.fail(b.violations(`runOnly: ["color-contrast", "target-size", "scrollable-region-focusable"], `))
	b.Resize(b.view.Width, b.view.Height)
	b.colours(b.view.Dark)
}

func (b *Tab) fail(list []violation) {
	b.t.Helper()
	for _, v := range list {
		b.t.Errorf("%s: %s: %s\n%s", b.Path(), v.ID, v.Help, strings.Join(v.Nodes, "\n"))
	}
}

// Violations names the rules axe finds broken.
func (b *Tab) Violations() []string {
	b.t.Helper()
	var ids []string
	for _, v := range b.violations("") {
		ids = append(ids, v.ID)
	}
	return ids
}

// violations runs the checker with options of its own, each with a comma behind.
func (b *Tab) violations(options string) []violation {
	b.t.Helper()
	source, err := axeSource()
	if err != nil {
		b.t.Fatal(err)
	}
	if Eval[bool](b, `typeof axe === "undefined"`) { // half a megabyte
		if b.checked { // the tab's next pages have it by themselves, without sending it again
			b.always(source)
		}
		b.checked = true
		Eval[any](b, source+"; null")
	}
	// Of long lists the first hundred are looked at: the others come from the same template.
	// preload would fetch every style sheet anew for a rule that is off anyway.
	found := Eval[string](b, `axe.run({exclude: ["tbody > tr:nth-child(n+101)", "li:nth-child(n+101)"]}, {`+options+`preload: false, resultTypes: ["violations"]}).then(r => JSON.stringify(r.violations.map(v => ({
		id: v.id, help: v.help, nodes: v.nodes.slice(0, 4).map(n => n.html.slice(0, 200) + " | " + n.failureSummary)}))))`)
	var list []violation
	if err := json.Unmarshal([]byte(found), &list); err != nil {
		b.t.Fatal(err)
	}
	return list
}
