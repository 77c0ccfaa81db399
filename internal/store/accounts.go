package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// Account is a person who may sign in: somebody with a password who is not
// disabled.
type Account struct {
	Person    int32  `db:"id"`
	Handle    string `db:"person"`
	Name      string
	Role      string
	Hash      string    // of the password, in the hash's own text form
	Factor    bool      // a second factor is asked for
	ChangedAt time.Time // when the password was set or sessions were ended: older sessions are void
	Unread    int       // lines of their notices
}

const accountColumns = `p.id, p.person, coalesce(p.name, '') AS name, p.role::text AS role, w.hash, w.changed_at,
		EXISTS (SELECT FROM second_factors f WHERE f.person = p.id AND f.confirmed_at IS NOT NULL) AS factor,
		(SELECT count(*)::int FROM person_notices m WHERE m.person = p.id AND m.read_at IS NULL AND m.nth <= 6) AS unread
	FROM people p JOIN passwords w ON w.person = p.id WHERE p.disabled_at IS NULL`

// AccountByHandle gives the account of a handle, compared byte for byte;
// NotFound when nobody by that handle may sign in.
func (s *Store) AccountByHandle(ctx context.Context, handle string) (Account, error) {
	return s.account(ctx, `SELECT `+accountColumns+` AND p.person = $1`, handle)
}

// AccountByPerson gives the account of a person by the database's key.
func (s *Store) AccountByPerson(ctx context.Context, person int32) (Account, error) {
	return s.account(ctx, `SELECT `+accountColumns+` AND p.id = $1`, person)
}

func (s *Store) account(ctx context.Context, query string, key ...any) (Account, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, query, key...)
	if err != nil {
		return Account{}, wrap("store.Account", err)
	}
	a, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[Account])
	if errors.Is(err, pgx.ErrNoRows) {
		return Account{}, fault.New(fault.NotFound, "nobody by that handle may sign in")
	}
	return a, wrap("store.Account", err)
}

// Token is a key of a machine or script.
type Token struct {
	ID   int32
	Name string
	Role string

	lastUsedAt *time.Time
}

// tokenSeen is how fine the time of last use is kept: one write a minute at
// most.
const tokenSeen = time.Minute

// TokenByHash gives the token with a SHA-256 hash that has neither run out nor
// been revoked, and notes that it was used; NotFound otherwise.
func (s *Store) TokenByHash(ctx context.Context, hash [32]byte) (Token, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	t, found, err := s.tokens.get(ctx, hash)
	if err != nil {
		return Token{}, wrap("store.TokenByHash", err)
	}
	if !found {
		return Token{}, fault.New(fault.NotFound, "no such token")
	}
	now, used := s.Now(), t.lastUsedAt
	if used == nil || now.Sub(*used) > tokenSeen {
		// A full disk must not end reading, so a failure here is let go.
		_, _ = s.pool.Exec(ctx, `UPDATE tokens SET last_used_at = $2 WHERE id = $1 AND (last_used_at IS NULL OR last_used_at < $2)`, t.ID, now)
	}
	return t, nil
}

// tokensByHash gives those of the hashes that are of tokens that are good now.
func (s *Store) tokensByHash(ctx context.Context, hashes [][32]byte) (map[[32]byte]Token, error) {
	list := make([][]byte, len(hashes))
	for i := range hashes {
		list[i] = hashes[i][:]
	}
	rows, err := s.pool.Query(ctx, `SELECT hash, id, name, role::text, last_used_at FROM tokens
		WHERE hash = ANY ($1) AND revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $2)`, list, s.Now())
	if err != nil {
		return nil, err
	}
	found := map[[32]byte]Token{}
	var hash []byte
	var t Token
	_, err = pgx.ForEachRow(rows, []any{&hash, &t.ID, &t.Name, &t.Role, &t.lastUsedAt}, func() error {
		found[[32]byte(hash)] = t
		return nil
	})
	return found, err
}

// AddAccount lets a person sign in with a password of that hash. Somebody known
// by handle alone gets the role and the password; a handle that has a password
// already is a Conflict.
func (s *Store) AddAccount(ctx context.Context, act Act, handle, role, hash string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		var id int32
		var was string
		err := w.tx.QueryRow(ctx, `SELECT id, role::text FROM people WHERE person = $1 FOR UPDATE`, handle).Scan(&id, &was)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			if err := w.tx.QueryRow(ctx, `INSERT INTO people (person, role) VALUES ($1, $2) RETURNING id`, handle, role).Scan(&id); err != nil {
				return err
			}
			w.changedThing(farm.KindPerson, handle, "person", "", handle)
			w.changedThing(farm.KindPerson, handle, "role", "", role)
		case err != nil:
			return err
		case was != role:
			if _, err := w.tx.Exec(ctx, `UPDATE people SET role = $2 WHERE id = $1`, id, role); err != nil {
				return err
			}
			w.changedThing(farm.KindPerson, handle, "role", was, role)
		}
		tag, err := w.tx.Exec(ctx, `INSERT INTO passwords (person, hash, changed_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`, id, hash, w.at)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "%s may sign in already", handle)
		}
		// That there is a password is kept, never what it is.
		w.changedThing(farm.KindPerson, handle, "password", "", "set")
		return nil
	})
	if isUniqueViolation(err) {
		return fault.Wrap(fault.Conflict, err, "somebody was adding %s at the same moment", handle)
	}
	return wrap("store.AddAccount", err)
}

