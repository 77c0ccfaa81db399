// Package testdb gives each test a PostgreSQL database of its own, cloned from
// a migrated template, on a machine where nothing runs.
//
// A test binary starts one private, fast cluster (on a memory disk where there
// is one) when the first test asks, and it dies with the binary. Making a
// cluster and migrating it takes seconds, so a made one is kept in the temp
// folder, named by PostgreSQL's version and the hash of the migrations, and a
// binary starts from a copy.
//
// A test's database is dropped when the test ends. When the test failed, the
// whole cluster is kept and the log says how to open it.
package testdb

import (
	"context"
	"fmt"
	"os"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// template is the migrated database that tests' databases are copies of.
const template = "template_migrated"

// New gives the URL of a database that holds the whole schema and no rows. Its
// role owns it and has no other right, as in real use. Tests of a package that
// internal/store imports, and its own, stand in package X_test: this package
// migrates through it.
func New(t testing.TB) string {
	t.Helper()
	return create(t, template)
}

// NewEmpty gives the URL of a database without any schema, for tests of the
// migrations and of first starts.
func NewEmpty(t testing.TB) string {
	t.Helper()
	return create(t, "template1")
}

// Filled gives the URL of a database that fill has filled: a copy of one that
// is made when the first test of a binary asks for it by that name. fill is
// given a database as New gives it, and leaves no connection open.
func Filled(t testing.TB, name string, fill func(url string) error) string {
	t.Helper()
	once, _ := filled.LoadOrStore(name, &filling{})
	f := once.(*filling)
	f.once.Do(func() {
		c, err := shared()
		if err != nil {
			f.err = err
			return
		}
		f.template = pgx.Identifier{"filled_" + unfit.ReplaceAllString(strings.ToLower(name), "_")}.Sanitize()
		if f.err = c.exec(fmt.Sprintf("CREATE DATABASE %s TEMPLATE %s STRATEGY FILE_COPY OWNER basecourse", f.template, template)); f.err == nil {
			f.err = fill(c.db.URL(strings.Trim(f.template, `"`)))
		}
	})
	if f.err != nil {
		t.Fatalf("testdb: fill %s: %v", name, f.err)
	}
	return create(t, f.template)
}

// filling is one filled database, made once.
type filling struct {
	once     sync.Once
	template string // quoted
	err      error
}

var filled sync.Map // name → *filling

var shared = sync.OnceValues(startCluster)

var count atomic.Int64

var unfit = regexp.MustCompile(`[^a-z0-9]+`)

func create(t testing.TB, from string) string {
	t.Helper()
	c, err := shared()
	if err != nil {
		t.Fatalf("testdb: this test needs PostgreSQL: %v", err)
	}
	words := strings.Trim(unfit.ReplaceAllString(strings.ToLower(t.Name()), "_"), "_")
	name := fmt.Sprintf("t%d_%.40s", count.Add(1), words)
	quoted := pgx.Identifier{name}.Sanitize()
	// FILE_COPY: 22 ms where the default takes 99 ms; right where nothing is durable.
	err = c.exec(fmt.Sprintf("CREATE DATABASE %s TEMPLATE %s STRATEGY FILE_COPY OWNER basecourse", quoted, from))
	if err != nil {
		t.Fatalf("testdb: make database %s: %v", name, err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			c.keep()
			t.Logf("testdb: kept; when the tests have ended, open it with\n\tgo run basecourse/internal/testdb/opendb %s %s", c.keptDir(), name)
			return
		}
		if err := c.exec("DROP DATABASE IF EXISTS " + quoted + " WITH (FORCE)"); err != nil {
			t.Errorf("testdb: drop database %s: %v", name, err)
		}
	})
	return c.db.URL(name)
}

// exec runs one statement as the superuser. The connection for it stays, since opening
// one costs as much as the statement, and is opened anew where it is gone: tests may kill
// the server or all its sessions.
func (c *cluster) exec(sql string) error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	c.adminMu.Lock()
	defer c.adminMu.Unlock()
	if c.admin != nil && c.admin.Ping(ctx) != nil {
		_ = c.admin.Close(ctx)
		c.admin = nil
	}
	if c.admin == nil {
		conn, err := pgx.Connect(ctx, c.db.AdminURL("postgres"))
		if err != nil {
			return err
		}
		c.admin = conn
	}
	_, err := c.admin.Exec(ctx, sql)
	return err
}

// binDir is where the tests look for PostgreSQL's programs first.
func binDir() string { return os.Getenv("BASECOURSE_POSTGRES_BIN") }
