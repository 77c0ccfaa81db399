package main

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/backupcopy"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestRestoreDrill is the drill of DEVELOPERS.md: a farm is backed up, the backup
// goes into another database, and everything the program says of the farm is the
// same to the byte.
func TestRestoreDrill(t *testing.T) {
	first, second := []string{"DATABASE_URL=" + testdb.New(t)}, []string{"DATABASE_URL=" + testdb.NewEmpty(t)}
	wantCode(t, call(t, first, "", "import", filepath.Join("..", "..", "testdata", "sample-farm")), 0)
	wantCode(t, call(t, first, "correct horse battery\n", "user", "add", "keeper", "--role", "admin", "--password-stdin"), 0)
	token := call(t, first, "", "token", "add", "gateway", "--role", "operator")
	wantCode(t, token, 0)

	file := filepath.Join(t.TempDir(), "farm.backup")
	r := call(t, first, "", "backup", file)
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "password hashes") {
		t.Errorf("the backup does not say what it holds: %s", r.stderr)
	}
	if fi, err := os.Stat(file); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v, %v, want mode 0600", fi.Mode(), err)
	}
	wantCode(t, call(t, first, "", "backup", file), 1) // never over another one
	if list, _ := filepath.Glob(filepath.Join(filepath.Dir(file), "*")); len(list) != 1 {
		t.Errorf("left behind: %v", list)
	}

	r = call(t, second, "", "restore", file)
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "same to the digit") {
		t.Errorf("the restore says %s", r.stderr)
	}
	const when = "2026-04-06T12:00:00+02:00"
	for _, args := range [][]string{{"findings", "--at", when, "--format", "json"}, {"findings", "--at", when, "--known-at", when, "--format", "csv"}} {
		before, after := call(t, first, "", args...), call(t, second, "", args...)
		wantCode(t, before, 0)
		wantCode(t, after, 0)
		if before.stdout != after.stdout {
			t.Errorf("%s differs after the restore", strings.Join(args, " "))
		}
	}
	out := t.TempDir()
	wantCode(t, call(t, first, "", "export", filepath.Join(out, "a")), 0)
	wantCode(t, call(t, second, "", "export", filepath.Join(out, "b")), 0)
	files, err := filepath.Glob(filepath.Join(out, "a", "*.csv"))
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	for _, path := range files {
		before, err1 := os.ReadFile(path)
		after, err2 := os.ReadFile(filepath.Join(out, "b", filepath.Base(path)))
		if err1 != nil || err2 != nil || string(before) != string(after) {
			t.Errorf("%s differs after the restore (%v, %v)", filepath.Base(path), err1, err2)
		}
	}

	// Password and token are good as before, and the API's real findings are as
	// its description says.
	st, err := store.Open(t.Context(), strings.TrimPrefix(second[0], "DATABASE_URL="))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	site := webtest.Over(t, st, "", func(c *web.Config) { c.Findings = newFindings(st) })
	if page := site.SignIn("keeper").Get("/setup"); page.Status != http.StatusOK {
		t.Errorf("signing in after the restore: got %d", page.Status)
	}
	machine := site.Nobody()
	machine.Token = strings.TrimSpace(token.stdout)
	a := machine.Get("/api/v1/findings?at=2026-04-06T10:00:00Z")
	var answer struct{ Findings []any }
	if err := json.Unmarshal([]byte(a.Body), &answer); err != nil || a.Status != http.StatusOK || len(answer.Findings) == 0 {
		t.Errorf("findings over the API: got %d, %v", a.Status, err)
	}
	wantCode(t, call(t, second, "", "restore", file), 1)
}

func TestRestoreRefusesWhatIsNoBackupBeforeItStartsADatabase(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	file := filepath.Join(t.TempDir(), "x")
	if err := os.WriteFile(file, []byte("nothing"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := call(t, nil, "", "restore", "--data", data, file)
	wantCode(t, r, 1)
	if !strings.Contains(r.stderr, "no whole backup") {
		t.Errorf("it says %s", r.stderr)
	}
	if _, err := os.Stat(data); !os.IsNotExist(err) {
		t.Error("a data folder was made for nothing")
	}
}

// TestDailyBackupsAreKept writes more than are kept; each can be restored.
func TestDailyBackupsAreKept(t *testing.T) {
	db := testdb.New(t)
	st, err := store.Open(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	dir := t.TempDir()
	a := &app{ctx: t.Context(), stderr: os.Stderr, set: &settings{Data: dir, KeepBackups: 2}}
	k := a.backups(st)
	now := time.Date(2026, 3, 9, 2, 0, 0, 0, time.UTC)
	k.Now, k.Log = func() time.Time { return now }, nil
	for range 3 {
		if err := k.WriteOne(t.Context()); err != nil {
			t.Fatal(err)
		}
		now = now.Add(backupcopy.Every)
	}
	latest, err := k.Latest(t.Context())
	if err != nil || latest.Kept != 2 || filepath.Dir(latest.Path) != filepath.Join(dir, "backups") {
		t.Errorf("latest: %+v, %v, want two kept in backups", latest, err)
	}
	wantCode(t, call(t, []string{"DATABASE_URL=" + testdb.NewEmpty(t)}, "", "restore", latest.Path), 0)
	a.set.KeepBackups = 0
	if a.backups(st) != nil {
		t.Error("backups are written though none are wanted")
	}
}

// TestABackupForWhichThereIsNoRoom: nothing stands under the name that was asked
// for, nor a part of it beside.
func TestABackupForWhichThereIsNoRoom(t *testing.T) {
	env := []string{"DATABASE_URL=" + testdb.New(t)}
	disk := testdb.SmallDisk(t, 1)
	free := testdb.Fill(t, disk)
	file := filepath.Join(disk, "farm.backup")
	r := call(t, env, "", "backup", file)
	wantCode(t, r, 1)
	if !strings.Contains(r.stderr, "is full") || !strings.Contains(r.stderr, disk) {
		t.Errorf("without room it says\n%s", r.stderr)
	}
	if left := testdb.Files(t, disk); len(left) != 1 {
		t.Errorf("left behind: %v, want the ballast alone", left)
	}
	free()
	wantCode(t, call(t, env, "", "backup", file), 0)
}
