//go:build long

package bed

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestBedValidation judges estimates and advice on simulated beds and writes
// testdata/validation/bed.md. Run by hand (about a minute):
//
//	VALIDATION_SEED=4100 go test -tags long -run BedValidation -timeout 30m -v ./internal/bed
func TestBedValidation(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		seed = 4100
	}
	const beds = 4000
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var out strings.Builder
	fmt.Fprintf(&out, `# Estimates and advice on simulated beds

%d beds a row, seed %d, %s, commit %s. Profile 0.20 × 0.45, nine zones, Z step 0.01 mm, moves of at most 0.05 mm, screws of 0.5 mm pitch turned by eighths.
Nozzle off by a normal error about the middle of the band, tilt from the centre to the outer zones each way, zones off the plane by the shape given.
Gauges differ by 0.002 mm. Graders differ by 0.006 mm and see marks with 0.012 mm from zone to zone. The advice is followed, and looked at again the same way, until it says to leave it.

| evidence | sd of offset, tilt, shape | offset within 0.01 mm | interval holds the truth | mean width of it | in the band before | in the band after | rounds | all zones' plane in the band after |
|---|---|---|---|---|---|---|---|---|
`, beds, seed, time.Now().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	worlds := []struct{ offset, tilt, shape float64 }{{0.06, 0.015, 0}, {0.03, 0.03, 0.008}}
	for k := range kinds {
		for _, w := range worlds {
			s := judge(t, k, beds, seed, w.offset, w.tilt, w.shape)
			line := fmt.Sprintf("| %s | %.3f, %.3f, %.3f | %.3f | %.3f | %.3f mm | %.3f | %.3f | %.2f | %.3f |", kinds[k].name, w.offset, w.tilt, w.shape,
				share(s.within, s.beds), share(s.covered, s.beds), s.width/float64(s.beds), share(s.inBefore, s.beds), share(s.inAfter, s.beds), float64(s.rounds)/float64(s.beds), share(s.zonesAfter, s.beds))
			t.Log(line)
			fmt.Fprintln(&out, line)
			if k == 0 && w.shape == 0 && (share(s.within, s.beds) < 0.95 || share(s.inAfter, s.beds) < 0.95) {
				t.Errorf("nine lines: %s", line)
			}
		}
	}
	const flat = 20000
	tilts := flatTilts(t, flat, seed, 0.02)
	fmt.Fprintf(&out, "\nA tilt was advised on %d of %d level beds read with 0.02 mm noise (%.4f; at most 0.05 is asked).\n", tilts, flat, share(tilts, flat))
	if share(tilts, flat) > 0.05 {
		t.Errorf("a tilt on %d of %d level beds", tilts, flat)
	}
	if err := os.WriteFile(filepath.Join("..", "..", "testdata", "validation", "bed.md"), []byte(out.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}
