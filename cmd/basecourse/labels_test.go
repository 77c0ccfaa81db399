package main

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestLabelsAreWritten(t *testing.T) {
	env := inEmpty(t)
	wantCode(t, call(t, env, "", "migrate"), 0)
	wantCode(t, call(t, env, "", "import", filepath.Join("..", "..", "testdata", "bundles", "everything")), 0)
	r := call(t, env, "", "labels", "--all", "both", "--address", "https://farm.example/bc/", "--from", "5")
	wantCode(t, r, 0)
	if !strings.HasPrefix(r.stdout, "%PDF-") || !strings.Contains(r.stderr, "They lead to https://farm.example/bc/s/TAG") {
		t.Errorf("got %.20q, said %q", r.stdout, r.stderr)
	}
	r = call(t, env, "", "labels", "r1")
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "1 labels on 1 sheets") || !strings.Contains(r.stderr, "Phones will not reach this address. 127.0.0.1") {
		t.Errorf("said %q", r.stderr)
	}
	for want, x := range map[string]struct {
		code int
		args []string
	}{
		"There is no printer or plate": {1, []string{"NONE"}},
		"--paper: found":               {2, []string{"R-01", "--paper", "a3"}},
		"1 to 24":                      {2, []string{"R-01", "--from", "25"}},
		"--address: found":             {2, []string{"R-01", "--address", "farm"}},
		"name tags":                    {2, nil},
	} {
		r := call(t, env, "", append([]string{"labels"}, x.args...)...)
		if r.code != x.code || !strings.Contains(r.stderr, want) || r.stdout != "" {
			t.Errorf("%v: exit code %d, %q, want %d and %q", x.args, r.code, r.stderr, x.code, want)
		}
	}
}
