//go:build long

package planning

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "draw the stored instances anew")

const (
	storedSeed = 2026
	tableFile  = "../../testdata/validation/planning.md"
)

// The 50 stored instances: drawn once, those kept for which a plan with nothing
// late is known.
func drawStored(t *testing.T) (list []*Instance) {
	r := rand.New(rand.NewPCG(storedSeed, 50))
	for seed := uint64(storedSeed); len(list) < 50; seed++ {
		z := size{printers: 2 + r.IntN(39), days: 1 + r.IntN(3)}
		z.jobs, z.people = 1+r.IntN(1+z.printers/2), 1+r.IntN(1+z.printers/6)
		z.starts = max(z.jobs, z.printers*z.days*(2+r.IntN(5))/4)
		in := draw(seed, z)
		p := Solve(in)
		if slices.Max(p.Unplaced) == 0 && p.Cost.Late == 0 {
			list = append(list, in)
		}
	}
	b, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	z, _ := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if _, err := z.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll("testdata", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(storedFile, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return list
}

// TestPlanningValidation holds the bars on all stored instances and writes the
// table.
func TestPlanningValidation(t *testing.T) {
	if *update {
		drawStored(t)
	}
	m := measure(t, stored(t), 1)
	if len(m.gaps) != 50 || m.median() > 0.10 || m.worst() > 0.30 {
		t.Errorf("median gap %.3f, worst %.3f of %d", m.median(), m.worst(), len(m.gaps))
	}
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	text := fmt.Sprintf(`# How far prep plans are from a proven bound

Seed %d, on commit %s. `+"`go test -tags long -run PlanningValidation -v ./internal/planning`"+`

50 stored instances (`+"`internal/planning/%s`"+`), drawn once (`+"`-update`"+`) and kept if a plan with nothing late is known.
Median gap %.1f %% (bar 10 %%), worst %.1f %% (bar 30 %%); %d proven best by looking at all plans. Tasks are what is done before starts; joined: washes of a batch after its first.

| | printers | jobs | starts | people | tasks | joined | cost | bound | gap %% |
|---|---|---|---|---|---|---|---|---|---|
%s`, storedSeed, strings.TrimSpace(string(commit)), storedFile, 100*m.median(), 100*m.worst(), m.exact, m.table)
	if err := os.WriteFile(tableFile, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
