package store

import (
	"context"
	"crypto/subtle"
	"errors"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// CalendarReader is whose calendar a secret address opens.
type CalendarReader struct {
	Handle, Role string
}

// CalendarMade tells when a person's calendar address was made; the zero time:
// there is none.
func (s *Store) CalendarMade(ctx context.Context, person int32) (time.Time, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var at time.Time
	err := s.pool.QueryRow(ctx, `SELECT made_at FROM calendar_keys WHERE person = $1`, person).Scan(&at)
	if errors.Is(err, pgx.ErrNoRows) {
		return time.Time{}, nil
	}
	return at, wrap("store.CalendarMade", err)
}

// SetCalendarKey gives a person a calendar address with a key of that SHA-256; the
// one before opens nothing any more.
func (s *Store) SetCalendarKey(ctx context.Context, act Act, handle string, hash [32]byte) error {
	return s.changeAccount(ctx, act, "store.SetCalendarKey", handle, "calendar", "set", `INSERT INTO calendar_keys (person, hash, made_at)
		SELECT id, $3, $2 FROM people WHERE person = $1 AND disabled_at IS NULL
		ON CONFLICT (person) DO UPDATE SET hash = excluded.hash, made_at = excluded.made_at`, nil, hash[:])
}

// EndCalendarKey switches a person's calendar address off; NotFound when there is
// none.
func (s *Store) EndCalendarKey(ctx context.Context, act Act, handle string) error {
	return s.changeAccount(ctx, act, "store.EndCalendarKey", handle, "calendar", "",
		`DELETE FROM calendar_keys k USING people p WHERE p.id = k.person AND p.person = $1 AND $2::timestamptz IS NOT NULL`, nil)
}

// CalendarByHash gives whose calendar the key with a SHA-256 opens; NotFound when it
// is nobody's, or theirs who may not sign in any more.
func (s *Store) CalendarByHash(ctx context.Context, hash [32]byte) (r CalendarReader, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var stored []byte
	err = s.pool.QueryRow(ctx, `SELECT k.hash, p.person, p.role::text FROM calendar_keys k JOIN people p ON p.id = k.person
		WHERE k.hash = $1 AND p.disabled_at IS NULL AND p.removed_at IS NULL AND EXISTS (SELECT FROM passwords w WHERE w.person = p.id)`, hash[:]).Scan(&stored, &r.Handle, &r.Role)
	if errors.Is(err, pgx.ErrNoRows) || err == nil && subtle.ConstantTimeCompare(stored, hash[:]) != 1 {
		return CalendarReader{}, fault.New(fault.NotFound, "no such calendar")
	}
	return r, wrap("store.CalendarByHash", err)
}

// calendarFree is how many wrong calendar keys an address may send before it waits:
// a calendar program whose key was renewed asks for a while.
const calendarFree = 100

// CountWrongCalendar counts a key that opens nothing, by the address it came from,
// and tells how long to wait before another is looked at.
func (s *Store) CountWrongCalendar(ctx context.Context, address string) (wait time.Duration, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	wait, err = s.countTry(ctx, "address", tryKey("calendar "+address), calendarFree)
	return wait, wrap("store.CountWrongCalendar", err)
}
