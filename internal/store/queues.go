package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
)

// PoolStat tells how the pool of connections is used.
func (s *Store) PoolStat() *pgxpool.Stat { return s.pool.Stat() }

// Queues counts what waits for background work: acts to be sealed, marks of days
// to be packed for trends, uploads that wait for their import, notices to be
// sent or given up, and what tablets in use last said they had not sent.
func (s *Store) Queues(ctx context.Context) (map[string]int64, error) {
	if err := s.Ready(ctx); err != nil {
		return nil, err
	}
	var acts, days, uploads, send, dead, unsent int64
	err := s.pool.QueryRow(ctx, `SELECT (SELECT count(*) FROM unsealed), (SELECT count(DISTINCT day) FROM trend_marks), (SELECT count(*) FROM uploads WHERE stored = 'nothing'),
		(SELECT count(*) FROM deliveries WHERE state = 'waiting'), (SELECT count(*) FROM deliveries WHERE state = 'dead'),
		(SELECT coalesce(sum(unsent), 0) FROM tablets WHERE revoked_at IS NULL)`).
		Scan(&acts, &days, &uploads, &send, &dead, &unsent)
	return map[string]int64{"acts_to_seal": acts, "days_to_pack": days, "uploads_open": uploads, "deliveries_to_send": send, "deliveries_given_up": dead, "unsent_on_tablets": unsent}, wrap("store.Queues", err)
}

// UnsentSaid tells how long ago the tablet in use that was silent longest said that
// it had something unsent; 0: none has anything.
func (s *Store) UnsentSaid(ctx context.Context) (time.Duration, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var seconds float64
	err := s.pool.QueryRow(ctx, `SELECT coalesce(extract(epoch FROM $1 - min(unsent_at)), 0)::float8 FROM tablets WHERE revoked_at IS NULL AND unsent > 0`, s.Now()).Scan(&seconds)
	return time.Duration(max(0, seconds) * float64(time.Second)), wrap("store.UnsentSaid", err)
}
