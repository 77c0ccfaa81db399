package testdb

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sys/unix"

	"basecourse/internal/localdb"
	"basecourse/internal/store"
	"basecourse/migrations"
)

// cluster is this test binary's server.
type cluster struct {
	db      *localdb.Cluster
	dir     string   // root/run-…
	lock    *os.File // held while this process lives
	janitor io.WriteCloser
	kept    sync.Once

	adminMu sync.Mutex
	admin   *pgx.Conn // nil until exec needs it
}

// startCluster starts a copy of the made cluster.
func startCluster() (*cluster, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	made, err := makeCluster(ctx)
	if err != nil {
		return nil, err
	}
	root, err := privateDir(MemoryDisk())
	if err != nil {
		return nil, err
	}
	sweep(root)
	dir, err := os.MkdirTemp(root, "run-")
	if err != nil {
		return nil, err
	}
	c := &cluster{dir: dir}
	if c.lock, err = lockDir(dir, unix.LOCK_EX); err != nil {
		return nil, err
	}
	if err := c.startJanitor(); err != nil {
		return nil, err
	}
	if err := copyTree(filepath.Join(made, "postgres"), filepath.Join(dir, "postgres")); err != nil {
		return nil, err
	}
	c.db, err = localdb.Open(ctx, localdb.Options{Dir: dir, BinDir: binDir(), Fast: true, NoFetch: true})
	return c, err
}

// makeCluster gives the folder of a stopped cluster that holds the migrated
// template. The first caller on a machine makes it, others wait.
func makeCluster(ctx context.Context) (string, error) {
	bin, version, err := localdb.Programs(ctx, binDir())
	if err != nil {
		return "", err
	}
	key, err := schemaKey(version)
	if err != nil {
		return "", err
	}
	root, err := privateDir(os.TempDir())
	if err != nil {
		return "", err
	}
	guard, err := lockDir(root, unix.LOCK_EX)
	if err != nil {
		return "", err
	}
	defer guard.Close()
	made := filepath.Join(root, "made-"+key)
	if _, err := os.Stat(made); err == nil {
		now := time.Now()
		return made, os.Chtimes(made, now, now)
	}
	forget(filepath.Join(root, "made-*"), 3)
	forget(filepath.Join(root, "making-*"), 0) // of a killed run; we hold the lock
	fresh, err := os.MkdirTemp(root, "making-")
	if err != nil {
		return "", err
	}
	db, err := localdb.Open(ctx, localdb.Options{Dir: fresh, BinDir: bin, Fast: true, NoFetch: true})
	if err != nil {
		return "", err
	}
	err = db.EnsureDatabase(ctx, template)
	if err == nil {
		err = store.Migrate(ctx, db.URL(template))
	}
	if err := errors.Join(err, db.Close(ctx)); err != nil {
		return "", errors.Join(err, os.RemoveAll(fresh))
	}
	return made, os.Rename(fresh, made)
}

// schemaKey hashes what a made cluster depends on.
func schemaKey(version string) (string, error) {
	sum := sha256.New()
	fmt.Fprintln(sum, "1", version) // 1: how makeCluster makes it
	err := fs.WalkDir(migrations.FS, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(migrations.FS, path)
		fmt.Fprintf(sum, "%s %d\n%s", path, len(b), b)
		return err
	})
	return hex.EncodeToString(sum.Sum(nil)[:8]), err
}

// MemoryDisk is the folder where a cluster that need not outlast the tests is
// fastest: a memory disk with room, or the temp folder.
func MemoryDisk() string {
	const shm = "/dev/shm"
	var st unix.Statfs_t
	if unix.Statfs(shm, &st) == nil && uint64(st.Bavail)*uint64(st.Bsize) > 2<<30 && unix.Access(shm, unix.W_OK) == nil {
		return shm
	}
	return os.TempDir()
}