// AddToken keeps a token's hash; expires zero: it does not run out. A name that
// is taken is a Conflict.
func (s *Store) AddToken(ctx context.Context, act Act, name, role string, hash [32]byte, expires time.Time) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	var until *time.Time
	if !expires.IsZero() {
		until = &expires
	}
	err := s.write(ctx, act, func(w *writer) error {
		tag, err := w.tx.Exec(ctx, `INSERT INTO tokens (name, role, hash, created_at, expires_at) VALUES ($1, $2, $3, $4, $5) ON CONFLICT (name) DO NOTHING`,
			name, role, hash[:], w.at, until)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "there is a token %s already", fault.Quote(name))
		}
		w.changedThing("token", name, "role", "", role)
		return nil
	})
	return wrap("store.AddToken", err)
}

// RevokeToken ends a token; NotFound when there is none by that name.
func (s *Store) RevokeToken(ctx context.Context, act Act, name string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		tag, err := w.tx.Exec(ctx, `UPDATE tokens SET revoked_at = coalesce(revoked_at, $2) WHERE name = $1`, name, w.at)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "there is no token %s", fault.Quote(name))
		}
		w.changedThing("token", name, "revoked_at", "", w.at.Format(time.RFC3339))
		return nil
	})
	return wrap("store.RevokeToken", err)
}

// SetPassword gives a person a password, which ends their sessions; NotFound
// when there is nobody by that handle or they were switched off.
func (s *Store) SetPassword(ctx context.Context, act Act, handle, hash string) error {
	return s.changeAccount(ctx, act, "store.SetPassword", handle, "password", "set", `INSERT INTO passwords (person, hash, changed_at)
		SELECT id, $3, $2 FROM people WHERE person = $1 AND disabled_at IS NULL
		ON CONFLICT (person) DO UPDATE SET hash = excluded.hash, changed_at = excluded.changed_at`, nil, hash)
}

// EndSessions signs a person out everywhere, on tablets too.
func (s *Store) EndSessions(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.EndSessions", handle, "sessions", "ended", `WITH them AS (SELECT id FROM people WHERE person = $1),
		begun AS (UPDATE passwords SET changed_at = $2 WHERE person IN (SELECT id FROM them) RETURNING person),
		changed AS (UPDATE pins SET changed_at = $2 WHERE person IN (SELECT id FROM them) RETURNING person)
		SELECT person FROM begun UNION SELECT person FROM changed`, nil)
}

// DisableAccount ends a person's right to sign in, and their sessions with it.
// The last admin's is a Conflict.
func (s *Store) DisableAccount(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.DisableAccount", handle, "disabled_at", "now", `UPDATE people SET disabled_at = coalesce(disabled_at, $2) WHERE person = $1`,
		func(ctx context.Context, w *writer) error { return w.anotherAdmin(ctx, handle) })
}

// EnableAccount gives the right to sign in back. Sessions from before stay
// ended.
func (s *Store) EnableAccount(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.EnableAccount", handle, "disabled_at", "", `WITH again AS (UPDATE people SET disabled_at = NULL, remove_at = NULL WHERE person = $1 AND removed_at IS NULL RETURNING id),
		ended AS (UPDATE passwords SET changed_at = $2 WHERE person IN (SELECT id FROM again)),
		unpinned AS (UPDATE pins SET changed_at = $2 WHERE person IN (SELECT id FROM again)) SELECT id FROM again`, nil)
}

// changeAccount runs a statement whose $1 is the handle and $2 the instant,
// after a check.
func (s *Store) changeAccount(ctx context.Context, act Act, name, handle, field, became, query string, check func(context.Context, *writer) error, args ...any) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		if check != nil {
			if err := check(ctx, w); err != nil {
				return err
			}
		}
		tag, err := w.tx.Exec(ctx, query, append([]any{handle, w.at}, args...)...)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "nobody by the handle %s may sign in", fault.Quote(handle))
		}
		was := ""
		if became == "" {
			was = "set"
		}
		w.changedThing(farm.KindPerson, handle, field, was, became)
		return nil
	})
	return wrap(name, err)
}
