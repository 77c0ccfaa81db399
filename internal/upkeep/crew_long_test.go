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
	"sync"
	"testing"
	"time"

	"basecourse/internal/simfarm"
)

const (
	loopFarms    = 22
	replayFarms  = 40
	loopPrinters = 48
	learnDays    = 7
)

// TestUpkeepValidation lets a simulated crew ask before every start, holds it
// against habit, fixed rules and crews that know more, all on the same draws, and
// writes testdata/validation/upkeep.md. Run by hand (half an hour):
//
//	VALIDATION_SEED=7400 go test -tags long -run UpkeepValidation -timeout 2h -v ./internal/upkeep
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestUpkeepValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 7400
	}
	p := prices()
	var rules [][2]int32
	for _, n := range []int32{0, 1, 2, 3, 4, 6, 8, 12, 20, 40} {
		for _, m := range []int32{0, 5, 8, 12, 20, 40} {
			rules = append(rules, [2]int32{n, m})
		}
	}
	all := simfarm.Scenarios()
	var extra []simfarm.Scenario // farms with effects come a second time
	for _, sc := range all {
		if real(sc) && len(extra) < loopFarms-len(all) {
			extra = append(extra, sc)
		}
	}
	var loops []*loop
	for n, sc := range append(slices.Clone(all), extra...) {
		l := runLoop(t, small(sc, loopPrinters), base+uint64(n), learnDays, nil)
		l.ruled(small(sc, loopPrinters), rules)
		loops = append(loops, l)
		t.Log(l.row(p))
	}
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var s strings.Builder
	fmt.Fprintf(&s, "# Asking what to do before each start\n\nSeeds from %d on, %s, commit %s, `TestUpkeepValidation` of `internal/upkeep`.\n\n", base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	fmt.Fprintf(&s, "## Closed loop\n\n%d simulated farms (`internal/simfarm`) of %d printers, %d plates, 12 to 20 starts a printer and day: %d days of the farm's habit, then %d days in which the crew asks before each start,\n",
		loopFarms, loopPrinters, 2*loopPrinters, habitDays, loopDays)
	fmt.Fprintf(&s, "does what it is told and records it; learned anew every %d days from what was recorded before midnight (the program does so every midnight). Costs by the default settings: failure %.2f, probe %.2f, wipe %.2f, wash %.2f, deep %.2f.\n",
		learnDays, p.Failure, p.Probe, p.Wipe, p.Wash, p.Deep)
	s.WriteString("Every column is on the same draws. Informed: knows every parameter and sees what is recorded (not the marks). Clairvoyant: also sees zeros and oil. Both probe or wipe from the level of\nleast long-run cost on: strong, not proven best. Best rule: of 60 fixed rules (probe each n-th start of {never, 1, 2, 3, 4, 6, 8, 12, 20, 40}, wipe each m-th print of {never, 5, 8, 12, 20, 40}) the cheapest on this very farm, in hindsight.\n\n")
	s.WriteString("| scenario | seed | habit | asked | informed | clairvoyant | best rule | n, m | of informed's saving | of clairvoyant's | failures: habit | asked | informed | probes: habit | asked | informed | cleanings: habit | asked | informed |\n|" + strings.Repeat("---|", 19) + "\n")
	var sum loop
	sum.name = "**all**"
	one := map[[2]int32]float64{}
	hindsight, worst, beaten := 0.0, math.Inf(-1), 0
	for _, l := range loops {
		s.WriteString(l.row(p))
		for _, x := range []struct{ to, from *simfarm.Bill }{{&sum.habit, &l.habit}, {&sum.asked, &l.asked}, {&sum.informed, &l.informed}, {&sum.clairvoyant, &l.clairvoyant}} {
			add(x.to, x.from)
		}
		for r, b := range l.fixed {
			one[r] += b.Cost(p)
		}
		_, c := l.best(p)
		hindsight += c
		if c < l.asked.Cost(p) {
			beaten++
		}
		worst = max(worst, l.asked.Cost(p)/l.habit.Cost(p)-1)
	}
	s.WriteString(sum.row(p))
	habit, asked, informed, clear := sum.habit.Cost(p), sum.asked.Cost(p), sum.informed.Cost(p), sum.clairvoyant.Cost(p)
	bestOne, rule := math.Inf(1), [2]int32{}
	for _, r := range rules {
		if one[r] < bestOne {
			bestOne, rule = one[r], r
		}
	}
	ofInformed, ofClear := (habit-asked)/(habit-informed), (habit-asked)/(habit-clear)
	fmt.Fprintf(&s, "\nSaving over habit, all farms together: %.1f %% of its cost; %.1f %% of the informed crew's saving (wanted: 90), %.1f %% of the clairvoyant's (60).\n", 100*(habit-asked)/habit, 100*ofInformed, 100*ofClear)
	fmt.Fprintf(&s, "Cost %.0f; the best one rule for all farms (probe %s, wipe %s) %.0f; each farm's own best rule, chosen in hindsight, %.0f together, cheaper than asking on %d of %d farms. Dearest against habit: %+.1f %%.\n",
		asked, often(rule[0]), often(rule[1]), bestOne, hindsight, beaten, len(loops), 100*worst)
	fmt.Fprintf(&s, "Habit probes and cleans far more than these prices are worth, so that most of every saving is care left out. A harder measure starts from the farms' own best rules: of what the informed crew saves over those, asking saves %.0f %%; of the clairvoyant's, %.0f %%.\n",
		100*(hindsight-asked)/(hindsight-informed), 100*(hindsight-asked)/(hindsight-clear))
	// Replay of suggestions.
	lower, effects, dearer := 0, 0, 0
	s.WriteString("\n## Following the suggested intervals\n\n")
	fmt.Fprintf(&s, "%d farms: after %d days of habit every printer gets its suggested probing interval, every plate its cleaning interval, kept for %d days.\n\n| scenario | seed | real effects | habit | suggested | change |\n|---|---|---|---|---|---|\n", replayFarms, habitDays, loopDays)
	for n := range replayFarms {
		sc := all[n%len(all)]
		seed := base + 1000 + uint64(n)
		h, f := runFollowing(t, small(sc, loopPrinters), seed)
		change := f.Cost(p)/h.Cost(p) - 1
		is := "no"
		if real(sc) {
			is = "yes"
			effects++
			if change < 0 {
				lower++
			}
		}
		if change > 0.02 {
			dearer++
		}
		fmt.Fprintf(&s, "| %s | %d | %s | %.0f | %.0f | %+.1f %% |\n", sc.Name, seed, is, h.Cost(p), f.Cost(p), 100*change)
	}
	fmt.Fprintf(&s, "\nLower on %d of %d farms with real effects (wanted: 95 %%); dearer by more than 2 %% on %d of %d (wanted: 0).\n", lower, effects, dearer, replayFarms)
	if err := os.WriteFile("../../testdata/validation/upkeep.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
	if ofInformed < 0.9 || ofClear < 0.6 || asked > bestOne || asked > hindsight || worst > 0.02 || float64(lower) < 0.95*float64(effects) || dearer > 0 {
		t.Error("falls short of what was wanted, see the table")
	}
}

// real tells whether probing or cleaning avoids failures on farms of a scenario.
func real(sc simfarm.Scenario) bool {
	return sc.Wander.Share > 0 || sc.OilPlates.Share > 0 || sc.OilPrinters.Share > 0
}

// ruled runs the fixed rules, two at a time.
func (l *loop) ruled(sc simfarm.Scenario, rules [][2]int32) {
	sc.Days = habitDays + loopDays
	var mu sync.Mutex
	var wg sync.WaitGroup
	next := make(chan [2]int32)
	for range 2 {
		wg.Go(func() {
			for r := range next {
				b := simfarm.RunWith(sc, l.seed, simfarm.Every(r[0], r[1]), habitDays).Bill(habitDays)
				mu.Lock()
				l.fixed[r] = b
				mu.Unlock()
			}
		})
	}
	for _, r := range rules {
		next <- r
	}
	close(next)
	wg.Wait()
}

// best is the cheapest fixed rule on this farm.
func (l *loop) best(p simfarm.Prices) (rule [2]int32, cost float64) {
	cost = math.Inf(1)
	for r, b := range l.fixed {
		if c := b.Cost(p); c < cost || c == cost && cmp.Or(cmp.Compare(r[0], rule[0]), cmp.Compare(r[1], rule[1])) < 0 {
			rule, cost = r, c
		}
	}
	return rule, cost
}

func add(to, b *simfarm.Bill) {
	to.Starts, to.Failures, to.Probes = to.Starts+b.Starts, to.Failures+b.Failures, to.Probes+b.Probes
	to.Wipes, to.Washes, to.Deeps = to.Wipes+b.Wipes, to.Washes+b.Washes, to.Deeps+b.Deeps
	to.Expected += b.Expected
}

func (l *loop) row(p simfarm.Prices) string {
	h := l.habit.Cost(p)
	rule, cost, seed := "", "", ""
	if len(l.fixed) > 0 {
		r, c := l.best(p)
		rule, cost, seed = often(r[0])+", "+often(r[1]), fmt.Sprintf("%.0f", c), fmt.Sprint(l.seed)
	}
	care := func(b *simfarm.Bill) int { return b.Wipes + b.Washes + b.Deeps }
	return fmt.Sprintf("| %s | %s | %.0f | %.0f | %.0f | %.0f | %s | %s | %.1f %% | %.1f %% | %d | %d | %d | %d | %d | %d | %d | %d | %d |\n", l.name, seed, h, l.asked.Cost(p), l.informed.Cost(p), l.clairvoyant.Cost(p), cost, rule,
		100*(h-l.asked.Cost(p))/(h-l.informed.Cost(p)), 100*(h-l.asked.Cost(p))/(h-l.clairvoyant.Cost(p)),
		l.habit.Failures, l.asked.Failures, l.informed.Failures, l.habit.Probes, l.asked.Probes, l.informed.Probes, care(&l.habit), care(&l.asked), care(&l.informed))
}

func often(n int32) string {
	if n == 0 {
		return "never"
	}
	return fmt.Sprintf("%d", n)
}
