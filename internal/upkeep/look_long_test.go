//go:build long

package upkeep

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/simfarm"
)

func (t *looked) add(o *looked) {
	t.farms += o.farms
	t.starts += o.starts
	t.listed += o.listed
	t.graded += o.graded
	t.real += o.real
	t.tooThin += o.tooThin
	t.effect += o.effect
	for m := range lookMethods {
		t.raised[m] += o.raised[m]
		t.nothing[m] += o.nothing[m]
		t.found[m] += o.found[m]
		t.held[m] += o.held[m]
		t.asked[m] += o.asked[m]
		for k := range 2 {
			t.rates[k][m] += o.rates[k][m]
			t.in[k][m] += o.in[k][m]
			t.below[k][m] += o.below[k][m]
			t.above[k][m] += o.above[k][m]
		}
	}
}

// TestLookValidation judges findings and rates by the look list, beside those by
// whatever was graded, and writes testdata/validation/look.md. Run by hand:
//
//	VALIDATION_SEED=8800 go test -tags long -run LookValidation -timeout 2h -v ./internal/upkeep
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestLookValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 8800
	}
	const share = 0.25
	all := &looked{}
	var rows []string
	for n, sc := range simfarm.Scenarios() {
		one := &looked{}
		for k := range 2 {
			one.add(lookAt(sc, base+uint64(10*n+k), share))
		}
		all.add(one)
		rows = append(rows, one.row(sc.Name))
		t.Log("\n" + rows[len(rows)-1])
	}
	rows = append(rows, all.row("**all**"))
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var s strings.Builder
	fmt.Fprintf(&s, "# Looking at some: rates and findings by the look list\n\n%d farms, two a scenario, seeds from %d on, %s, commit %s. Farms of 120 printers, 240 plates, 12 to 20 starts a printer and day, 10 weeks (`internal/simfarm`).\n",
		all.farms, base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	fmt.Fprintf(&s, "40 %% of the starts are graded: those on the list (a share of %.0f %%, %.1f %% of all came out; two weeks by lot alone, then by lot and risk), and others by choice: bad-looking layers (marginal, failed) twice as often as good ones, bad-looking ones after a skipped probe three times.\n", 100*share, 100*float64(all.listed)/float64(all.starts))
	s.WriteString("Findings by the list: raised where the list's layers alone raise it and all that were graded do not say otherwise, as the program says it. Real: at least 1 failure per 100 avoidable; nothing: at most 0.2. Rates: how often the mean chance of all starts of a printer (a plate), graded or not, hidden states known, lies within the 95 % interval; from 20 layers of the list on. \"As graded\" takes every graded layer for as good as any other (Wilson's interval).\n\n")
	s.WriteString("| scenario | farms | graded | method | raised where nothing is wrong | real found | printers within | plates within | avoidable within its interval |\n|---|---|---|---|---|---|---|---|---|\n")
	s.WriteString(strings.Join(rows, ""))
	fmt.Fprintf(&s, "\nMisses by the list: printers %d below, %d above the interval; plates %d below, %d above. Mean design effect %.2f. Findings on which the two disagree: %d.\n",
		all.below[0][byList], all.above[0][byList], all.below[1][byList], all.above[1][byList], all.effect/float64(all.farms), all.tooThin)
	if err := os.WriteFile("../../testdata/validation/look.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
	if all.raised[byList] < 50 || float64(all.nothing[byList]) > 0.05*float64(all.raised[byList]) {
		t.Errorf("raised %d, of these %d where nothing is wrong: want at least 50, and at most 5 %%", all.raised[byList], all.nothing[byList])
	}
	for k, what := range []string{"printers", "plates"} {
		if got := all.share(k, byList); got < 0.92 || got > 0.98 {
			t.Errorf("%s: %.3f within their interval, want 0.92 to 0.98", what, got)
		}
	}
}
