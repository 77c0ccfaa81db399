package store

import (
	"context"
	"errors"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// KindTablet is what a tablet's changes stand under in the trail, with its number
// for a name.
const KindTablet farm.Kind = "tablet"

// Tablet is a shared device.
type Tablet struct {
	ID           int32
	Name         string
	Bay          string
	MadeAt       time.Time
	EnrolledAt   *time.Time // nil: no device has taken its code yet
	CodeUntil    *time.Time // a code waits until then; nil none
	LastSeenAt   *time.Time
	Unsent       *int // entries it had not sent when it last said so; nil never
	UnsentAt     *time.Time
	RevokedAt    *time.Time
	RevokeReason string
}

const tabletColumns = `id, tablet, coalesce(bay, ''), made_at, enrolled_at, code_until, last_seen_at, unsent, unsent_at, revoked_at, coalesce(revoke_reason, '')`

func (s *Store) tablets(ctx context.Context, rest string, args ...any) ([]Tablet, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT `+tabletColumns+` FROM tablets `+rest, args...)
	if err != nil {
		return nil, wrap("store.Tablets", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Tablet])
	return list, wrap("store.Tablets", err)
}

// Tablets lists every tablet: those in use first, by name.
func (s *Store) Tablets(ctx context.Context) ([]Tablet, error) {
	return s.tablets(ctx, `ORDER BY revoked_at IS NOT NULL, tablet COLLATE "C" LIMIT 1000`)
}

func (s *Store) tablet(ctx context.Context, rest string, args ...any) (Tablet, error) {
	list, err := s.tablets(ctx, rest, args...)
	if err == nil && len(list) != 1 {
		return Tablet{}, fault.New(fault.NotFound, "there is no such tablet")
	}
	if err != nil {
		return Tablet{}, err
	}
	return list[0], nil
}

// Tablet gives a tablet by its number; NotFound.
func (s *Store) Tablet(ctx context.Context, id int32) (Tablet, error) {
	return s.tablet(ctx, `WHERE id = $1`, id)
}

// TabletByHash gives the tablet whose secret has that SHA-256, revoked or not, and
// notes that it was seen; NotFound when there is none.
func (s *Store) TabletByHash(ctx context.Context, hash [32]byte) (Tablet, error) {
	t, err := s.tablet(ctx, `WHERE hash = $1`, hash[:])
	if err != nil || t.RevokedAt != nil {
		return t, err
	}
	if now := s.Now(); t.LastSeenAt == nil || now.Sub(*t.LastSeenAt) > tokenSeen {
		ctx, cancel := brief(ctx)
		defer cancel()
		// A full disk must not end reading, so a failure here is let go.
		_, _ = s.pool.Exec(ctx, `UPDATE tablets SET last_seen_at = $2 WHERE id = $1 AND (last_seen_at IS NULL OR last_seen_at < $2)`, t.ID, now)
	}
	return t, nil
}

// AddTablet makes a tablet that a device may become, once and until a time, with a
// code of that SHA-256. A name that is taken is a Conflict.
func (s *Store) AddTablet(ctx context.Context, act Act, name, bay string, code [32]byte, until time.Time) (id int32, err error) {
	err = s.changeTablet(ctx, act, "store.AddTablet", func(ctx context.Context, w *writer) error {
		err := w.tx.QueryRow(ctx, `INSERT INTO tablets (tablet, bay, code_hash, code_until, made_at) VALUES ($1, nullif($2, ''), $3, $4, $5) ON CONFLICT (tablet) DO NOTHING RETURNING id`,
			name, bay, code[:], until, w.at).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.Conflict, "there is a tablet %s already", fault.Quote(name))
		}
		if err != nil {
			return err
		}
		w.changedTablet(id, "name", "", name)
		w.changedTablet(id, "bay", "", bay)
		return nil
	})
	return id, err
}

// ChangeTablet gives a tablet another name and bay. A name that is taken is a
// Conflict.
func (s *Store) ChangeTablet(ctx context.Context, act Act, id int32, name, bay string) error {
	err := s.changeTablet(ctx, act, "store.ChangeTablet", func(ctx context.Context, w *writer) error {
		var wasName, wasBay string
		if err := w.lockTablet(ctx, id, `tablet, coalesce(bay, '')`, &wasName, &wasBay); err != nil {
			return err
		}
		w.changedTablet(id, "name", wasName, name)
		w.changedTablet(id, "bay", wasBay, bay)
		_, err := w.tx.Exec(ctx, `UPDATE tablets SET tablet = $2, bay = nullif($3, '') WHERE id = $1`, id, name, bay)
		return err
	})
	if isUniqueViolation(err) {
		return fault.Wrap(fault.Conflict, err, "there is a tablet %s already", fault.Quote(name))
	}
	return err
}

// OfferTablet gives a tablet another code: whichever device takes it is the tablet
// from then on. The device that is the tablet now goes on until then.
func (s *Store) OfferTablet(ctx context.Context, act Act, id int32, code [32]byte, until time.Time) error {
	return s.changeTablet(ctx, act, "store.OfferTablet", func(ctx context.Context, w *writer) error {
		if err := w.lockTablet(ctx, id, `id`, new(int32)); err != nil {
			return err
		}
		w.changedTablet(id, "code", "", "made")
		_, err := w.tx.Exec(ctx, `UPDATE tablets SET code_hash = $2, code_until = $3 WHERE id = $1`, id, code[:], until)
		return err
	})
}

// TabletByCode gives the tablet that a code with that SHA-256 would enrol; NotFound
// when it was used or has run out.
func (s *Store) TabletByCode(ctx context.Context, code [32]byte) (Tablet, error) {
	return s.tablet(ctx, `WHERE code_hash = $1 AND code_until > $2`, code[:], s.Now())
}

// EnrolTablet uses a code up: the device whose secret has the SHA-256 secret is the
// tablet from now on, and no other. NotFound as for TabletByCode.
func (s *Store) EnrolTablet(ctx context.Context, act Act, code, secret [32]byte) (t Tablet, err error) {
	err = s.changeTablet(ctx, act, "store.EnrolTablet", func(ctx context.Context, w *writer) error {
		var id int32
		var revoked bool
		err := w.tx.QueryRow(ctx, `SELECT id, revoked_at IS NOT NULL FROM tablets WHERE code_hash = $1 AND code_until > $2 FOR UPDATE`, code[:], w.at).Scan(&id, &revoked)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.NotFound, "there is no such code")
		}
		if err != nil {
			return err
		}
		w.changedTablet(id, "enrolled_at", "", w.at.Format(time.RFC3339))
		if revoked {
			w.changedTablet(id, "revoked_at", "revoked", "")
		}
		rows, err := w.tx.Query(ctx, `UPDATE tablets SET hash = $2, enrolled_at = $3, code_hash = NULL, code_until = NULL, revoked_at = NULL, revoke_reason = NULL, unsent = NULL, unsent_at = NULL
			WHERE id = $1 RETURNING `+tabletColumns, id, secret[:], w.at)
		if err != nil {
			return err
		}
		t, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Tablet])
		return err
	})
	return t, err
}

// RevokeTablet ends a tablet and any code for it at once.
func (s *Store) RevokeTablet(ctx context.Context, act Act, id int32, reason string) error {
	return s.changeTablet(ctx, act, "store.RevokeTablet", func(ctx context.Context, w *writer) error {
		var revoked bool
		if err := w.lockTablet(ctx, id, `revoked_at IS NOT NULL`, &revoked); err != nil || revoked {
			return err
		}
		w.changedTablet(id, "revoked_at", "", w.at.Format(time.RFC3339))
		w.changedTablet(id, "revoke_reason", "", reason)
		_, err := w.tx.Exec(ctx, `UPDATE tablets SET revoked_at = $2, revoke_reason = $3, code_hash = NULL, code_until = NULL WHERE id = $1`, id, w.at, reason)
		return err
	})
}

// SetUnsent notes how many entries a tablet has not sent yet. It is no record: the
// trail says nothing of it.
func (s *Store) SetUnsent(ctx context.Context, id int32, n int) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE tablets SET unsent = $2, unsent_at = $3 WHERE id = $1`, id, n, s.Now())
	return wrap("store.SetUnsent", err)
}

func (s *Store) changeTablet(ctx context.Context, act Act, name string, do func(context.Context, *writer) error) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	return wrap(name, s.write(ctx, act, func(w *writer) error { return do(ctx, w) }))
}

// lockTablet reads columns of a tablet that is about to be changed.
func (w *writer) lockTablet(ctx context.Context, id int32, columns string, into ...any) error {
	err := w.tx.QueryRow(ctx, `SELECT `+columns+` FROM tablets WHERE id = $1 FOR UPDATE`, id).Scan(into...)
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.New(fault.NotFound, "there is no such tablet")
	}
	return err
}

func (w *writer) changedTablet(id int32, field, was, became string) {
	if was != became {
		w.changedThing(KindTablet, strconv.Itoa(int(id)), field, was, became)
	}
}
