package localdb

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sys/unix"
)

// childDir makes the test binary play a program that uses the cluster in the
// named folder, so that tests can kill it.
const childDir = "LOCALDB_TEST_CHILD_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := childMain(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	useMemoryDisk()
	code := m.Run()
	if dir, err := made(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// diskTemp is the temp folder on disk: programs may be run from there.
var diskTemp = os.TempDir()

// useMemoryDisk puts the tests' clusters on a memory disk where there is one
// with room: initdb alone syncs a thousand files. What a killed process leaves
// behind is the same there.
func useMemoryDisk() {
	const shm = "/dev/shm"
	var st unix.Statfs_t
	if unix.Statfs(shm, &st) == nil && st.Bavail*uint64(st.Bsize) > 2<<30 && unix.Access(shm, unix.W_OK) == nil {
		os.Setenv("TMPDIR", shm)
	}
}

// childMain opens the cluster, says "owner" or "joined", then writes numbers
// and says each one once it is acknowledged, until standard input ends.
func childMain(dir string) error {
	ctx := context.Background()
	c, err := Open(ctx, Options{Dir: dir, Log: func(s string) { fmt.Fprintln(os.Stderr, s) }})
	if err != nil {
		return err
	}
	if err := c.EnsureDatabase(ctx, "farm"); err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, c.URL("farm"))
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_xact_lock(1); CREATE TABLE IF NOT EXISTS n (n bigint, who int)`); err != nil {
		return err
	}
	role := "owner"
	if c.Joined() {
		role = "joined"
	}
	fmt.Println(role)
	quit := make(chan struct{})
	go func() {
		io.Copy(io.Discard, os.Stdin)
		close(quit)
	}()
	for i := 0; ; i++ {
		select {
		case <-quit:
			conn.Close(ctx)
			return c.Close(ctx)
		default:
		}
		if _, err := conn.Exec(ctx, "INSERT INTO n VALUES ($1, $2)", i, os.Getpid()); err != nil {
			return err
		}
		fmt.Println(i)
	}
}

// child is a running childMain.
type child struct {
	t     *testing.T
	cmd   *exec.Cmd
	stdin io.WriteCloser
	role  string
	last  chan int // the last acknowledged number, sent when its output ends
}

// startChild starts the test binary on dir, as another account when cred is
// given, and waits until it has said its role.
func startChild(t *testing.T, dir string, cred *syscall.Credential) *child {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if cred != nil {
		program = copyForAll(t, program)
	}
	c := &child{t: t, cmd: exec.Command(program), last: make(chan int, 1)}
	c.cmd.Env = append(os.Environ(), childDir+"="+dir)
	c.cmd.Dir = "/"
	c.cmd.Stderr = os.Stderr
	// The parent must not leave children behind when it is killed itself.
	c.cmd.SysProcAttr = &syscall.SysProcAttr{Credential: cred}
	if c.stdin, err = c.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.cmd.Process.Kill(); c.cmd.Wait() })
	lines := bufio.NewScanner(out)
	if lines.Scan() {
		c.role = lines.Text()
	}
	go func() {
		last := -1
		for lines.Scan() {
			if n, err := strconv.Atoi(lines.Text()); err == nil {
				last = n
			}
		}
		c.last <- last
	}()
	return c
}

// kill ends the child with SIGKILL and gives the last acknowledged number.
func (c *child) kill() int {
	c.t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		c.t.Fatal(err)
	}
	n := <-c.last
	c.cmd.Wait()
	return n
}

// end lets the child close in good order.
func (c *child) end() {
	c.t.Helper()
	c.stdin.Close()
	<-c.last
	if err := c.cmd.Wait(); err != nil {
		c.t.Errorf("child ended with %v, want success", err)
	}
}

// copyForAll puts the test binary where every account may run it.
func copyForAll(t *testing.T, program string) string {
	t.Helper()
	b, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	dir := openTempDir(t)
	to := filepath.Join(dir, "localdb.test")
	if err := os.WriteFile(to, b, 0o755); err != nil {
		t.Fatal(err)
	}
	return to
}

// openTempDir is a folder that every account may enter, as t.TempDir is not.
func openTempDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(diskTemp, "localdb-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

func testContext(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// open opens the cluster and closes it at the end of the test.
func open(t *testing.T, opts Options) *Cluster {
	t.Helper()
	c, err := Open(testContext(t), opts)
	if err != nil {
		t.Fatalf("Open(%+v): %v", opts.Dir, err)
	}
	t.Cleanup(func() {
		if err := c.Close(context.Background()); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return c
}

// queryText runs one query as the given role and gives its single value.
func queryText(t *testing.T, url, sql string) string {
	t.Helper()
	ctx := testContext(t)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatalf("connect %s: %v", url, err)
	}
	defer conn.Close(ctx)
	var s string
	if err := conn.QueryRow(ctx, sql).Scan(&s); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return s
}

// made is a stopped cluster; initdb takes a second that most tests can spare.
var made = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "localdb-made-")
	if err != nil {
		return "", err
	}
	c, err := Open(context.Background(), Options{Dir: dir, Fast: true})
	if err != nil {
		return "", err
	}
	return dir, c.Close(context.Background())
})

// madeDir is a folder of the test's own with a made, stopped cluster.
func madeDir(t *testing.T) string {
	t.Helper()
	from, err := made()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if out, err := exec.Command("cp", "-a", filepath.Join(from, "postgres"), dir).CombinedOutput(); err != nil {
		t.Fatalf("copy: %v\n%s", err, out)
	}
	return dir
}

// wantNoServer fails when a PostgreSQL process is left in the folder.
func wantNoServer(t *testing.T, dir string) {
	t.Helper()
	data := filepath.Join(dir, "postgres", "data")
	var left []int
	for range 500 {
		if left = processesIn(data); len(left) == 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("PostgreSQL processes %v are left in %s, want none", left, data)
}

// wantMode fails when a path has another mode.
func wantMode(t *testing.T, path string, want os.FileMode) {
	t.Helper()
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := fi.Mode().Perm(); got != want {
		t.Errorf("mode of %s: got %o, want %o", path, got, want)
	}
}

// tcpListeners are the listening TCP sockets among a process's descriptors.
func tcpListeners(t *testing.T, pid int) []string {
	t.Helper()
	listening := map[string]bool{}
	for _, table := range []string{"tcp", "tcp6"} {
		b, err := os.ReadFile("/proc/net/" + table)
		if err != nil {
			continue // no IPv6 here
		}
		for line := range strings.Lines(string(b)) {
			if f := strings.Fields(line); len(f) > 9 && f[3] == "0A" { // TCP_LISTEN
				listening["socket:["+f[9]+"]"] = true
			}
		}
	}
	fds, err := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pid))
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, fd := range fds {
		if to, err := os.Readlink(fd); err == nil && listening[to] {
			found = append(found, to)
		}
	}
	return found
}
