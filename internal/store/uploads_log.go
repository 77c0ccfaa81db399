package store

import (
	"context"

	"github.com/gofrs/uuid/v5"
)

// SetUploadMapping keeps how an upload that is a log is to be read: a mapping's
// JSON, perhaps not complete yet.
func (s *Store) SetUploadMapping(ctx context.Context, id uuid.UUID, mapping []byte) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE uploads SET mapping = $2 WHERE id = $1`, id, string(mapping))
	return wrap("store.SetUploadMapping", err)
}
