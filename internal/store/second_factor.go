package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// SecondFactor is a person's second factor; its zero value is none.
type SecondFactor struct {
	Secret      string
	ConfirmedAt *time.Time // nil: begun, and asked for at no sign-in yet
	Codes       int        // recovery codes that are left
}

// SecondFactor gives a person's second factor.
func (s *Store) SecondFactor(ctx context.Context, person int32) (SecondFactor, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var f SecondFactor
	err := s.pool.QueryRow(ctx, `SELECT secret, confirmed_at, (SELECT count(*)::int FROM recovery_codes c WHERE c.person = f.person AND used_at IS NULL)
		FROM second_factors f WHERE person = $1`, person).Scan(&f.Secret, &f.ConfirmedAt, &f.Codes)
	if errors.Is(err, pgx.ErrNoRows) {
		return SecondFactor{}, nil
	}
	return f, wrap("store.SecondFactor", err)
}

// BeginSecondFactor keeps a new secret until it is confirmed; one that is in force
// stays as it is, which is a Conflict.
func (s *Store) BeginSecondFactor(ctx context.Context, person int32, secret string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `INSERT INTO second_factors (person, secret, begun_at) VALUES ($1, $2, $3)
		ON CONFLICT (person) DO UPDATE SET secret = excluded.secret, begun_at = excluded.begun_at WHERE second_factors.confirmed_at IS NULL`, person, secret, s.Now())
	if err == nil && tag.RowsAffected() == 0 {
		return fault.New(fault.Conflict, "There is a second factor already. Switch it off first.")
	}
	return wrap("store.BeginSecondFactor", err)
}

// ConfirmSecondFactor puts the secret a person began with in force: step is that
// of the code they proved it with, codes are the hashes of their recovery codes.
func (s *Store) ConfirmSecondFactor(ctx context.Context, act Act, handle, secret string, step int64, codes [][32]byte) error {
	return s.changeAccount(ctx, act, "store.ConfirmSecondFactor", handle, "second_factor", "on",
		`UPDATE second_factors f SET confirmed_at = $2, last_step = $4 FROM people p WHERE p.id = f.person AND p.person = $1 AND f.secret = $3 AND f.confirmed_at IS NULL`,
		func(ctx context.Context, w *writer) error {
			if err := w.recoveryCodes(ctx, handle, codes); err != nil {
				return err
			}
			_, err := w.tx.Exec(ctx, `INSERT INTO recovery_codes (hash, person, used_at) SELECT `+usedStep+`, f.person, $3 FROM second_factors f JOIN people p ON p.id = f.person WHERE p.person = $1`, handle, step, w.at)
			return err
		}, secret, step)
}

// recoveryCodes replaces a person's recovery codes.
func (w *writer) recoveryCodes(ctx context.Context, handle string, codes [][32]byte) error {
	if _, err := w.tx.Exec(ctx, `DELETE FROM recovery_codes WHERE person = (SELECT id FROM people WHERE person = $1)`, handle); err != nil {
		return err
	}
	for _, c := range codes {
		if _, err := w.tx.Exec(ctx, `INSERT INTO recovery_codes (hash, person) SELECT $2, id FROM people WHERE person = $1`, handle, c[:]); err != nil {
			return err
		}
	}
	return nil
}

// EndSecondFactor switches a person's second factor off; NotFound when there is
// none.
func (s *Store) EndSecondFactor(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.EndSecondFactor", handle, "second_factor", "",
		`DELETE FROM second_factors f USING people p WHERE p.id = f.person AND p.person = $1 AND $2::timestamptz IS NOT NULL`,
		func(ctx context.Context, w *writer) error { return w.recoveryCodes(ctx, handle, nil) })
}

// stepsApart is how many steps (of half a minute) two codes that count at one time lie
// apart at most. A last code further ahead is of a clock that was wrong, and keeps its
// person out no longer.
const stepsApart = 2

