package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/testdb"
)

// TestARestoreRemovesAgain: a backup from before a removal does not bring the name
// back.
func TestARestoreRemovesAgain(t *testing.T) {
	data := t.TempDir()
	first := []string{"DATABASE_URL=" + testdb.New(t), "BASECOURSE_DATA=" + data}
	wantCode(t, call(t, first, "correct horse battery\n", "user", "add", "keeper", "--role", "admin", "--password-stdin"), 0)
	wantCode(t, call(t, first, "correct horse battery\n", "user", "add", "leavername", "--role", "operator", "--password-stdin"), 0)
	wantCode(t, call(t, first, "", "user", "remove", "nobody"), 1)
	wantCode(t, call(t, first, "", "user", "remove", "keeper"), 1) // the last admin
	wantCode(t, call(t, first, "", "user", "remove", "leavername", "--after-days", "-1"), 2)
	wantCode(t, call(t, first, "", "user", "remove", "leavername", "--after-days", "30"), 0)
	other := filepath.Join(t.TempDir(), "old.backup")
	wantCode(t, call(t, first, "", "backup", other), 0)
	wantCode(t, call(t, first, "", "user", "remove", "leavername"), 0)
	second := []string{"DATABASE_URL=" + testdb.NewEmpty(t), "BASECOURSE_DATA=" + data}
	r := call(t, second, "", "restore", other)
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "removed again: 1.") {
		t.Errorf("the restore says %s", r.stderr)
	}
	out := t.TempDir()
	wantCode(t, call(t, second, "", "export", filepath.Join(out, "a")), 0)
	people, err := os.ReadFile(filepath.Join(out, "a", "people.csv"))
	if text := string(people); err != nil || strings.Contains(text, "leavername") || !strings.Contains(text, "left-") {
		t.Errorf("people after the restore:\n%s", text)
	}
	wantCode(t, call(t, second, "", "audit", "verify"), 0)
}
