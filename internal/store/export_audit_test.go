package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// VerifyIn is Verify within a transaction that is under way.
func VerifyIn(ctx context.Context, tx pgx.Tx) (*Audit, error) { return verifyIn(ctx, tx, "") }