// privateDir makes a folder for this account alone in a place open to all.
func privateDir(parent string) (string, error) {
	dir := filepath.Join(parent, fmt.Sprintf("basecourse-test-%d", os.Getuid()))
	if err := os.Mkdir(dir, 0o700); err != nil && !os.IsExist(err) {
		return "", err
	}
	fi, err := os.Lstat(dir)
	if err != nil {
		return "", err
	}
	if st := fi.Sys().(*syscall.Stat_t); !fi.IsDir() || int(st.Uid) != os.Getuid() || fi.Mode().Perm() != 0o700 {
		return "", fmt.Errorf("%s: expected a folder of mode 0700 that belongs to account %d; remove it", dir, os.Getuid())
	}
	return dir, nil
}

// lockDir locks the file "lock" in dir, waiting unless how says not to.
func lockDir(dir string, how int) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		if err = unix.Flock(int(f.Fd()), how); !errors.Is(err, unix.EINTR) {
			break
		}
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// The janitor outlives this process, whatever ends it: it reads from a pipe
// until that breaks (a failed test says "keep" while others still run), waits for the server, which dies with us, and then
// removes the folder, or puts it aside when told to keep it.
const janitorScript = `read word
while read -r more; do :; done
n=0
while [ -e "$1/postgres/data/postmaster.pid" ] && [ $n -lt 200 ]; do sleep 0.05; n=$((n+1)); done
if [ "$word" = keep ]; then mv "$1" "$2"; else rm -rf "$1"; fi`

func (c *cluster) startJanitor() error {
	cmd := exec.Command("/bin/sh", "-c", janitorScript, "sh", c.dir, c.keptDir())
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for the tests
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	c.janitor = pipe
	return cmd.Start()
}

// keep leaves the cluster behind for a person to look at.
func (c *cluster) keep() {
	c.kept.Do(func() { io.WriteString(c.janitor, "keep\n") })
}

func (c *cluster) keptDir() string {
	return filepath.Join(filepath.Dir(c.dir), strings.Replace(filepath.Base(c.dir), "run-", "kept-", 1))
}

// sweep removes what runs left whose janitor was killed too, and old kept ones.
func sweep(root string) {
	runs, _ := filepath.Glob(filepath.Join(root, "run-*")) // well formed
	for _, dir := range runs {
		// A run takes its lock right after making its folder.
		if fi, err := os.Stat(dir); err != nil || time.Since(fi.ModTime()) < time.Minute {
			continue
		}
		if l, err := lockDir(dir, unix.LOCK_EX|unix.LOCK_NB); err == nil {
			os.RemoveAll(dir)
			l.Close()
		}
	}
	forget(filepath.Join(root, "kept-*"), 3)
}

// forget removes all but the newest n folders.
func forget(pattern string, n int) {
	dirs, _ := filepath.Glob(pattern) // well formed
	age := func(dir string) time.Time {
		fi, err := os.Stat(dir)
		if err != nil {
			return time.Time{}
		}
		return fi.ModTime()
	}
	sort.Slice(dirs, func(i, j int) bool { return age(dirs[i]).After(age(dirs[j])) })
	for i, dir := range dirs {
		if i >= n {
			os.RemoveAll(dir)
		}
	}
}

// copyTree copies folders and files with mode and owner; other kinds (the
// socket) are left out.
func copyTree(from, to string) error {
	return filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		fi, err := d.Info()
		if err != nil {
			return err
		}
		target := to + strings.TrimPrefix(path, from)
		switch {
		case d.IsDir():
			err = os.Mkdir(target, fi.Mode().Perm())
		case fi.Mode().IsRegular():
			err = copyFile(path, target, fi.Mode().Perm())
		default:
			return nil
		}
		if err != nil {
			return err
		}
		st := fi.Sys().(*syscall.Stat_t)
		return os.Lchown(target, int(st.Uid), int(st.Gid))
	})
}

func copyFile(from, to string, mode fs.FileMode) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
