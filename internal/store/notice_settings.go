package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// NoticeSettings is what a person wants to be told, by what way, and where mail
// goes. Ways are off, app, mail (in the app and by mail).
type NoticeSettings struct {
	Hold, Finding, Job string
	InShifts           bool // mail waits for the next shift
	Address            string
	Confirmed          bool
}

// PersonNoticeSettings gives a person's settings; who chose nothing is told in
// the app only.
func (s *Store) PersonNoticeSettings(ctx context.Context, person int32) (NoticeSettings, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var n NoticeSettings
	err := s.pool.QueryRow(ctx, `SELECT coalesce(n.hold, 'app'), coalesce(n.finding, 'app'), coalesce(n.job, 'app'), coalesce(n.in_shifts, false), coalesce(a.address, ''), a.confirmed_at IS NOT NULL
		FROM people p LEFT JOIN notice_settings n ON n.person = p.id LEFT JOIN mail_addresses a ON a.person = p.id WHERE p.id = $1`, person).
		Scan(&n.Hold, &n.Finding, &n.Job, &n.InShifts, &n.Address, &n.Confirmed)
	return n, wrap("store.PersonNoticeSettings", err)
}

// SaveNoticeSettings keeps what a person wants; the address is apart.
func (s *Store) SaveNoticeSettings(ctx context.Context, person int32, n NoticeSettings) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `INSERT INTO notice_settings (person, hold, finding, job, in_shifts) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (person) DO UPDATE SET hold = excluded.hold, finding = excluded.finding, job = excluded.job, in_shifts = excluded.in_shifts`, person, n.Hold, n.Finding, n.Job, n.InShifts)
	return wrap("store.SaveNoticeSettings", err)
}

// How often a person may have a mail sent to an address that is not confirmed, and
// how long the link in it is good.
const (
	confirmsADay = 5
	ConfirmKept  = 48 * time.Hour
)

// AskAddress keeps a person's address, not confirmed, and puts the mail that asks
// into the queue. Both keys are new.
func (s *Store) AskAddress(ctx context.Context, person int32, address, confirmKey, stopKey string) error {
	err := s.telling(ctx, func(ctx context.Context, tx pgx.Tx, now time.Time) error {
		var asked int
		if err := tx.QueryRow(ctx, `SELECT count(*) FROM deliveries WHERE person = $1 AND purpose = 'confirm' AND made_at > $2`, person, now.Add(-24*time.Hour)).Scan(&asked); err != nil {
			return err
		}
		if asked >= confirmsADay {
			return fault.New(fault.Conflict, "%d mails were sent to be confirmed within a day. Try again tomorrow.", asked)
		}
		if _, err := tx.Exec(ctx, `DELETE FROM deliveries WHERE person = $1 AND way = 'mail' AND purpose <> 'confirm' AND state = 'waiting'`, person); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE deliveries SET state = 'dead', ended_at = $2, answer = 'another address was asked for' WHERE person = $1 AND purpose = 'confirm' AND state = 'waiting'`, person, now); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO mail_addresses (person, address, asked_at, confirm_key, stop_key) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (person) DO UPDATE SET address = excluded.address, asked_at = excluded.asked_at, confirm_key = excluded.confirm_key, confirmed_at = NULL, stop_key = excluded.stop_key`,
			person, address, now, confirmKey, stopKey); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO deliveries (id, way, purpose, person, made_at, next_at) VALUES (gen_random_uuid(), 'mail', 'confirm', $1, $2, $2)`, person, now)
		return err
	})
	return wrap("store.AskAddress", err)
}

// AddressAsked tells whether a link that confirms is still good.
func (s *Store) AddressAsked(ctx context.Context, key string) (good bool, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM mail_addresses WHERE confirm_key = $1 AND asked_at > $2)`, key, s.Now().Add(-ConfirmKept)).Scan(&good)
	return good, wrap("store.AddressAsked", err)
}

// ConfirmAddress takes the word of whoever holds a link's key that the address is
// theirs; the key is used up. NotFound when it is not good.
func (s *Store) ConfirmAddress(ctx context.Context, key string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	now := s.Now()
	tag, err := s.pool.Exec(ctx, `UPDATE mail_addresses SET confirmed_at = $2, confirm_key = NULL WHERE confirm_key = $1 AND asked_at > $3`, key, now, now.Add(-ConfirmKept))
	if err == nil && tag.RowsAffected() == 0 {
		return noSuchLink()
	}
	return wrap("store.ConfirmAddress", err)
}

func noSuchLink() error {
	return fault.New(fault.NotFound, "There is nothing at this address.")
}

// StopKeyKnown tells whether a link that stops mail leads to an address.
func (s *Store) StopKeyKnown(ctx context.Context, key string) (known bool, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM mail_addresses WHERE stop_key = $1)`, key).Scan(&known)
	return known, wrap("store.StopKeyKnown", err)
}

// StopMail forgets the address a link's key belongs to, and what waits to be sent
// to it; NotFound when there is none.
func (s *Store) StopMail(ctx context.Context, key string) error {
	err := s.telling(ctx, func(ctx context.Context, tx pgx.Tx, _ time.Time) error {
		var person int32
		err := tx.QueryRow(ctx, `SELECT person FROM mail_addresses WHERE stop_key = $1`, key).Scan(&person)
		if errors.Is(err, pgx.ErrNoRows) {
			return noSuchLink()
		}
		if err != nil {
			return err
		}
		return forgetAddress(ctx, tx, person)
	})
	return wrap("store.StopMail", err)
}

// ForgetAddress forgets a person's address and what waits to be sent to it.
func (s *Store) ForgetAddress(ctx context.Context, person int32) error {
	err := s.telling(ctx, func(ctx context.Context, tx pgx.Tx, _ time.Time) error { return forgetAddress(ctx, tx, person) })
	return wrap("store.ForgetAddress", err)
}

func forgetAddress(ctx context.Context, tx pgx.Tx, person int32) error {
	// Mails that asked stay listed, so that asking again and again stays counted.
	for _, sql := range []string{
		`DELETE FROM deliveries WHERE person = $1 AND way = 'mail' AND purpose <> 'confirm' AND state = 'waiting'`,
		`DELETE FROM mail_addresses WHERE person = $1`,
	} {
		if _, err := tx.Exec(ctx, sql, person); err != nil {
			return err
		}
	}
	return nil
}
