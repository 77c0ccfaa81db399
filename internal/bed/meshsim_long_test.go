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

// TestMeshHorizonValidation judges the freshness horizon on simulated beds and
// writes testdata/validation/mesh_horizon.md. Run by hand (two minutes, three on a busy machine):
//
//	VALIDATION_SEED=53000 go test -tags long -run MeshHorizonValidation -timeout 30m -v ./internal/bed
func TestMeshHorizonValidation(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		seed = 53000
	}
	const beds = 2000
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var out strings.Builder
	fmt.Fprintf(&out, `# Freshness horizon on simulated beds

%d beds a row, seed %d, %s, commit %s. Band 0.160 to 0.227 mm, aim in its middle. Each bed's height, tilts, twist and bows walk at random with
starts, hours, swaps and services in proportions drawn for each bed and mode (drawMovingBed in meshsim_test.go); the probe errs in every mode and every point. The truth is the horizon by the drawn variances.

%s
`, beds, seed, time.Now().Format("2006-01-02"), strings.TrimSpace(string(commit)), horizonHead)
	for _, meshes := range []int{15, 25, 40, 80, 200} {
		c := checkHorizons(seed, beds, meshes, 5)
		out.WriteString(c.row(meshes, 5) + "\n")
		if share := float64(c.held) / float64(c.beds); share < 0.85 || share > 0.97 {
			t.Errorf("%d meshes: truth within the interval on %.1f %%", meshes, 100*share)
		}
	}
	fmt.Fprintf(&out, `
## Farms

With few meshes a printer's horizon leans on the other printers of its farm (bed.Fleet). On farms that are *alike* the logarithms of what moves a bed differ by an sd of %g between printers and by %g
between the modes of one; of *one in ten odd* a tenth of the printers move three times as far; on farms of *any kind* nothing is alike: each bed is drawn as above. Seed %d. A printer alone
needs %d pairs of meshes with a start between, one of a fleet %d. A farm of fewer than %d printers gets no help: wide is honest there.

%s
`, fleetKinds[0].apart, fleetKinds[0].modes, seed, LeastBetween, LeastInFleet, LeastFleet, fleetHead)
	for _, size := range []struct{ printers, fleets int }{{6, 100}, {20, 30}, {60, 10}} {
		for _, k := range fleetKinds {
			for _, meshes := range []int{8, 15, 25, 40} {
				c := k.checkFleets(seed, size.fleets, size.printers, meshes, false)
				out.WriteString(k.row(&c, size.printers, meshes, false) + "\n")
				if share := float64(c.held) / float64(c.beds); share < 0.85 || share > 0.97 {
					t.Errorf("%s, %d printers, %d meshes: truth within the interval on %.1f %%", k.name, size.printers, meshes, 100*share)
				}
			}
		}
	}
	for _, meshes := range []int{15, 25, 40} {
		c := fleetKinds[0].checkFleets(seed, 30, 20, meshes, true)
		out.WriteString(fleetKinds[0].row(&c, 20, meshes, true) + "\n")
	}
	file := filepath.Join("..", "..", "testdata", "validation", "mesh_horizon.md")
	if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + out.String())
}
