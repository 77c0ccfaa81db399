package testdb

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
)

// SmallDisk gives a folder on a disk of its own of so many megabytes, which is
// taken away when the test ends. A test is skipped where disks cannot be mounted.
func SmallDisk(t testing.TB, megabytes int) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "basecourse-disk-")
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%dm,mode=0755", megabytes), "tmpfs", dir).CombinedOutput(); err != nil {
		_ = os.Remove(dir)
		t.Skipf("a small disk cannot be mounted here (%v: %s), so that nothing can be filled up", err, strings.TrimSpace(string(out)))
	}
	t.Cleanup(func() {
		// Lazily, so that whatever still holds a file on it keeps nothing mounted.
		if out, err := exec.Command("umount", "-l", dir).CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", dir, err, out)
		}
		_ = os.Remove(dir)
	})
	return dir
}

// Fill takes all room that is left on a small disk; free gives it back.
func Fill(t testing.TB, dir string) (free func()) {
	t.Helper()
	name := filepath.Join(dir, "ballast")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{1 << 20, 1 << 12} {
		for some := make([]byte, size); ; {
			if _, err := f.Write(some); err != nil {
				break
			}
		}
	}
	return func() {
		if err := os.Remove(name); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
}

// NewOn is New with the database's files in a folder of the caller's; the server's
// log of what is written stays elsewhere.
func NewOn(t testing.TB, dir string) string {
	t.Helper()
	c, err := shared()
	if err != nil {
		t.Fatalf("testdb: this test needs PostgreSQL: %v", err)
	}
	place := filepath.Join(dir, "farm")
	if err := os.Mkdir(place, 0o700); err != nil {
		t.Fatal(err)
	}
	fi, err := os.Stat(filepath.Join(c.dir, "postgres", "data"))
	if err != nil {
		t.Fatal(err)
	}
	st := fi.Sys().(*syscall.Stat_t)
	if err := os.Chown(place, int(st.Uid), int(st.Gid)); err != nil {
		t.Fatal(err)
	}
	space := pgx.Identifier{fmt.Sprintf("small%d", count.Add(1))}.Sanitize()
	if err := c.exec(fmt.Sprintf("CREATE TABLESPACE %s OWNER basecourse LOCATION '%s'", space, place)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.exec("DROP TABLESPACE " + space); err != nil && !t.Failed() {
			t.Errorf("testdb: drop tablespace: %v", err)
		}
	})
	return create(t, template+" TABLESPACE "+space)
}

// Files lists what is in a folder and below it.
func Files(t testing.TB, dir string) (names []string) {
	t.Helper()
	if err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			names = append(names, strings.TrimPrefix(path, dir+"/"))
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return names
}
