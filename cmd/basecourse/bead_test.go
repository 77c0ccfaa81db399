package main

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestBeadSaysTheBand(t *testing.T) {
	r := call(t, nil, "", "bead", "--strand-gap-mm", "0.03")
	wantCode(t, r, 0)
	for _, want := range []string{"0.160 to 0.227 mm, middle 0.194 mm", "0.407 mm apart", "From 0.322 mm", "a gap of 0.252 mm; the nozzle stands 0.058 mm above the middle"} {
		if !strings.Contains(r.stdout, want) {
			t.Errorf("lacks %q:\n%s", want, r.stdout)
		}
	}
	r = call(t, nil, "", "bead", "--layer-height-mm", "0.3", "--line-width-mm", "0.3", "--gap-mm", "0.2,0.4", "--format", "json")
	wantCode(t, r, 0)
	var got struct {
		SlitsOpen *float64 `json:"slits_open_mm"`
		Hold      float64  `json:"hold_lost_mm"`
		At        []struct {
			Gap   float64 `json:"gap_mm"`
			Width float64 `json:"width_mm"`
		}
		Seen *struct{}
	}
	if err := json.Unmarshal([]byte(r.stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.SlitsOpen != nil || got.Hold != 0.3 || len(got.At) != 2 || got.At[1].Width != 0.3 || got.Seen != nil {
		t.Errorf("a round line: got %+v", got)
	}
}

func TestBeadRefusesByFlag(t *testing.T) {
	for want, args := range map[string][]string{
		"--layer-height-mm: found \"21\"": {"--layer-height-mm", "21"},
		"--line-width-mm: found \"0.15\"": {"--line-width-mm", "0.15"},
		"--line-pitch-mm: found \"0.1\"":  {"--line-pitch-mm", "0.1"},
		"--overfill-limit: found \"-1\"":  {"--overfill-limit=-1"},
		"--strand-gap-mm: found \"1\"":    {"--strand-gap-mm", "1"},
		"--gap-mm: found 0":               {"--gap-mm", "0"},
	} {
		r := call(t, nil, "", append([]string{"bead"}, args...)...)
		if r.code != 2 || !strings.Contains(r.stderr, want) || r.stdout != "" {
			t.Errorf("%v: exit code %d, %q, want 2 and %q", args, r.code, r.stderr, want)
		}
	}
}
