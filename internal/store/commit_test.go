package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/jackc/pgx/v5"
)

// cutter stands between the program and PostgreSQL and, when armed, cuts the
// connection once COMMIT has gone out and before its answer comes back.
type cutter struct {
	server string
	armed  atomic.Bool
}

func startCutter(t *testing.T, address string) (through string, c *cutter) {
	t.Helper()
	cfg, err := pgx.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	c = &cutter{server: filepath.Join(cfg.Host, fmt.Sprintf(".s.PGSQL.%d", cfg.Port))}
	dir, err := os.MkdirTemp("", "cut") // a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("unix", filepath.Join(dir, fmt.Sprintf(".s.PGSQL.%d", cfg.Port)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = listener.Close(); _ = os.RemoveAll(dir) })
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			go c.serve(client)
		}
	}()
	return fmt.Sprintf("postgres:///%s?host=%s&port=%d&user=%s&sslmode=disable", cfg.Database, url.QueryEscape(dir), cfg.Port, cfg.User), c
}

func (c *cutter) serve(client net.Conn) {
	defer func() { _ = client.Close() }()
	server, err := net.Dial("unix", c.server)
	if err != nil {
		return
	}
	defer func() { _ = server.Close() }()
	var cut atomic.Bool
	go func() {
		buf := make([]byte, 1<<16)
		for {
			n, err := server.Read(buf)
			if err != nil || cut.Load() {
				_ = client.Close()
				return
			}
			if _, err := client.Write(buf[:n]); err != nil {
				return
			}
		}
	}()
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		if err != nil {
			return
		}
		if c.armed.Load() && bytes.Contains(bytes.ToLower(buf[:n]), []byte("commit")) {
			c.armed.Store(false)
			cut.Store(true)
		}
		if _, err := server.Write(buf[:n]); err != nil {
			return
		}
		if cut.Load() {
			_, _ = io.Copy(io.Discard, client)
			return
		}
	}
}

// A connection that breaks during COMMIT leaves it open whether the record is
// stored: the answer is "busy", and the repeat finds it.
func TestABrokenCommitIsUnknownAndTheRepeatSettlesIt(t *testing.T) {
	_, address := farmWithThings(t)
	through, cut := startCutter(t, address)
	s, err := store.Open(context.Background(), through)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.SetClock(func() time.Time { return clock })
	const body = `{"kind":"cleaning","id":"C-1","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`
	cut.armed.Store(true)
	if _, err := send(t, s, body); !fault.Is(err, fault.Busy) || !errors.Is(err, store.ErrUnknownOutcome) {
		t.Fatalf("got %v, want busy with an unknown outcome", err)
	}
	if r, err := send(t, s, body); err != nil || r.Outcome != store.AlreadyRecorded {
		t.Errorf("the repeat: got %v %v, want already recorded", r, err)
	}
}

// A reader in the way only costs the advantage of lifted indexes.
func TestAReaderInTheWayDoesNotStopABigFirstImport(t *testing.T) {
	defer store.SetLiftAbove(store.SetLiftAbove(0))
	s, address := farmWithThings(t)
	conn := connect(t, address)
	if _, err := conn.Exec(context.Background(), `BEGIN; SELECT count(*) FROM first_layers`); err != nil {
		t.Fatal(err)
	}
	r := imports(t, s, small().with("first_layers.csv", layerHeader+"F-1,R-1,T-1,2026-01-02T03:04:05Z,clean,PLA,ines,,,,,,,\n"), store.ImportOptions{})
	if !r.Stored || counts(r, "first_layers.csv") != "1 rows: 1 0 0" {
		t.Errorf("got\n%s", r.Text())
	}
}
