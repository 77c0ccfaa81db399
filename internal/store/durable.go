package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// NotDurable names the settings of the server that are off although without
// them a power cut can lose or damage what was answered as recorded
// (PostgreSQL, Reliability and the Write-Ahead Log); none when all is well.
func (s *Store) NotDurable(ctx context.Context) ([]string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT name FROM pg_settings WHERE name IN ('fsync', 'full_page_writes', 'synchronous_commit') AND setting = 'off' ORDER BY name`)
	if err != nil {
		return nil, wrap("store.NotDurable", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return list, wrap("store.NotDurable", err)
}
