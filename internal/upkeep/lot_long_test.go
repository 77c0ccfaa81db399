//go:build long

package upkeep

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/simfarm"
)

// TestLotValidation holds what the standing lot tells, and what a comparison by what was
// done tells, against the truth of farms with a hidden confounder, says what the lot
// costs, and writes testdata/validation/lot.md. Run by hand (a quarter of an hour):
//
//	VALIDATION_SEED=9200 go test -tags long -run LotValidation -timeout 2h -v ./internal/upkeep
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestLotValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 9200
	}
	farms, err := strconv.Atoi(os.Getenv("VALIDATION_FARMS"))
	if err != nil {
		farms = 60
	}
	sc := small(simfarm.Moody(), loopPrinters)
	runs := make([][2]lotRun, farms)
	next := make(chan int)
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for n := range next {
				runs[n] = runLot(t, sc, base+uint64(n))
				t.Log(n, runs[n][0].row(), runs[n][1].row())
			}
		})
	}
	for n := range farms {
		next <- n
	}
	close(next)
	wg.Wait()
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var s strings.Builder
	fmt.Fprintf(&s, "# What the standing lot tells\n\nSeeds %d to %d, %s, commit %s, `TestLotValidation` of `internal/upkeep`.\n\n", base, base+uint64(farms)-1, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	fmt.Fprintf(&s, "%d simulated farms (`simfarm.Moody`) of %d printers: %d days of habit, then %d days in which the crew asks before each start, with the standing lot at a limit of %g of a failure's cost. A printer's bad days and printers\nthat are given up on fail more for reasons no record tells, and the same moods make the crew skip what it was told. True: by the simulation's own chances of each drawn start, done and not. All figures are failures of 100 starts spared.\n\n", farms, loopPrinters, habitDays, loopDays, lotLimit)
	s.WriteString("As drawn: what drawing it spares, whoever followed. Done: what doing it spares among starts that followed the draw. By what was done: the same starts compared by what was done, and the same within printers\n(Mantel and Haenszel). Held: the 95 % limits hold the true figure of doing it.\n\n")
	s.WriteString("| seed | task | draws graded | followed, of 100 | true as drawn | as drawn | held | true of doing | done | held | by what was done | held | within printers | held |\n|" + strings.Repeat("---|", 14) + "\n")
	type held struct{ n, drawn, done, plain, within, starts, caused int }
	var of [3]held
	var cost, sure float64
	worst := 0.0
	for n := range runs {
		for k := range runs[n] {
			x := &runs[n][k]
			s.WriteString(x.row())
			if !x.e.Enough() {
				continue
			}
			for _, h := range []*held{&of[k], &of[2]} {
				h.n++
				h.starts += x.told
				for _, c := range []struct {
					to *int
					is bool
				}{{&h.drawn, x.heldDrawn}, {&h.done, x.heldDone}, {&h.plain, x.heldPlain}, {&h.within, x.heldWithin}, {&h.caused, x.e.Low > 0}} {
					if c.is {
						*c.to++
					}
				}
			}
		}
		cost, sure = cost+runs[n][0].cost, sure+runs[n][0].sureCost
		worst = max(worst, runs[n][0].cost/runs[n][0].sureCost-1)
	}
	share := func(k, n int) string { return fmt.Sprintf("%.1f %%", 100*float64(k)/float64(n)) }
	s.WriteString("\n| task | farms with enough draws | graded draws | as drawn held | done held | by what was done held | within printers held | lower limit as drawn above 0 |\n|" + strings.Repeat("---|", 8) + "\n")
	for k, name := range []string{"probe", "wipe", "**both**"} {
		h := of[k]
		fmt.Fprintf(&s, "| %s | %d | %d | %s | %s | %s | %s | %d |\n", name, h.n, h.starts, share(h.drawn, h.n), share(h.done, h.n), share(h.plain, h.n), share(h.within, h.n), h.caused)
	}
	fmt.Fprintf(&s, "\nCost of all farms with the lot %.0f, without it %.0f (expected failures, probes and cleanings by the default settings): %+.2f %% (wanted: at most 1 %%). Dearest farm: %+.2f %%.\n", cost, sure, 100*(cost/sure-1), 100*worst)
	s.WriteString("Seeds 9100 to 9103 were looked at while the scenario was made.\n")
	if err := os.WriteFile("../../testdata/validation/lot.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
	h := of[2]
	for name, x := range map[string]int{"as drawn": h.drawn, "done": h.done} {
		if c := float64(x) / float64(h.n); c < 0.92 || c > 0.98 {
			t.Errorf("%s: held in %.3f", name, c)
		}
	}
	if float64(h.plain)/float64(h.n) >= 0.92 || cost > 1.01*sure {
		t.Error("falls short of what was wanted, see the table")
	}
}
