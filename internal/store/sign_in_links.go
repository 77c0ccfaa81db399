package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// LinkedAccount gives the account that an account of a sign-in provider stands for;
// NotFound when it stands for nobody who may sign in.
func (s *Store) LinkedAccount(ctx context.Context, issuer, subject string) (Account, error) {
	return s.account(ctx, `SELECT `+accountColumns+` AND p.id = (SELECT l.person FROM sign_in_links l WHERE l.issuer = $1 AND l.subject = $2)`, issuer, subject)
}

// SignInLink tells since when a person is linked with a provider; nil: they are not.
func (s *Store) SignInLink(ctx context.Context, person int32, issuer string) (*time.Time, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var at time.Time
	err := s.pool.QueryRow(ctx, `SELECT linked_at FROM sign_in_links WHERE person = $1 AND issuer = $2`, person, issuer).Scan(&at)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("store.SignInLink", err)
	}
	return &at, nil
}

// LinkSignIn links a person who may sign in with an account of a provider. A Conflict
// where that account stands for somebody else, or the person is linked with another.
func (s *Store) LinkSignIn(ctx context.Context, act Act, handle, issuer, subject string) error {
	err := s.changeAccount(ctx, act, "store.LinkSignIn", handle, "sign_in_link", "set", `INSERT INTO sign_in_links (issuer, subject, person, linked_at)
		SELECT $3, $4, p.id, $2 FROM people p JOIN passwords w ON w.person = p.id WHERE p.person = $1 AND p.disabled_at IS NULL`, nil, issuer, subject)
	if isUniqueViolation(err) {
		return fault.Wrap(fault.Conflict, err, "This account is linked with somebody here already, or you are linked with another one. Whoever has the older link takes it away first.")
	}
	return err
}

// UnlinkSignIn takes a person's links with providers away and ends their sessions.
func (s *Store) UnlinkSignIn(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.UnlinkSignIn", handle, "sign_in_link", "", `WITH gone AS (DELETE FROM sign_in_links l USING people p WHERE p.id = l.person AND p.person = $1 RETURNING l.person),
		ended AS (UPDATE passwords SET changed_at = $2 WHERE person IN (SELECT person FROM gone)) SELECT person FROM gone`, nil)
}
