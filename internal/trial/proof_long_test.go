//go:build long

package trial_test

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/simfarm"
	"basecourse/internal/trial"
)

// TestProofValidation counts how often fixes that change nothing, and fixes that
// leave a tenth or three tenths of the failures, are upheld over all scenarios, and
// writes testdata/validation/proofs.md. Run by hand:
//
//	VALIDATION_SEED=54000 go test -tags long -run ProofValidation -timeout 2h -v ./internal/trial
//
// PROOF_SCENARIOS names some of them, for trying; nothing is written then.
func TestProofValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 54000
	}
	const farms = 2
	only := os.Getenv("PROOF_SCENARIOS")
	kinds := []struct {
		word   string
		leaves float64
	}{{"nothing changed", 1}, {"a tenth left", 0.1}, {"three tenths left", 0.3}}
	all := make([]fixesOf, len(kinds))
	rows := make([][]string, len(kinds))
	for n, sc := range simfarm.Scenarios() {
		if only != "" && !strings.Contains(only, sc.Name) {
			continue
		}
		per := make([][2]fixesOf, len(kinds))
		for k := range farms {
			f := simfarm.Run(sc, base+uint64(100*n+k))
			for i, kind := range kinds {
				for subject := range 2 {
					l := fixes(f, subject, kind.leaves)
					per[i][subject].add(l)
					all[i].add(l)
				}
			}
		}
		for i := range kinds {
			for subject, word := range []string{"printers", "plates"} {
				rows[i] = append(rows[i], per[i][subject].row(sc.Name+", "+word))
				t.Log(kinds[i].word, rows[i][len(rows[i])-1])
			}
		}
	}
	text := "# Proofs of fixes\n\n"
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	text += fmt.Sprintf("Seeds from %d, %d farms a scenario, %s, commit %s. `VALIDATION_SEED=%d go test -tags long -run ProofValidation -timeout 2h -v ./internal/trial`\n\n",
		base, farms, time.Now().UTC().Format(time.DateOnly), strings.TrimSpace(string(commit)), base) +
		"Each failed first layer after 28 days opens a proof unless one is open for its printer (plate). First nothing is changed, then every later failure of the subject while its proof is open is kept with the chance said. " +
		fmt.Sprintf("Upheld from odds of %d on, not upheld at %.1f and below, beside at most %d look-alikes. Bar: of fixes that change nothing at most 0.05 upheld over all farms. “Open” ended with the farm.\n", trial.UpheldAt, trial.NotUpheldAt, trial.MostAlike)
	for i, kind := range kinds {
		rows[i] = append(rows[i], all[i].row("**all**"))
		t.Log(kind.word, rows[i][len(rows[i])-1])
		text += "\n## " + kind.word + "\n\n| farms, subject | proofs | upheld | not upheld | open | too little | cannot be shown by counting good layers | good layers in a row asked for, mean | upheld (95 %) |\n|---|---|---|---|---|---|---|---|---|\n" + strings.Join(rows[i], "\n") + "\n"
	}
	if l := all[0]; float64(l.upheld) > 0.05*float64(l.opened) {
		t.Errorf("%d of %d fixes that change nothing were upheld, want at most one in twenty", l.upheld, l.opened)
	}
	if only != "" {
		return
	}
	if err := os.WriteFile("../../testdata/validation/proofs.md", []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
