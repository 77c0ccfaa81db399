package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// changesChannel is where servers tell each other that something was written.
const changesChannel = "basecourse_changes"

// tellEvery is how often a server says so at most. A notice waits for no commit
// and holds none up: it is sent after them, by itself, because PostgreSQL lets
// transactions that notify commit one after the other only.
const tellEvery = 250 * time.Millisecond

// tell notes that something was committed.
func (s *Store) tell() {
	select {
	case s.told <- struct{}{}:
	default: // one is under way that will tell this as well
	}
}

// TellChanges tells every server that listens what this process commits, until
// the context ends. A notice that is lost is made up for by the next one, and
// by what listeners do when they come back (see ListenChanges).
func (s *Store) TellChanges(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.told:
		}
		s.notifyChanges(ctx)
		select {
		case <-ctx.Done():
			return
		case <-time.After(tellEvery):
		}
	}
}

func (s *Store) notifyChanges(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	_, _ = s.pool.Exec(ctx, `SELECT pg_notify($1, '')`, changesChannel)
}

// ListenChanges calls changed whenever any process that writes to this database
// told so, and once each time it begins to listen, because what was told before
// is not known. It returns when the context ends or the connection breaks.
func (s *Store) ListenChanges(ctx context.Context, changed func()) error {
	// A connection of its own: it is held as long as the server runs.
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig)
	if err != nil {
		return wrap("store.ListenChanges", err)
	}
	defer func() {
		clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), connectLimit)
		defer cancel()
		_ = conn.Close(clean)
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+pgx.Identifier{changesChannel}.Sanitize()); err != nil {
		return wrap("store.ListenChanges", err)
	}
	for {
		changed()
		if _, err := conn.WaitForNotification(ctx); err != nil {
			return wrap("store.ListenChanges", err)
		}
	}
}
