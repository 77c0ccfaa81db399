package localdb

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"basecourse/internal/fault"
)

// account is who PostgreSQL runs as. switched says that it is not the account
// this process runs as, which happens only as root.
type account struct {
	uid, gid int
	switched bool
}

// own gives a path to the account.
func (a account) own(path string) error {
	if !a.switched {
		return nil
	}
	if err := os.Lchown(path, a.uid, a.gid); err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	return nil
}

// home is the folder of one cluster.
type home struct {
	dir     string // the data folder, absolute
	root    string // dir/postgres
	socket  string // folder of the socket, known after chooseSocket or join
	account account
}

func (h home) data() string                { return filepath.Join(h.root, "data") }
func (h home) logPath() string             { return filepath.Join(h.root, "log") }
func (h home) pidPath() string             { return filepath.Join(h.data(), "postmaster.pid") }
func (h home) lockPath(name string) string { return filepath.Join(h.root, name+".lock") }

// prepareHome makes the folder, 0700, and finds the account.
func prepareHome(dir string) (home, error) {
	if dir == "" {
		return home{}, fault.New(fault.Invalid, "the data folder has no name")
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return home{}, fmt.Errorf("localdb: %w", err)
	}
	if err := os.MkdirAll(abs, 0o700); err != nil {
		return home{}, fault.Wrap(fault.Forbidden, err, "the data folder %s cannot be made; choose another with --data", abs)
	}
	// One name for one folder, or two ways to it would use two sockets.
	if abs, err = filepath.EvalSymlinks(abs); err != nil {
		return home{}, fmt.Errorf("localdb: %w", err)
	}
	h := home{dir: abs, root: filepath.Join(abs, "postgres")}
	if h.account, err = chooseAccount(abs, h.root); err != nil {
		return home{}, err
	}
	if err := os.Mkdir(h.root, 0o700); err != nil && !os.IsExist(err) {
		return home{}, fault.Wrap(fault.Forbidden, err, "the data folder %s cannot be written; choose another with --data", abs)
	}
	if err := h.account.own(h.root); err != nil {
		return home{}, err
	}
	// The mode is what keeps other accounts from the socket.
	if err := os.Chmod(h.root, 0o700); err != nil {
		return home{}, fault.Wrap(fault.Forbidden, err, "the folder %s belongs to another account; run the command as that account, or choose another folder with --data", h.root)
	}
	return h, nil
}

// chooseAccount keeps to the account that owns the cluster already, because
// PostgreSQL refuses files of others; root never runs it as itself.
func chooseAccount(dir, root string) (account, error) {
	if os.Geteuid() != 0 {
		return account{uid: os.Geteuid(), gid: os.Getegid()}, nil
	}
	if !seesProcesses {
		return account{}, fault.New(fault.Forbidden, "PostgreSQL does not run as root; run as an ordinary user")
	}
	for _, p := range []string{root, dir} {
		if fi, err := os.Stat(p); err == nil {
			if st := fi.Sys().(*syscall.Stat_t); st.Uid != 0 {
				return account{int(st.Uid), int(st.Gid), true}, nil
			}
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err1 == nil && err2 == nil {
			return account{uid, gid, true}, nil
		}
	}
	return account{}, fault.New(fault.NotFound, "PostgreSQL does not run as root, and there is neither an account postgres nor nobody; run as an ordinary user")
}

// command prepares a PostgreSQL program that runs under the cluster's account
// and dies with this process by the given signal. The returned name stands for
// h.root inside the command; release closes what it needs once it has started.
//
// As root the folder is handed over as descriptor 3: its parents (root's home)
// may be closed to the account, and changing their modes is not ours to do.
func (h home) command(death syscall.Signal, program string) (cmd *exec.Cmd, root string, release func(), err error) {
	cmd = exec.Command(program)
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=" + filepath.Dir(program) + ":/usr/bin:/bin", "LC_ALL=C", "TZ=UTC", "HOME=/"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C reaches this process alone
	dieWith(cmd.SysProcAttr, death)
	if !h.account.switched {
		return cmd, h.root, func() {}, nil
	}
	f, err := os.Open(h.root)
	if err != nil {
		return nil, "", nil, fmt.Errorf("localdb: %w", err)
	}
	cmd.ExtraFiles = []*os.File{f}
	cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(h.account.uid), Gid: uint32(h.account.gid)}
	return cmd, "/proc/self/fd/3", func() { f.Close() }, nil
}

// major reads the major version of the data, 0 when there is none yet.
func (h home) major() (int, error) {
	if h.root == "" {
		return 0, nil // no folder yet
	}
	b, err := os.ReadFile(filepath.Join(h.data(), "PG_VERSION"))
	if os.IsNotExist(err) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("localdb: %w", err)
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0, fault.New(fault.Invalid, "%s/PG_VERSION: found %s, expected a major version of PostgreSQL", h.data(), fault.Quote(string(b)))
	}
	return n, nil
}

