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
// writes testdata/validation/mesh_horizon.md. Run by hand (about a minute):
//
//	VALIDATION_SEED=6100 go test -tags long -run MeshHorizonValidation -timeout 30m -v ./internal/bed
func TestMeshHorizonValidation(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		seed = 6100
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
	file := filepath.Join("..", "..", "testdata", "validation", "mesh_horizon.md")
	if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + out.String())
}
