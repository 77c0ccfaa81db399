package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestHardeningNamesTestsThatExist holds the list in DEVELOPERS.md against the
// tests there are.
func TestHardeningNamesTestsThatExist(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, list, _ := strings.Cut(string(text), "## What must not go wrong")
	list, _, _ = strings.Cut(list, "\n## ")
	names := regexp.MustCompile(`\b(Test|Fuzz)[A-Z][A-Za-z0-9]+`).FindAllString(list, -1)
	if len(names) < 60 {
		t.Fatalf("%d tests are named, want the whole list", len(names))
	}
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)[A-Za-z0-9]+)\(`)
	if err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		b, err := os.ReadFile(path)
		for _, m := range declared.FindAllSubmatch(b, -1) {
			there[string(m[1])] = true
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if !there[name] {
			t.Errorf("DEVELOPERS.md names %s, which is no test", name)
		}
	}
}
