package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const meshText = "first row is the back\n-0.066 -0.014 n/a\n0.031 0.019 0.041\n"

func meshFile(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "bed.txt")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestMeshAnswers(t *testing.T) {
	r := call(t, nil, "", "mesh", meshFile(t, meshText), "--bed-x-mm", "220", "--bed-y-mm", "220", "--margin-mm", "10", "--format", "json")
	wantCode(t, r, 0)
	var got map[string]any
	if err := json.Unmarshal([]byte(r.stdout), &got); err != nil {
		t.Fatal(err)
	}
	var keys []string
	for dec := json.NewDecoder(strings.NewReader(r.stdout)); ; {
		token, err := dec.Token()
		if err != nil {
			break
		}
		if word, ok := token.(string); ok && word != "back" {
			keys = append(keys, word)
		}
	}
	if want := "columns rows x_mm y_mm heights_mm first_row range_mm rms_mm tilt_x_mm_per_m tilt_y_mm_per_m residual_rms_mm"; strings.Join(keys, " ") != want {
		t.Errorf("keys %v, want %s", keys, want)
	}
	heights := got["heights_mm"].([]any)
	if heights[0] != 0.031 || heights[3] != -0.066 || heights[5] != nil || got["first_row"] != "back" || got["x_mm"].([]any)[1] != 110.0 {
		t.Errorf("got %v", got)
	}
	r = call(t, nil, meshText, "mesh", "-")
	wantCode(t, r, 0)
	for _, want := range []string{"3 columns × 2 rows, the text's first row is the back", "1 of 6 points", "positions are not known", "row 1  +0.031  +0.019  +0.041"} {
		if !strings.Contains(r.stdout, want) {
			t.Errorf("lacks %q:\n%s", want, r.stdout)
		}
	}
}

func TestMeshRefuses(t *testing.T) {
	silent, points := "0.1 0.2\n0.3 0.4\n", "x,y,z\n1,1,0.1\n9,1,0.1\n1,9,0.1\n9,9,0.2\n"
	for _, c := range []struct {
		text string
		args []string
		code int
		says string
	}{
		{silent, nil, 1, "--first-row"},
		{silent, []string{"--first-row", "left"}, 2, "--first-row"},
		{silent, []string{"--first-row", "front", "--bed-x-mm", "220"}, 2, "--bed-y-mm"},
		{silent, []string{"--first-row", "front", "--bed-x-mm", "5", "--bed-y-mm", "220"}, 2, "--bed-x-mm"},
		{silent, []string{"--first-row", "front", "--bed-x-mm", "220", "--bed-y-mm", "220", "--margin-mm", "120"}, 2, "--margin-mm"},
		{meshText, []string{"--first-row", "front"}, 1, "expected back"},
		{points, []string{"--first-row", "front"}, 2, "positions"},
		{"0.1 0.2\n0.3\n", nil, 1, "line 2, column 4"},
		{"", nil, 1, "grid of heights"},
		{"0.1 9.2\n0.3 0.4\n", nil, 1, "-5 to 5 mm"},
	} {
		r := call(t, nil, "", append([]string{"mesh", meshFile(t, c.text)}, c.args...)...)
		if r.code != c.code || !strings.Contains(r.stderr, c.says) || r.stdout != "" {
			t.Errorf("%q %v: exit code %d, %q, want %d and %q", c.text, c.args, r.code, r.stderr, c.code, c.says)
		}
	}
	if r := call(t, nil, silent, "mesh", "-", "--first-row", "back"); r.code != 0 {
		t.Errorf("standard input: %d %s", r.code, r.stderr)
	}
	r := call(t, nil, points, "mesh", "-", "--format", "json")
	wantCode(t, r, 0)
	if !strings.Contains(r.stdout, `"coordinates"`) {
		t.Error(r.stdout)
	}
}
