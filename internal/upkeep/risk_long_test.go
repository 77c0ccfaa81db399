//go:build long

package upkeep

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/simfarm"
)

// TestRiskValidation judges forecasts on held-out weeks of farms of known making
// and writes testdata/validation/risk.md. Run by hand:
//
//	VALIDATION_SEED=4100 go test -tags long -run RiskValidation -timeout 1h -v ./internal/upkeep
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestRiskValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 4100
	}
	row := func(name string, o *heldOut) string {
		slope, with, intercept := o.calibration()
		return fmt.Sprintf("| %s | %d | %d | %.3f | %.3f | %.3f | %.5f | %.5f | %.5f |\n", name, len(o.failed), o.failures(), slope, with, intercept,
			o.brier(o.ours), o.brier(o.printers), o.brier(o.farms))
	}
	all := &heldOut{}
	var rows, held strings.Builder
	farms := 0
	var every covered
	for n, sc := range simfarm.Scenarios() {
		c := newCovered(sc.Printers)
		one := learnAndForecast(sc, base+uint64(n), 42, c.add)
		held.WriteString(c.row(sc.Name))
		for k := range every.in {
			every.in[k] += c.counted(k)
		}
		every.n += c.counted(-1)
		farms++
		all.add(one)
		r := row(sc.Name, one)
		t.Log(r)
		rows.WriteString(r)
	}
	rows.WriteString(row("**all**", all))
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var s strings.Builder
	fmt.Fprintf(&s, "# Chances of failure on held-out weeks\n\n%d farms, one a scenario, seeds from %d on, %s, commit %s. Farms of 120 printers, 240 plates, 12 to 20 starts a printer and day, 85 %% graded (`internal/simfarm`).\n",
		farms, base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	s.WriteString("Learned from the first 6 weeks, once; every graded start of the next 2 weeks forecast as it came, by what had been recorded just before it.\n")
	s.WriteString("Slope and \"with it\": logistic regression of failure on the log-odds said; intercept: the same with the slope held at 1 (calibration in the large).\n\n")
	s.WriteString("| scenario | starts | failures | slope | with it | intercept | Brier score | printer's raw rate | farm's rate |\n|---|---|---|---|---|---|---|---|---|\n")
	s.WriteString(rows.String())
	s.WriteString("\n| tenth of the starts, by what was said | said | failed |\n|---|---|---|\n")
	for k, b := range all.tenths() {
		fmt.Fprintf(&s, "| %d | %.4f | %.4f |\n", k+1, b[0], b[1])
	}
	s.WriteString("\nIntervals: how often a printer's true mean chance over its held-out starts (hidden states known) lies within the mean of their 95 % intervals, a quarter of the starts, printers with at least 12 of these.\n\n")
	s.WriteString("| scenario | printers | now | after cleaning | after probing |\n|---|---|---|---|---|\n" + held.String())
	fmt.Fprintf(&s, "| **all** | %d | %.1f %% | %.1f %% | %.1f %% |\n", every.n, 100*every.share(0), 100*every.share(1), 100*every.share(2))
	if err := os.WriteFile("../../testdata/validation/risk.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
	slope, _, intercept := all.calibration()
	ours := all.brier(all.ours)
	if all.failures() < 5000 || slope < 0.9 || slope > 1.1 || math.Abs(intercept) > 0.1 || ours >= all.brier(all.printers) || ours >= all.brier(all.farms) {
		t.Errorf("%d failures, slope %.3f, intercept %.3f, Brier score %.5f: want 5000 failures, a slope from 0.9 to 1.1, an intercept within 0.1, and a score below %.5f and %.5f",
			all.failures(), slope, intercept, ours, all.brier(all.printers), all.brier(all.farms))
	}
}

func (o *heldOut) failures() (n int) {
	for _, y := range o.failed {
		if y {
			n++
		}
	}
	return n
}

// covered holds true chances against intervals by printer: as it was, on a clean
// plate, with a valid probe.
type covered struct {
	truth, low, high [3][]float64
	starts           []int
	in               [3]int
	n                int
	f                *simfarm.Farm
	oracle           simfarm.Oracle
}

func newCovered(printers int) *covered {
	c := &covered{starts: make([]int, printers)}
	for k := range c.truth {
		c.truth[k], c.low[k], c.high[k] = make([]float64, printers), make([]float64, printers), make([]float64, printers)
	}
	return c
}

func (c *covered) add(f *simfarm.Farm, cast *Forecast, start int, n Next) {
	if c.f != f {
		c.f, c.oracle = f, f.Oracle()
	}
	if start%4 != 0 { // a quarter of them will do
		return
	}
	r := cast.Risk(n)
	i := n.Printer
	c.starts[i]++
	for k, x := range [3]struct {
		was float64
		Chance
	}{{c.oracle.Was[start], r.Now}, {c.oracle.Gap[start], r.Cleaned}, {c.oracle.Probing[start], r.Probed}} {
		c.truth[k][i] += x.was
		c.low[k][i] += x.Low
		c.high[k][i] += x.High
	}
}

// counted is on how many printers interval k holds; -1: how many there are.
func (c *covered) counted(k int) (n int) {
	for i, starts := range c.starts {
		if starts >= 12 && (k < 0 || c.truth[k][i] >= c.low[k][i] && c.truth[k][i] <= c.high[k][i]) {
			n++
		}
	}
	return n
}

func (c *covered) share(k int) float64 { return float64(c.in[k]) / float64(max(1, c.n)) }

func (c *covered) row(name string) string {
	n := float64(max(1, c.counted(-1)))
	return fmt.Sprintf("| %s | %d | %.1f %% | %.1f %% | %.1f %% |\n", name, c.counted(-1), 100*float64(c.counted(0))/n, 100*float64(c.counted(1))/n, 100*float64(c.counted(2))/n)
}

// tenths gives what was said and what came of it, by tenths of what was said.
func (o *heldOut) tenths() (out [10][2]float64) {
	by := make([]int, len(o.ours))
	for i := range by {
		by[i] = i
	}
	slices.SortFunc(by, func(a, b int) int { return cmp.Or(cmp.Compare(o.ours[a], o.ours[b]), a-b) })
	for k := range out {
		part := by[k*len(by)/10 : (k+1)*len(by)/10]
		for _, i := range part {
			out[k][0] += o.ours[i] / float64(len(part))
			if o.failed[i] {
				out[k][1] += 1 / float64(len(part))
			}
		}
	}
	return out
}
