//go:build long

package web_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/webtest"
)

// TestOfflineTwentyCuts: 500 entries in two tabs under 20 cuts of the network, with
// answers lost after the server had committed, a restart of the server, a session
// that runs out, and the browser closed: 0 lost, 0 doubled. VALIDATION_SEED chooses
// the draws.
func TestOfflineTwentyCuts(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Setenv("BASECOURSE_BROWSER_TESTS", "1")
	}
	seed := uint64(20)
	if text := os.Getenv("VALIDATION_SEED"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		seed = n
	}
	r := underCuts(t, seed, 500, 20, 15*time.Minute)
	commit, err := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Work without network: 500 entries, 20 cuts\n\nSeed %d, %s, commit %s. Chromium, two tabs of one device; `go test -tags long -run OfflineTwentyCuts -v ./internal/web`.\n"+
		"Entries are grades, cleanings, probes, skips and fittings. A lost answer is one that the server gave after it had committed and that never came.\n\n", seed, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	b.WriteString("| cut | entries kept in it | answers lost | requests without network | entries in the farm when it ended | besides |\n|--:|--:|--:|--:|--:|---|\n")
	for i, x := range r.rows {
		fmt.Fprintf(&b, "| %d | %d | %d | %d | %d | %s |\n", i+1, x.kept, x.lost, x.refused, x.arrived, x.other)
	}
	fmt.Fprintf(&b, "\n%d entries: %d arrived once, **%d lost, %d doubled**, %d refused; %d answers lost. The cuts took %s; %s after the last one all was sent.\n",
		r.entries, r.arrived, r.lost, r.doubled, r.refusedEntries, r.answersLost, r.withoutNetwork.Round(time.Second), r.afterwards.Round(100*time.Millisecond))
	t.Log("\n" + b.String())
	r.check(t)
	if err := os.WriteFile(filepath.Join("..", "..", "testdata", "validation", "offline.md"), []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}
