//go:build long

package firstlayer_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/firstlayer"
	"basecourse/internal/simfarm"
)

// TestHoldValidation compares the word said of a running layer with whether the
// layer holds on invented farms and writes testdata/validation/hold.md: with what
// is taken for granted, and after four weeks of what became of layers that were let
// run. Run by hand (half a minute):
//
//	VALIDATION_SEED=52000 go test -tags long -run HoldValidation -v ./internal/firstlayer
func TestHoldValidation(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		seed = 52000
	}
	const farms = 2
	words := []string{"It likely holds.", "It may hold.", "It likely does not hold."}
	var out strings.Builder
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	fmt.Fprintf(&out, `# Whether a running layer holds, on invented farms

%d farms a row, seeds from %d, %s, on top of commit %s. Layers with marks from the fifth week on. Held is what the farm knows: no cause spoiled it, whatever its grader said. "Let run" are those not graded
failed; "all" also has those that were stopped, told by their marks alone before anybody graded them (then what was learned is left out: it is of layers that somebody looked at and let run). "Learned" takes what became of the layers let run in the first four weeks, by mark and severity. Likely is to be 80 %% or more, may 50 to
80 %%, likely not below 50 %%; to be too careful costs starts, to be too bold parts.

| farm | layers | chance from | said | held | of | share |
| --- | --- | --- | --- | --- | --- | --- |
`, farms, seed, time.Now().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	for _, name := range []string{"wander", "everything"} {
		s, _ := simfarm.Named(name)
		var tallies [3][3]tally // let run: taken for granted, learned; all: taken for granted
		for i := range uint64(farms) {
			f := simfarm.Run(s, seed+i)
			b := f.Bundle()
			type key struct {
				mark     string
				severity uint8
			}
			counts := map[key]*tally{}
			var held []firstlayer.Held
			learned := false
			for n := range b.FirstLayers {
				l := &b.FirstLayers[n]
				if len(l.Marks) == 0 || l.Grade == "" {
					continue
				}
				stopped := l.Grade == "failed"
				holds := !f.Hidden(n).Spoiled
				if l.StartedAt.Sub(s.Start) < 28*24*time.Hour {
					if stopped {
						continue
					}
					worst := map[string]uint8{}
					for _, m := range l.Marks {
						worst[m.Mark] = max(worst[m.Mark], m.Severity)
					}
					for m, severity := range worst {
						k := key{m, severity}
						if counts[k] == nil {
							counts[k] = &tally{}
						}
						counts[k].add(holds)
					}
					continue
				}
				if !learned {
					learned = true
					for k, x := range counts {
						held = append(held, firstlayer.Held{Mark: k.mark, Severity: k.severity, Held: x.right, Lost: x.of - x.right})
					}
				}
				for j := range 3 {
					if stopped && j < 2 {
						continue
					}
					c := firstlayer.NewCase()
					c.Layer, c.Running = *l, true
					if j > 0 {
						c.Farm.Held = held
					}
					if j == 2 {
						c.Layer.Grade = ""
					}
					a, err := firstlayer.Diagnose(&c)
					if err != nil {
						t.Fatal(err)
					}
					for w, text := range words {
						if strings.Contains(a.Holds, text) {
							tallies[j][w].add(holds)
						}
					}
				}
			}
		}
		for j, from := range []string{"let run | taken for granted", "let run | learned", "all | ungraded"} {
			for w, text := range words {
				x := tallies[j][w]
				share := "–"
				if x.of > 0 {
					share = fmt.Sprintf("%.0f %%", 100*x.share())
				}
				fmt.Fprintf(&out, "| %s | %s | %s | %d | %d | %s |\n", name, from, strings.TrimSuffix(text, "."), x.right, x.of, share)
				if lowest := []float64{0.8, 0.5, 0}[w]; j == 1 && x.of >= 50 && x.share() < lowest {
					t.Errorf("%s, %s: %s", name, text, x)
				}
			}
		}
	}
	if err := os.WriteFile(filepath.Join("..", "..", "testdata", "validation", "hold.md"), []byte(out.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + out.String())
}
