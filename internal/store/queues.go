package store

import (
	"context"

	"github.com/jackc/pgx/v5/pgxpool"
)

// PoolStat tells how the pool of connections is used.
func (s *Store) PoolStat() *pgxpool.Stat { return s.pool.Stat() }

// Queues counts what waits for background work: acts to be sealed, marks of days
// to be packed for trends, and uploads that wait for their import.
func (s *Store) Queues(ctx context.Context) (map[string]int64, error) {
	if err := s.Ready(ctx); err != nil {
		return nil, err
	}
	var acts, days, uploads int64
	err := s.pool.QueryRow(ctx, `SELECT (SELECT count(*) FROM unsealed), (SELECT count(DISTINCT day) FROM trend_marks), (SELECT count(*) FROM uploads WHERE stored = 'nothing')`).
		Scan(&acts, &days, &uploads)
	return map[string]int64{"acts_to_seal": acts, "days_to_pack": days, "uploads_open": uploads}, wrap("store.Queues", err)
}
