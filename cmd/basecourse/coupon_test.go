package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCouponIsSizedForThePrinter(t *testing.T) {
	env := inEmpty(t)
	wantCode(t, call(t, env, "", "migrate"), 0)
	wantCode(t, call(t, env, "", "import", filepath.Join("..", "..", "testdata", "bundles", "everything")), 0)
	dir := t.TempDir()

	// The latest first layer of R-01 does not say its profile: the defaults, on a
	// grid of 3 × 3.
	file := filepath.Join(dir, "c.3mf")
	r := call(t, env, "", "coupon", "--printer", "R-01", "-o", file)
	wantCode(t, r, 0)
	data, err := os.ReadFile(file)
	if err != nil || !strings.HasPrefix(string(data), "PK") || r.stdout != "" {
		t.Errorf("got %d bytes, %v, and %q on standard output", len(data), err, r.stdout)
	}
	for _, want := range []string{"9 zones, layer 0.20 mm, lines 0.45 mm", "Expected mass 1.76 g at 1.24 g/cm³"} {
		if !strings.Contains(r.stderr, want) {
			t.Errorf("lacks %q: %s", want, r.stderr)
		}
	}
	// Another profile, as STL to standard output; 4 × 5 zones.
	r = call(t, env, "", "coupon", "--printer", "R-02", "--format", "stl", "--layer-height-mm", "0.2", "--line-width-mm", "0.45", "--density-g-cm3", "1.04")
	wantCode(t, r, 0)
	if len(r.stdout) < 84 || (len(r.stdout)-84)%50 != 0 || !strings.Contains(r.stderr, "20 zones") || !strings.Contains(r.stderr, "at 1.04 g/cm³") {
		t.Errorf("got %d bytes of STL, said %q", len(r.stdout), r.stderr)
	}
	for want, x := range map[string]struct {
		code int
		args []string
	}{
		`there is no printer "NONE"`:    {1, []string{"--printer", "NONE"}},
		`--layer-height-mm: found "21"`: {2, []string{"--printer", "R-01", "--layer-height-mm", "21"}},
		"--density-g-cm3: found 0":      {2, []string{"--printer", "R-01", "--density-g-cm3", "0"}},
		"missing flags: --printer":      {2, nil},
		"cannot write":                  {1, []string{"--printer", "R-01", "-o", filepath.Join(dir, "none", "c.3mf")}},
	} {
		r := call(t, env, "", append([]string{"coupon"}, x.args...)...)
		if r.code != x.code || !strings.Contains(r.stderr, want) || r.stdout != "" {
			t.Errorf("%v: exit code %d, %q, want %d and %q", x.args, r.code, r.stderr, x.code, want)
		}
	}
}