// usedStep is what a code that was taken leaves behind among the codes that are used up:
// the last one alone would let it count again once a clock has been ahead and back.
const usedStep = `sha256(convert_to(secret || ' ' || $2::bigint, 'UTF8'))`

// TakeStep uses the code of a step of time up, and tells whether it was still to
// be had: the same code never counts twice, on no replica, whatever the clock was.
func (s *Store) TakeStep(ctx context.Context, person int32, step int64) (bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `WITH taken AS (UPDATE second_factors SET last_step = $2 WHERE person = $1 AND confirmed_at IS NOT NULL AND (last_step < $2 OR last_step > $2 + $3)
			AND NOT EXISTS (SELECT FROM recovery_codes WHERE hash = `+usedStep+`) RETURNING secret)
		INSERT INTO recovery_codes (hash, person, used_at) SELECT `+usedStep+`, $1, $4 FROM taken ON CONFLICT (hash) DO NOTHING`, person, step, stepsApart, s.Now())
	return err == nil && tag.RowsAffected() == 1, wrap("store.TakeStep", err)
}

// TakeRecoveryCode uses a recovery code up, and tells whether it was one.
func (s *Store) TakeRecoveryCode(ctx context.Context, person int32, hash [32]byte) (bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `UPDATE recovery_codes SET used_at = $3 WHERE person = $1 AND hash = $2 AND used_at IS NULL`, person, hash[:], s.Now())
	return err == nil && tag.RowsAffected() == 1, wrap("store.TakeRecoveryCode", err)
}

// firstUseKept is how long an address for the first admin is good.
const firstUseKept = 24 * time.Hour

// nobodySignsIn is true while no account can be used.
const nobodySignsIn = `NOT EXISTS (SELECT FROM passwords)`

// OfferFirstUse keeps the hash of a new address for making the first admin, and
// tells whether it was needed: where somebody has an account it is not.
func (s *Store) OfferFirstUse(ctx context.Context, hash [32]byte) (bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `INSERT INTO first_uses (hash, made_at) SELECT $1, $2 WHERE `+nobodySignsIn, hash[:], s.Now())
	return err == nil && tag.RowsAffected() == 1, wrap("store.OfferFirstUse", err)
}

// FirstUse tells whether an address for making the first admin is still good.
func (s *Store) FirstUse(ctx context.Context, hash [32]byte) (good bool, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM first_uses WHERE hash = $1 AND made_at > $2) AND `+nobodySignsIn, hash[:], s.Now().Add(-firstUseKept)).Scan(&good)
	return good, wrap("store.FirstUse", err)
}

// FirstAdmin makes the first admin with an address that is still good and ends
// all such addresses; NotFound when somebody was quicker.
func (s *Store) FirstAdmin(ctx context.Context, act Act, use [32]byte, handle, hash string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		// The addresses' rows are taken first: whoever comes second finds none.
		tag, err := w.tx.Exec(ctx, `WITH known AS (SELECT FROM first_uses WHERE hash = $1 AND made_at > $2 FOR UPDATE)
			DELETE FROM first_uses WHERE EXISTS (SELECT FROM known) AND `+nobodySignsIn, use[:], w.at.Add(-firstUseKept))
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "There is nothing at this address.")
		}
		var id int32
		if err := w.tx.QueryRow(ctx, `INSERT INTO people (person, role) VALUES ($1, 'admin') ON CONFLICT (person) DO UPDATE SET role = 'admin', disabled_at = NULL RETURNING id`, handle).Scan(&id); err != nil {
			return err
		}
		if _, err := w.tx.Exec(ctx, `INSERT INTO passwords (person, hash, changed_at) VALUES ($1, $2, $3)`, id, hash, w.at); err != nil {
			return err
		}
		w.changedThing(farm.KindPerson, handle, "role", "", "admin")
		w.changedThing(farm.KindPerson, handle, "password", "", "set")
		return nil
	})
	return wrap("store.FirstAdmin", err)
}
