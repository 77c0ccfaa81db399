package localdb

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"basecourse/internal/fault"
)

// process is a started child; err is valid once done is closed.
type process struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error
}

// launch starts cmd from a thread that stays until the child has ended: the
// kernel sends the death signal when the thread that started it ends, not the
// process.
func launch(cmd *exec.Cmd) (*process, error) {
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		p.err = cmd.Wait()
		close(p.done)
	}()
	return p, <-started
}

// supervisor keeps one server running until it is told to stop: killed by
// somebody else (a machine short of memory), it is started again.
type supervisor struct {
	opts     Options
	home     home
	bin      binaries
	adminURL string

	mu       sync.Mutex
	current  *process
	stopping bool
	quit     chan struct{} // closed by stop
	ended    chan struct{} // closed when watch has returned
}

func (s *supervisor) start(ctx context.Context) error {
	s.quit, s.ended = make(chan struct{}), make(chan struct{})
	p, err := s.launchServer(ctx)
	for try := 1; err != nil && s.inTheWay(p) && try < 5; try++ {
		if err = s.home.endLeftovers(ctx, s.opts); err == nil {
			p, err = s.launchServer(ctx)
		}
	}
	if err != nil {
		close(s.ended)
		return err
	}
	go s.watch(p)
	return nil
}

// errOther says that what answers is not the server that was started.
var errOther = errors.New("another server answered")

// inTheWay tells whether another server kept p from starting: one that a killed
// command had started so lately that it could not be seen among the leftovers.
func (s *supervisor) inTheWay(p *process) bool {
	pm := s.home.postmaster()
	return pm != 0 && (p == nil || pm != p.cmd.Process.Pid) || len(processesIn(s.home.data())) > 0
}

// launchServer starts the server and waits until it answers. A process that did
// not become the server is ended and given back with the error.
func (s *supervisor) launchServer(ctx context.Context) (*process, error) {
	cmd, root, release, err := s.home.command(syscall.SIGINT, s.bin.path("postgres"))
	if err != nil {
		return nil, err
	}
	defer release()
	socket := s.home.socket
	if rest, ok := strings.CutPrefix(socket, s.home.root+"/"); ok {
		socket = root + "/" + rest
	}
	cmd.Args = append(cmd.Args, "-D", root+"/data", "-k", socket)
	for _, setting := range s.settings() {
		cmd.Args = append(cmd.Args, "-c", setting)
	}
	log, err := s.openLog()
	if err != nil {
		return nil, err
	}
	defer log.Close()
	cmd.Stdout, cmd.Stderr = log, log
	p, err := launch(cmd)
	if err != nil {
		return nil, fmt.Errorf("localdb: start %s: %w", cmd.Path, err)
	}
	s.mu.Lock()
	s.current = p
	s.mu.Unlock()
	err = waitReady(ctx, s.adminURL, p.done)
	if err == nil && s.home.postmaster() != p.cmd.Process.Pid {
		err = errOther
	}
	if err != nil {
		_ = endProcess(p)
		return p, fmt.Errorf("localdb: PostgreSQL in %s did not start: %w\n%s", s.home.root, err, tail(s.home.logPath(), 8))
	}
	return p, nil
}

// settings are the server's. Durability is PostgreSQL's own default and is
// spelled out, so that a hand-edited postgresql.conf cannot lose it unseen.
func (s *supervisor) settings() []string {
	all := []string{
		"listen_addresses=", "port=" + port, "unix_socket_permissions=0700", "timezone=UTC", "log_timezone=UTC",
		"max_connections=100",
		"logging_collector=off", "log_destination=stderr",
		"jit=off", // compiling costs more than our queries take
	}
	if s.opts.Fast {
		return append(all, "fsync=off", "synchronous_commit=off", "full_page_writes=off", "shared_buffers=64MB",
			"wal_level=minimal", "max_wal_senders=0", "max_wal_size=256MB", "autovacuum_naptime=10min",
			// In the folder, so that a killed server leaves nothing outside it.
			"dynamic_shared_memory_type=mmap")
	}
	return append(all, "fsync=on", "synchronous_commit=on", "full_page_writes=on", "shared_buffers=256MB", "max_wal_size=2GB")
}

// logLimit is where a server's log is begun anew at a start.
const logLimit = 16 << 20

func (s *supervisor) openLog() (*os.File, error) {
	flags := os.O_CREATE | os.O_WRONLY | os.O_APPEND
	if fi, err := os.Stat(s.home.logPath()); err == nil && fi.Size() > logLimit {
		flags |= os.O_TRUNC
	}
	f, err := os.OpenFile(s.home.logPath(), flags, 0o600)
	if err != nil {
		return nil, fmt.Errorf("localdb: %w", err)
	}
	if err := s.home.account.own(s.home.logPath()); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// watch starts the server again whenever it ends without being asked.
func (s *supervisor) watch(p *process) {
	defer close(s.ended)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-s.quit:
			cancel()
		case <-ctx.Done():
		}
	}()
	pause := 100 * time.Millisecond
	for {
		<-p.done
		if ctx.Err() != nil {
			return
		}
		s.opts.log("PostgreSQL in %s ended by itself (%v); starting it again.", s.home.root, p.err)
		for {
			next, err := s.restart(ctx)
			if ctx.Err() != nil {
				if next != nil {
					_ = endProcess(next)
				}
				return
			}
			if err == nil {
				p, pause = next, 100*time.Millisecond
				break
			}
			s.opts.log("PostgreSQL in %s does not start: %v", s.home.root, err)
			select {
			case <-ctx.Done():
				return
			case <-time.After(pause):
			}
			pause = min(2*pause, 10*time.Second)
		}
	}
}

func (s *supervisor) restart(ctx context.Context) (*process, error) {
	if err := s.home.endLeftovers(ctx, Options{}); err != nil {
		return nil, err
	}
	return s.launchServer(ctx)
}

// stop ends the server: open transactions are rolled back, everything
// acknowledged is on disk.
func (s *supervisor) stop() error {
	s.mu.Lock()
	if !s.stopping {
		s.stopping = true
		close(s.quit)
	}
	p := s.current
	s.mu.Unlock()
	var err error
	if p != nil {
		err = endProcess(p)
	}
	<-s.ended
	return err
}

// endProcess asks for a fast shutdown, after 20 s for an immediate one, and
// waits. It may be called for a process that has ended.
func endProcess(p *process) error {
	for _, step := range []struct {
		sig  syscall.Signal
		wait time.Duration
	}{{syscall.SIGINT, 20 * time.Second}, {syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}} {
		if err := p.cmd.Process.Signal(step.sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return fmt.Errorf("localdb: stop PostgreSQL: %w", err)
		}
		select {
		case <-p.done:
			return nil
		case <-time.After(step.wait):
		}
	}
	return fault.New(fault.Internal, "PostgreSQL process %d does not end", p.cmd.Process.Pid)
}

// waitReady tries to connect until it works, the server ends (ended, may be
// nil) or ctx ends. Recovery after a crash may take minutes: only ctx bounds it.
func waitReady(ctx context.Context, adminURL string, ended <-chan struct{}) error {
	var last error
	for {
		try, cancel := context.WithTimeout(ctx, 5*time.Second)
		conn, err := pgx.Connect(try, adminURL)
		if err == nil {
			err = conn.Close(try)
		}
		cancel()
		if err == nil {
			return nil
		}
		if ctx.Err() == nil {
			last = err
		}
		select {
		case <-ended:
			return errors.New("the server process ended")
		case <-ctx.Done():
			return errors.Join(ctx.Err(), last)
		case <-time.After(10 * time.Millisecond):
		}
	}
}
