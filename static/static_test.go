package static

import (
	"crypto/sha512"
	"encoding/hex"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func TestFilesAreServedByTheirContent(t *testing.T) {
	s, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	for plain, kind := range map[string]string{"app.css": "text/css; charset=utf-8", "app.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		name := s.Name(plain)
		f, ok := s.Get(name)
		if !ok || f.Type != kind || len(f.Content) == 0 || !regexp.MustCompile(`^(app|icon)-[0-9a-f]{12}\.`).MatchString(name) || f.ETag == "" {
			t.Errorf("%s: got %q as %q with %d bytes, want a name with a hash of its content", plain, name, f.Type, len(f.Content))
		}
	}
	if _, ok := s.Get("app.css"); ok {
		t.Error("a plain name is served too; it would be kept for ever")
	}
	again, err := Load()
	if err != nil || again.Name("app.css") != s.Name("app.css") {
		t.Errorf("loading again: got %q, %v; want the same name", again.Name("app.css"), err)
	}
}

// TestEveryColourHasARole: colours stand in the tokens alone.
func TestEveryColourHasARole(t *testing.T) {
	names, err := filepath.Glob("css/*.css")
	if err != nil {
		t.Fatal(err)
	}
	colour := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|rgb|hsl`)
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if found := colour.FindString(string(b)); found != "" && !strings.Contains(name, "tokens") && !strings.Contains(name, "print") {
			t.Errorf("%s: colour %s outside the tokens", name, found)
		}
	}
}

// TestFilesOfOthersAreUnchanged holds every vendored file against the sums that
// were written when it was copied in.
func TestFilesOfOthersAreUnchanged(t *testing.T) {
	lists, err := filepath.Glob("../testdata/vendor/*/SHA512SUMS")
	if err == nil {
		var served []string
		served, err = filepath.Glob("vendor/*/SHA512SUMS")
		lists = append(lists, served...)
	}
	if err != nil || len(lists) == 0 {
		t.Fatalf("found %d lists of sums, %v", len(lists), err)
	}
	for _, list := range lists {
		b, err := os.ReadFile(list)
		if err != nil {
			t.Fatal(err)
		}
		sums := map[string]string{}
		for line := range strings.Lines(string(b)) {
			sum, name, ok := strings.Cut(strings.TrimSpace(line), "  ")
			if !ok {
				t.Fatalf("%s: cannot read %q", list, line)
			}
			sums[name] = sum
		}
		entries, err := os.ReadDir(filepath.Dir(list))
		if err != nil {
			t.Fatal(err)
		}
		licence := false
		for _, e := range entries {
			if e.Name() == "SHA512SUMS" {
				continue
			}
			licence = licence || strings.HasPrefix(e.Name(), "LICENSE")
			content, err := os.ReadFile(filepath.Join(filepath.Dir(list), e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			sum := sha512.Sum512(content)
			if got := hex.EncodeToString(sum[:]); got != sums[e.Name()] {
				t.Errorf("%s: its sum is not the one in %s", e.Name(), list)
			}
			delete(sums, e.Name())
		}
		if len(sums) > 0 || !licence {
			t.Errorf("%s: names files that are not there (%v), or there is no licence (%v)", list, sums, !licence)
		}
	}
}
