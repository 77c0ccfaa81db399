package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// PinHolder is somebody who may change over to themselves on a tablet.
type PinHolder struct {
	Handle, Name string
}

const pinHolders = `FROM pins n JOIN people p ON p.id = n.person WHERE p.disabled_at IS NULL AND p.removed_at IS NULL`

// PinHolders lists everybody with a PIN who is not switched off, by what they are
// called.
func (s *Store) PinHolders(ctx context.Context) ([]PinHolder, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.person, coalesce(p.name, '') `+pinHolders+` ORDER BY lower(coalesce(p.name, p.person)), p.person COLLATE "C" LIMIT 1000`)
	if err != nil {
		return nil, wrap("store.PinHolders", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PinHolder])
	return list, wrap("store.PinHolders", err)
}

// PinByHandle gives the account of somebody with a PIN, with the PIN's hash;
// NotFound when nobody by that handle has one and may use it. ChangedAt is when the
// PIN or the password was set, or sessions were ended.
func (s *Store) PinByHandle(ctx context.Context, handle string) (Account, error) {
	return s.account(ctx, pinAccount+` AND p.person = $1`, handle)
}

// PinByPerson is PinByHandle by the database's key.
func (s *Store) PinByPerson(ctx context.Context, person int32) (Account, error) {
	return s.account(ctx, pinAccount+` AND p.id = $1`, person)
}

const pinAccount = `SELECT p.id, p.person, coalesce(p.name, '') AS name, p.role::text AS role, n.hash,
		greatest(n.changed_at, (SELECT w.changed_at FROM passwords w WHERE w.person = p.id)) AS changed_at, false AS factor,
		(SELECT count(*)::int FROM person_notices m WHERE m.person = p.id AND m.read_at IS NULL AND m.nth <= 6) AS unread
	` + pinHolders

// PinSet tells when a person's PIN was set; nil: they have none.
func (s *Store) PinSet(ctx context.Context, handle string) (*time.Time, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var at time.Time
	err := s.pool.QueryRow(ctx, `SELECT n.changed_at FROM pins n JOIN people p ON p.id = n.person WHERE p.person = $1`, handle).Scan(&at)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return &at, wrap("store.PinSet", err)
}

// SetPin gives a person a PIN of that hash, which ends what they began with the one
// before; NotFound when there is nobody by that handle or they were switched off.
// That it was set is kept, never what it is.
func (s *Store) SetPin(ctx context.Context, act Act, handle, hash string) error {
	return s.changeAccount(ctx, act, "store.SetPin", handle, "pin", "set", `INSERT INTO pins (person, hash, changed_at)
		SELECT id, $3, $2 FROM people WHERE person = $1 AND disabled_at IS NULL
		ON CONFLICT (person) DO UPDATE SET hash = excluded.hash, changed_at = excluded.changed_at`, nil, hash)
}

// EndPin takes a person's PIN away; NotFound when they have none.
func (s *Store) EndPin(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.EndPin", handle, "pin", "",
		`DELETE FROM pins n USING people p WHERE p.id = n.person AND p.person = $1 AND $2::timestamptz IS NOT NULL`, nil)
}

// How slow guessing of PINs gets: tries of one person on one tablet beyond
// handleFree wait as those of passwords do, and so do all tries on a tablet beyond
// tabletFree, whosever PIN is guessed. enrolFree is for codes, by address.
const (
	tabletFree = 20
	enrolFree  = 10
)

func pinKey(tablet int32, handle string) string {
	return tryKey(fmt.Sprintf("pin %d %s", tablet, handle))
}

func tabletKey(tablet int32) string { return tryKey(fmt.Sprintf("tablet %d", tablet)) }

// CountPin counts a try of a person's PIN on a tablet before it is looked at, and
// tells how long to wait first; 0: it may go on. Nobody waits for tries on another
// tablet, nor for another's below tabletFree.
func (s *Store) CountPin(ctx context.Context, tablet int32, handle string) (wait time.Duration, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	// The person's first: a try that has to wait counts for nobody.
	if wait, err = s.countTry(ctx, "handle", pinKey(tablet, handle), handleFree); err != nil || wait > 0 {
		return wait, wrap("store.CountPin", err)
	}
	if wait, err = s.countTry(ctx, "address", tabletKey(tablet), tabletFree); err == nil && wait > 0 {
		_, err = s.pool.Exec(ctx, `UPDATE sign_in_tries SET failures = greatest(failures - 1, 0), next_at = least(next_at, last_at) WHERE kind = 'handle' AND key = $1`, pinKey(tablet, handle))
	}
	return wait, wrap("store.CountPin", err)
}

// ForgetPins takes a person's count on a tablet back after a right PIN, and this
// try's share of the tablet's.
func (s *Store) ForgetPins(ctx context.Context, tablet int32, handle string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	batch.Queue(`DELETE FROM sign_in_tries WHERE kind = 'handle' AND key = $1`, pinKey(tablet, handle))
	batch.Queue(`UPDATE sign_in_tries SET failures = greatest(failures - 1, 0), next_at = least(next_at, last_at) WHERE kind = 'address' AND key = $1`, tabletKey(tablet))
	return wrap("store.ForgetPins", s.pool.SendBatch(ctx, batch).Close())
}

// CountCode counts a typed code of enrolment by the address it came from and tells
// how long to wait first; a right one is given back by ForgetCodes.
func (s *Store) CountCode(ctx context.Context, address string) (wait time.Duration, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	wait, err = s.countTry(ctx, "address", tryKey("enrol "+address), enrolFree)
	return wait, wrap("store.CountCode", err)
}

// ForgetCodes takes this try's share back.
func (s *Store) ForgetCodes(ctx context.Context, address string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE sign_in_tries SET failures = greatest(failures - 1, 0) WHERE kind = 'address' AND key = $1`, tryKey("enrol "+address))
	return wrap("store.ForgetCodes", err)
}
