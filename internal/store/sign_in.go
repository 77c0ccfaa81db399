package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"time"

	"github.com/jackc/pgx/v5"
)

// How slow guessing gets. Tries on one handle beyond handleFree wait 1 s, 2 s,
// 4 s, ... up to longestWait; an address that serves a whole crew is given more.
// A count is forgotten after forgetAfter without a try.
const (
	handleFree  = 5
	addressFree = 200
	longestWait = 5 * time.Minute
	forgetAfter = time.Hour
)

// CountTry counts a try to sign in, before the password is looked at, and tells
// how long this handle or this address has to wait first; 0: the try may go on.
// A try that has to wait is not counted, so nobody can lengthen another's wait
// by trying during it. Nobody waits longer than the longest wait from now, also where the
// server's clock was ahead when the tries were counted and has been set back since.
func (s *Store) CountTry(ctx context.Context, handle, address string) (wait time.Duration, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	for _, k := range []struct {
		kind, key string
		free      int
	}{{"address", tryKey(address), addressFree}, {"handle", tryKey(handle), handleFree}} {
		if wait, err = s.countTry(ctx, k.kind, k.key, k.free); err != nil || wait > 0 {
			return wait, wrap("store.CountTry", err)
		}
	}
	return 0, nil
}

func (s *Store) countTry(ctx context.Context, kind, key string, free int) (time.Duration, error) {
	now := s.Now()
	// The wait grows with the failures there will be if this try fails too. Where there is
	// none yet, a clock that is set back by minutes makes none.
	err := s.pool.QueryRow(ctx, `
		INSERT INTO sign_in_tries AS t (kind, key, failures, last_at, next_at) VALUES ($1, $2, 1, $3, $3)
		ON CONFLICT (kind, key) DO UPDATE SET
			failures = CASE WHEN t.last_at < $4 THEN 1 ELSE t.failures + 1 END,
			last_at = $3,
			next_at = CASE WHEN t.last_at < $4 OR t.failures + 1 < $5 THEN $3::timestamptz
				ELSE $3::timestamptz + make_interval(secs => least($6, power(2, least(t.failures + 1 - $5, 20)))) END
		WHERE t.next_at <= $3 OR t.next_at <= t.last_at OR t.last_at < $4 OR t.next_at > $3::timestamptz + make_interval(secs => $6)
		RETURNING 1`, kind, key, now, now.Add(-forgetAfter), free, longestWait.Seconds()).Scan(new(int))
	if !errors.Is(err, pgx.ErrNoRows) {
		return 0, err
	}
	var next time.Time
	if err := s.pool.QueryRow(ctx, `SELECT next_at FROM sign_in_tries WHERE kind = $1 AND key = $2`, kind, key).Scan(&next); err != nil {
		if errors.Is(err, pgx.ErrNoRows) {
			return 0, nil
		}
		return 0, err
	}
	return max(time.Second, time.Duration(math.Ceil(next.Sub(now).Seconds()))*time.Second), nil
}

// tokenFree is how many wrong tokens an address may send before it waits: a
// machine whose token was revoked tries for a while.
const tokenFree = 1000

// CountWrongToken counts a token that nobody made, by the address it came from, and
// tells how long to wait before another is looked at. Right tokens never wait.
func (s *Store) CountWrongToken(ctx context.Context, address string) (wait time.Duration, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	wait, err = s.countTry(ctx, "address", tryKey("token "+address), tokenFree)
	return wait, wrap("store.CountWrongToken", err)
}

// ForgetTries takes a person's count back after a right password, and this
// try's share of the address's.
func (s *Store) ForgetTries(ctx context.Context, handle, address string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	batch.Queue(`DELETE FROM sign_in_tries WHERE kind = 'handle' AND key = $1`, tryKey(handle))
	batch.Queue(`UPDATE sign_in_tries SET failures = greatest(failures - 1, 0) WHERE kind = 'address' AND key = $1`, tryKey(address))
	return wrap("store.ForgetTries", s.pool.SendBatch(ctx, batch).Close())
}

// tryKey hashes what was typed: a password typed into the handle field by
// mistake is not kept.
func tryKey(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:16])
}
