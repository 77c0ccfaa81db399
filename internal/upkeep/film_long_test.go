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

// TestFilmValidation asks of every plate of simulated farms after twelve weeks of habit
// whether to wash it for what wipes leave, and lets a crew that asks work on farms with
// such plates; it writes testdata/validation/wash.md. Run by hand (a few minutes):
//
//	VALIDATION_SEED=5200 go test -tags long -run FilmValidation -timeout 1h -v ./internal/upkeep
func TestFilmValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 5200
	}
	var s strings.Builder
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	fmt.Fprintf(&s, "# Washing for what wipes leave\n\nSeeds from %d on, %s, on commit %s, `TestFilmValidation` of `internal/upkeep`.\n\n", base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	fmt.Fprintf(&s, "Farms of `internal/simfarm`, 48 printers and 96 plates, 84 days of habit (12 to 20 starts a printer and day, a plate cleaned about every 11 prints). On *filmed* farms some plates gather a film that only a wash takes off, with a hazard of 0.05 to 0.4 after 50 prints since the wash;\nfrom %.2f on washing surely pays. Share: of the cleanings that are washes. Told: that it is all but certain that a wash helps, with an interval.\n\n", worthWashing)
	s.WriteString("| scenario | share | seed | films that pay | told | films hardly paying | told | plates without | told | too little data (of films that pay) |\n|" + strings.Repeat("---|", 10) + "\n")
	var with, without filmed
	farms, wrong := 0, 0
	row := func(sc simfarm.Scenario, seed uint64, sum *filmed) {
		sc = small(sc, 48)
		sc.Days = 84
		g := tellFilms(sc, seed)
		for to, from := range map[*int]int{&sum.plates: g.plates, &sum.washed: g.washed, &sum.films: g.films, &sum.found: g.found, &sum.small: g.small, &sum.smallFound: g.smallFound, &sum.little: g.little, &sum.filmsLittle: g.filmsLittle} {
			*to += from
		}
		farms++
		if g.washed > 0 {
			wrong++
		}
		fmt.Fprintf(&s, "| %s | %.2f | %d | %d | %d | %d | %d | %d | %d | %d (%d) |\n", sc.Name, sc.WashShare, seed, g.films, g.found, g.small, g.smallFound, g.plates, g.washed, g.little, g.filmsLittle)
	}
	for n := range uint64(12) {
		sc := simfarm.Filmed()
		sc.WashShare = []float64{0.10, 0.05, 0.25}[n%3]
		row(sc, base+n, &with)
	}
	for n, sc := range append(simfarm.Scenarios(), simfarm.Scenarios()...) {
		if n >= len(simfarm.Scenarios()) {
			sc.WashShare = 0.08
		}
		row(sc, base+100+uint64(n), &without)
	}
	fmt.Fprintf(&s, "\nOf %d films that pay %d were told (%.0f %%), %d more were said to have too little data; of %d that hardly pay %d. Of plates without a film %d of %d on filmed farms and %d of %d on others were told to be washed; on %d of all %d farms there was one.\n",
		with.films, with.found, 100*float64(with.found)/float64(with.films), with.filmsLittle, with.small, with.smallFound, with.washed, with.plates, without.washed, without.plates, wrong, farms)
	t.Log(s.String()[strings.LastIndex(s.String(), "\nOf "):])
	// A crew that asks, against one told of no washes.
	p := prices()
	s.WriteString("\n## Asking on filmed farms\n\nAs in `upkeep.md`: 28 days of habit, then 42 in which the crew asks before each start; beside the same crew told of no washes, on the same draws. Money.\n\n| seed | habit | asked, without washes | asked | washes asked for |\n|---|---|---|---|---|\n")
	saved, dearer := 0.0, 0
	for n := range uint64(8) {
		sc := small(simfarm.Filmed(), 48)
		sc.Days = habitDays + loopDays
		seed := base + 200 + n
		deaf := newAsking(t, sc, learnDays)
		deaf.deaf = true
		habit, none, all := simfarm.Run(sc, seed).Bill(habitDays), simfarm.RunWith(sc, seed, deaf, habitDays).Bill(habitDays), simfarm.RunWith(sc, seed, newAsking(t, sc, learnDays), habitDays).Bill(habitDays)
		saved += none.Cost(p) - all.Cost(p)
		if all.Cost(p) > 1.02*none.Cost(p) {
			dearer++
		}
		fmt.Fprintf(&s, "| %d | %.0f | %.0f | %.0f | %d |\n", seed, habit.Cost(p), none.Cost(p), all.Cost(p), all.Washes)
		t.Logf("%d: %.0f, %.0f, %.0f, %d washes", seed, habit.Cost(p), none.Cost(p), all.Cost(p), all.Washes)
	}
	fmt.Fprintf(&s, "\nAsking with washes saves %.0f against asking without, over all; more than 2 %% dearer on %d of 8.\n", saved, dearer)
	if float64(with.found) < 0.6*float64(with.films) || with.washed+without.washed > (with.plates+without.plates)/1000 || saved <= 0 || dearer > 0 {
		t.Errorf("found %d of %d, wrongly %d of %d, saved %.0f, dearer on %d", with.found, with.films, with.washed+without.washed, with.plates+without.plates, saved, dearer)
	}
	if err := os.WriteFile("../../testdata/validation/wash.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}
