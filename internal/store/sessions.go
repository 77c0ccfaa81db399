package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Sessions keeps signed-in sessions for the session manager. The keys it is
// given are hashes already (the manager hashes the cookie's value), so a copy of
// the table opens no session.
type Sessions struct{ s *Store }

// Sessions gives the store of sessions.
func (s *Store) Sessions() *Sessions { return &Sessions{s: s} }

// FindCtx gives a session that has not run out.
func (x *Sessions) FindCtx(ctx context.Context, token string) ([]byte, bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var data []byte
	err := x.s.pool.QueryRow(ctx, `SELECT data FROM sessions WHERE token = $1 AND expiry > $2`, token, x.s.Now()).Scan(&data)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, wrap("store.Sessions.Find", err)
	}
	return data, true, nil
}

// CommitCtx writes a session.
func (x *Sessions) CommitCtx(ctx context.Context, token string, data []byte, expiry time.Time) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := x.s.pool.Exec(ctx, `
		INSERT INTO sessions (token, data, expiry) VALUES ($1, $2, $3)
		ON CONFLICT (token) DO UPDATE SET data = excluded.data, expiry = excluded.expiry`, token, data, expiry)
	return wrap("store.Sessions.Commit", err)
}

// DeleteCtx ends a session.
func (x *Sessions) DeleteCtx(ctx context.Context, token string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := x.s.pool.Exec(ctx, `DELETE FROM sessions WHERE token = $1`, token)
	return wrap("store.Sessions.Delete", err)
}

// Find, Commit and Delete are the same without a context; the session manager
// asks for them and does not call them.
func (x *Sessions) Find(token string) ([]byte, bool, error) {
	return x.FindCtx(context.Background(), token)
}

// Commit: see Find.
func (x *Sessions) Commit(token string, data []byte, expiry time.Time) error {
	return x.CommitCtx(context.Background(), token, data, expiry)
}

// Delete: see Find.
func (x *Sessions) Delete(token string) error { return x.DeleteCtx(context.Background(), token) }

// SweepSessions removes what has run out: sessions, and tries to sign in and
// uploads that are a day old. It may run in every replica.
func (s *Store) SweepSessions(ctx context.Context) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	batch.Queue(`DELETE FROM sessions WHERE expiry <= $1`, s.Now())
	batch.Queue(`DELETE FROM sign_in_tries WHERE last_at < $1`, s.Now().Add(-24*time.Hour))
	batch.Queue(`DELETE FROM first_uses WHERE made_at < $1`, s.Now().Add(-firstUseKept))
	batch.Queue(`DELETE FROM uploads WHERE made_at <= $1`, s.Now().Add(-uploadKept))
	return wrap("store.SweepSessions", s.pool.SendBatch(ctx, batch).Close())
}
