//go:build long

package findings

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/simfarm"

	"gonum.org/v1/gonum/stat/distuv"
)

// TestFindingsValidation judges the findings on farms of known truth and writes
// testdata/validation/findings.md. Run by hand:
//
//	VALIDATION_SEED=71000 go test -tags long -run FindingsValidation -timeout 2h -v ./internal/findings
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestFindingsValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 71000
	}
	nothingWrong := map[string]bool{"quiet": true, "strict_night": true, "over_bonding": true, "quiet_nasty": true, "grimy": true}
	night := map[string]bool{"strict_night": true, "strict_night_all": true, "quiet_nasty": true, "everything": true}
	all, nights, nulls := &tally{}, &tally{}, &tally{}
	var rows []string
	for n, sc := range simfarm.Scenarios() {
		farms := 4
		if nothingWrong[sc.Name] {
			farms = 8
		}
		per := &tally{}
		for k := range farms {
			per.add(judge(sc, base+uint64(100*n+k), 20))
		}
		all.add(per)
		if night[sc.Name] {
			nights.add(per)
		}
		if nothingWrong[sc.Name] {
			nulls.add(per)
		}
		rows = append(rows, row(sc.Name, per))
		t.Log(rows[len(rows)-1])
	}
	rows = append(rows, row("**all**", all), row("**strict night crew**", nights), row("**nothing wrong**", nulls))
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	limit := func(n int) int {
		b := distuv.Binomial{N: float64(n), P: 0.05}
		k := 0
		for b.CDF(float64(k)) < 0.95 {
			k++
		}
		return k
	}
	var s strings.Builder
	fmt.Fprintf(&s, "# Findings on farms of known truth\n\n%d farms, seeds from %d on, %s, commit %s. Farms of 120 printers, 240 plates, 12 to 20 starts a printer and day, 8 weeks, 85 %% graded (`internal/simfarm`).\n", all.farms, base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	s.WriteString("Truth: failures avoided per 100 graded starts, mean of 20 paired replays. Real: at least 1; nothing: at most 0.2. \"3 per 100\": real from 3 per 100 and 20 expected failures on.\n\n")
	s.WriteString("| scenario | farms | method | raised where nothing is wrong | real found | 3 per 100 found | interval holds truth | of raised |\n|---|---|---|---|---|---|---|---|\n")
	s.WriteString(strings.Join(rows, ""))
	fmt.Fprintf(&s, "\nLimits: raised where nothing is wrong at most %d of %d (all), %d of %d (strict night crew); with nothing wrong %d raised on %d farms.\n", limit(all.raised[ours]), all.raised[ours], limit(nights.raised[ours]), nights.raised[ours], nulls.raised[ours], nulls.farms)
	fmt.Fprintf(&s, "Recall against the oracle's: real %.3f, from 3 per 100 %.3f. Intervals miss below %d, above %d times of %d.\n", ratio(all.foundReal), ratio(all.foundBig), all.intervalLow, all.tooHighs, all.asked)
	if err := os.WriteFile("../../testdata/validation/findings.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
}

var methodNames = [methods]string{"this program", "oracle", "crude exact test", "plain regression"}

func ratio(n [methods]int) float64 { return float64(n[ours]) / float64(max(1, n[oracleMethod])) }

func row(name string, t *tally) string {
	var s strings.Builder
	for m := range methods {
		held, raised := "", ""
		if m == ours {
			held, raised = share(t.held, t.asked), share(t.raisedHeld, t.raised[ours])
		}
		fmt.Fprintf(&s, "| %s | %d | %s | %s | %s | %s | %s | %s |\n", name, t.farms, methodNames[m], share(t.nothing[m], t.raised[m]), share(t.foundReal[m], t.real), share(t.foundBig[m], t.big), held, raised)
	}
	return s.String()
}