// initialise runs initdb unless there is a cluster. It works in data.new and
// renames, so that a killed initdb leaves nothing that looks like a cluster.
func (h home) initialise(ctx context.Context, bin binaries, o Options) error {
	have, err := h.major()
	if err != nil {
		return err
	}
	if have != 0 {
		if have != bin.major {
			return fault.New(fault.Conflict, "the data in %s is of PostgreSQL %d, but the programs in %s are of version %d; "+
				"install PostgreSQL %d and set BASECOURSE_POSTGRES_BIN to its bin folder, or move over with `basecourse export` and `import` into a new data folder",
				h.data(), have, bin.dir, bin.major, have)
		}
		return nil
	}
	fresh := filepath.Join(h.root, "data.new")
	if err := os.RemoveAll(fresh); err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	o.log("Making a private PostgreSQL %d in %s.", bin.major, h.root)
	cmd, root, release, err := h.command(syscall.SIGKILL, bin.path("initdb"))
	if err != nil {
		return err
	}
	defer release()
	cmd.Args = append(cmd.Args, "-D", root+"/data.new", "-U", adminRole, "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8")
	if o.Fast {
		cmd.Args = append(cmd.Args, "--no-sync", "--wal-segsize=1")
	} else {
		cmd.Args = append(cmd.Args, "--data-checksums")
	}
	var out strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &out
	p, err := launch(cmd)
	if err != nil {
		return fmt.Errorf("localdb: initdb: %w", err)
	}
	select {
	case <-p.done:
	case <-ctx.Done():
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		<-p.done
		return ctx.Err()
	}
	if p.err != nil && strings.Contains(out.String(), "could not look up effective user ID") {
		return fault.New(fault.NotFound, "the account %d has no name on this machine, and PostgreSQL's initdb needs one; "+
			"add the account (useradd), run as another, or use a PostgreSQL server with DATABASE_URL", h.account.uid)
	}
	if p.err != nil {
		return fmt.Errorf("localdb: initdb failed: %w\n%s", p.err, strings.TrimSpace(out.String()))
	}
	if err := os.Rename(fresh, h.data()); err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	return syncDir(h.root)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	defer d.Close()
	if err := d.Sync(); err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	return nil
}

// longestSocket is what fits into sockaddr_un's sun_path with its final zero.
const longestSocket = 107

// chooseSocket makes the folder of the socket and records it for those who
// join: DIR/postgres/run, or a short one under the temp folder where the
// socket's path would not fit.
func (h *home) chooseSocket() error {
	h.socket = filepath.Join(h.root, "run")
	if len(h.socket+"/.s.PGSQL."+port) > longestSocket {
		sum := sha256.Sum256([]byte(h.dir))
		name := fmt.Sprintf("basecourse-%d-%s", h.account.uid, hex.EncodeToString(sum[:6]))
		h.socket = filepath.Join(os.TempDir(), name)
		if len(h.socket+"/.s.PGSQL."+port) > longestSocket {
			h.socket = filepath.Join("/tmp", name)
		}
	}
	err := os.Mkdir(h.socket, 0o700)
	switch {
	case err == nil:
		if err := h.account.own(h.socket); err != nil {
			return err
		}
	case !os.IsExist(err):
		return fmt.Errorf("localdb: folder of the socket: %w", err)
	}
	// The temp folder is open to all: somebody may have put the name there.
	fi, err := os.Lstat(h.socket)
	if err != nil {
		return fmt.Errorf("localdb: folder of the socket: %w", err)
	}
	if st := fi.Sys().(*syscall.Stat_t); !fi.IsDir() || int(st.Uid) != h.account.uid || fi.Mode().Perm() != 0o700 {
		return fault.New(fault.Forbidden, "%s: expected a folder of mode 0700 that belongs to account %d; remove it, or set TMPDIR to a private folder", h.socket, h.account.uid)
	}
	if err := os.WriteFile(h.socketRecord(), []byte(h.socket), 0o600); err != nil {
		return fmt.Errorf("localdb: %w", err)
	}
	return h.account.own(h.socketRecord())
}

func (h home) socketRecord() string { return filepath.Join(h.root, "socket") }

func (h home) recordedSocket() (string, error) {
	b, err := os.ReadFile(h.socketRecord())
	if err != nil {
		return "", fmt.Errorf("localdb: where the running database listens: %w", err)
	}
	return string(b), nil
}

// endLeftovers ends servers that a killed process left in this folder, and
// clears their lock files. It is called with "owner" held, so no living
// process has a right to them.
//
// PostgreSQL itself recovers from a stale lock file, except where the id in it
// was given to another process of the same account, or still is that of a
// zombie (a container without a process that reaps); and it refuses while a
// backend whose postmaster was killed is still busy.
func (h home) endLeftovers(ctx context.Context, o Options) error {
	signals := []struct {
		sig  syscall.Signal
		wait time.Duration
	}{{syscall.SIGINT, 20 * time.Second}, {syscall.SIGQUIT, 5 * time.Second}, {syscall.SIGKILL, 5 * time.Second}}
	left := processesIn(h.data())
	if len(left) > 0 {
		o.log("Ending the PostgreSQL that a killed command left in %s.", h.root)
	}
	for _, s := range signals {
		if len(left) == 0 {
			break
		}
		targets := left
		if pm := h.postmaster(); slices.Contains(left, pm) {
			targets = []int{pm} // it ends its children in good order
		}
		for _, pid := range targets {
			syscall.Kill(pid, s.sig)
		}
		end := time.Now().Add(s.wait)
		for len(left) > 0 && time.Now().Before(end) {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(10 * time.Millisecond):
			}
			left = processesIn(h.data())
		}
	}
	if len(left) > 0 {
		return fault.New(fault.Busy, "PostgreSQL processes %v of a killed command still run in %s and do not end", left, h.data())
	}
	if !seesProcesses {
		return nil // whether the lock files are stale is PostgreSQL's to find out
	}
	stale := []string{h.pidPath()}
	if socket, err := h.recordedSocket(); err == nil {
		name := filepath.Join(socket, ".s.PGSQL."+port)
		stale = append(stale, name, name+".lock")
	}
	for _, path := range stale {
		if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
			return fmt.Errorf("localdb: %w", err)
		}
	}
	return nil
}

// postmaster is the process id in the lock file, 0 without one.
func (h home) postmaster() int {
	b, err := os.ReadFile(h.pidPath())
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil {
		return 0
	}
	return pid
}
