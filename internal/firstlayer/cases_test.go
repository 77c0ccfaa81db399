package firstlayer_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"

	"basecourse/internal/firstlayer"
	"basecourse/internal/intake"
)

type knownCase struct {
	Name, Source string
	Expect       firstlayer.Cause
	Input        json.RawMessage
	file         string
}

func readCases(t testing.TB) []knownCase {
	files, err := filepath.Glob(filepath.Join(casesDir, "*.json"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	var all []knownCase
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var list []knownCase
		if err := json.Unmarshal(text, &list); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		for i := range list {
			list[i].file = filepath.Base(file)
		}
		all = append(all, list...)
	}
	return all
}

// TestCases holds the diagnosis against the test set: layers whose cause is
// known, and those that tell nothing.
func TestCases(t *testing.T) {
	cases := readCases(t)
	matrix := map[[2]firstlayer.Cause]int{}
	type score struct{ right, of int }
	scores := map[string]*score{}
	drawn, ambiguous := 0, score{}
	all := score{}
	var missed bytes.Buffer
	for _, k := range cases {
		c, err := intake.ParseCase(k.Input)
		if err != nil {
			t.Fatalf("%s: %v", k.Name, err)
		}
		a, err := firstlayer.Diagnose(c)
		if err != nil {
			t.Fatalf("%s: %v", k.Name, err)
		}
		got := a.Causes[0].Cause
		matrix[[2]firstlayer.Cause{k.Expect, got}]++
		s := scores[k.file]
		if s == nil {
			s = &score{}
			scores[k.file] = s
		}
		if k.file == "simfarm.json" {
			drawn++
		}
		right := got == k.Expect
		for _, x := range []*score{s, &all} {
			x.of++
			if right {
				x.right++
			}
		}
		if k.Expect == firstlayer.CannotTell {
			ambiguous.of++
			if right {
				ambiguous.right++
			}
		}
		if !right {
			fmt.Fprintf(&missed, "%s (%s): expected %s;", k.Name, k.file, k.Expect)
			for _, r := range a.Causes {
				fmt.Fprintf(&missed, " %s %.2f", r.Cause, r.Chance)
			}
			missed.WriteByte('\n')
		}
	}
	if len(cases) < 60 || 3*drawn < len(cases) {
		t.Errorf("%d cases, %d of them drawn; want 60 or more and a third of them", len(cases), drawn)
	}
	t.Logf("missed:\n%s", &missed)
	t.Logf("confusion matrix, expected by row:\n%s", confusion(matrix))
	for file, s := range scores {
		t.Logf("%s: %d of %d", file, s.right, s.of)
	}
	t.Logf("all: %d of %d (%.0f %%); ambiguous: %d of %d", all.right, all.of, 100*float64(all.right)/float64(all.of), ambiguous.right, ambiguous.of)
	if told := all.of - ambiguous.of; float64(all.right-ambiguous.right) < 0.85*float64(told) {
		t.Errorf("%d of %d named rightly, want 85 %%", all.right-ambiguous.right, told)
	}
	// Of the drawn ones a layer may carry marks of something else that mislead.
	if s := scores["ambiguous.json"]; s.right < s.of || 5*ambiguous.right < 4*ambiguous.of {
		t.Errorf("%d of %d ambiguous layers are told as such", ambiguous.right, ambiguous.of)
	}
}

func confusion(matrix map[[2]firstlayer.Cause]int) string {
	var used []firstlayer.Cause
	for _, c := range firstlayer.Causes {
		for k := range matrix {
			if (k[0] == c || k[1] == c) && !slices.Contains(used, c) {
				used = append(used, c)
			}
		}
	}
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 0, 1, ' ', 0)
	fmt.Fprint(w, "\t")
	for _, c := range used {
		fmt.Fprintf(w, "%.6s\t", c)
	}
	fmt.Fprintln(w)
	for _, r := range used {
		fmt.Fprintf(w, "%s\t", r)
		for _, c := range used {
			if n := matrix[[2]firstlayer.Cause{r, c}]; n > 0 {
				fmt.Fprintf(w, "%d", n)
			}
			fmt.Fprint(w, "\t")
		}
		fmt.Fprintln(w)
	}
	if err := w.Flush(); err != nil {
		return err.Error()
	}
	return out.String()
}
