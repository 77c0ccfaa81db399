package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/notices"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Delivery is one thing to send. ID is the key by which its receiver knows a
// repeat.
type Delivery struct {
	ID      uuid.UUID
	Way     string // webhook, mail
	Purpose string // notices, confirm, test
	Webhook int32  // 0 none
	Person  int32  // 0 none
	Notices []int64
	More    int
	MadeAt  time.Time
	Tries   int // with this one
}

// TakeDelivery takes the delivery that has been due longest and that no other
// worker has, for as long as the lease; nil: none is due. When the worker dies the
// delivery comes up again after the lease, with the same ID. What a clock that was ahead
// put off for longer than the wait of its tries is due, too.
func (s *Store) TakeDelivery(ctx context.Context, lease time.Duration) (*Delivery, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	now := s.Now()
	longest := make([]time.Time, notices.MostTries) // after so many tries, less one
	for i := range longest {
		wait, _ := notices.Wait(i + 1)
		longest[i] = now.Add(wait + lease + clocksApart)
	}
	var d Delivery
	err := s.pool.QueryRow(ctx, `UPDATE deliveries SET next_at = $2, tries = tries + 1
		WHERE id = (SELECT id FROM deliveries WHERE state = 'waiting' AND (next_at <= $1 OR next_at > ($3::timestamptz[])[tries] OR tries = 0 AND next_at = made_at AND made_at > $4)
			ORDER BY next_at LIMIT 1 FOR UPDATE SKIP LOCKED)
		RETURNING id, way, purpose, coalesce(webhook, 0), coalesce(person, 0), notices, more, made_at, tries`, now, now.Add(lease), longest, now.Add(clocksApart)).
		Scan(&d.ID, &d.Way, &d.Purpose, &d.Webhook, &d.Person, &d.Notices, &d.More, &d.MadeAt, &d.Tries)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("store.TakeDelivery", err)
	}
	return &d, nil
}

// EndDelivery notes how a taking ended: sent; else to be tried again after a wait
// or, with none, given up. It says nothing where another worker has taken it since.
func (s *Store) EndDelivery(ctx context.Context, d *Delivery, sent bool, answer string, wait time.Duration) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	now := s.Now()
	state, next := "waiting", now.Add(wait)
	var ended *time.Time
	switch {
	case sent:
		state, next, ended = "sent", now, &now
	case wait == 0:
		state, next, ended = "dead", now, &now
	}
	_, err := s.pool.Exec(ctx, `UPDATE deliveries SET state = $3, next_at = $4, answer = $5, ended_at = $6 WHERE id = $1 AND tries = $2 AND state = 'waiting'`, d.ID, d.Tries, state, next, answer, ended)
	return wrap("store.EndDelivery", err)
}

// DropDelivery removes a delivery whose receiver wants nothing any more.
func (s *Store) DropDelivery(ctx context.Context, d *Delivery) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `DELETE FROM deliveries WHERE id = $1 AND state = 'waiting'`, d.ID)
	return wrap("store.DropDelivery", err)
}

// Told is a notice as it is sent.
type Told struct {
	Kind        notices.Kind
	At          time.Time
	SubjectKind string
	Subject     string
	Words       string
	Path        string
}

// DeliveryNotices gives what a delivery tells, oldest first.
func (s *Store) DeliveryNotices(ctx context.Context, d *Delivery) ([]Told, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT kind, at, subject_kind, subject, words, path FROM notices WHERE id = ANY ($1) ORDER BY id`, d.Notices)
	if err != nil {
		return nil, wrap("store.DeliveryNotices", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Told])
	return list, wrap("store.DeliveryNotices", err)
}

// MailTo is where a person's mail goes.
type MailTo struct {
	Address    string
	Confirmed  bool
	ConfirmKey string // "" none is awaited
	StopKey    string
}

// DeliveryAddress gives where a delivery by mail goes; NotFound where the person
// has no address or may not sign in any more.
func (s *Store) DeliveryAddress(ctx context.Context, d *Delivery) (MailTo, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var m MailTo
	err := s.pool.QueryRow(ctx, `SELECT a.address, a.confirmed_at IS NOT NULL, coalesce(a.confirm_key, ''), a.stop_key FROM mail_addresses a
		JOIN people p ON p.id = a.person JOIN passwords w ON w.person = p.id WHERE a.person = $1 AND p.disabled_at IS NULL`, d.Person).Scan(&m.Address, &m.Confirmed, &m.ConfirmKey, &m.StopKey)
	if errors.Is(err, pgx.ErrNoRows) {
		return m, fault.New(fault.NotFound, "there is no address to send to")
	}
	return m, wrap("store.DeliveryAddress", err)
}

// HookTo is where a webhook's deliveries go, and what signs them.
type HookTo struct {
	URL    string
	Secret []byte
}

// DeliveryHook gives where a delivery by webhook goes; NotFound where it is off.
func (s *Store) DeliveryHook(ctx context.Context, d *Delivery) (HookTo, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var h HookTo
	err := s.pool.QueryRow(ctx, `SELECT url, secret FROM webhooks WHERE id = $1 AND off_at IS NULL`, d.Webhook).Scan(&h.URL, &h.Secret)
	if errors.Is(err, pgx.ErrNoRows) {
		return h, fault.New(fault.NotFound, "the webhook is switched off")
	}
	return h, wrap("store.DeliveryHook", err)
}

// DeliveryRow is a delivery as admins see it: of people their handle, no address.
type DeliveryRow struct {
	ID      uuid.UUID
	Way     string
	Purpose string
	To      string // name of the webhook, handle of the person
	MadeAt  time.Time
	NextAt  time.Time
	Tries   int
	State   string
	Answer  string
	EndedAt *time.Time
}

const deliveryRows = `SELECT d.id, d.way, d.purpose, coalesce(h.name, p.person), d.made_at, d.next_at, d.tries, d.state, coalesce(d.answer, ''), d.ended_at
	FROM deliveries d LEFT JOIN webhooks h ON h.id = d.webhook LEFT JOIN people p ON p.id = d.person `

func (s *Store) deliveryRows(ctx context.Context, rest string, args ...any) ([]DeliveryRow, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, deliveryRows+rest, args...)
	if err != nil {
		return nil, wrap("store.Deliveries", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[DeliveryRow])
	return list, wrap("store.Deliveries", err)
}

// DeadDeliveries lists what was given up, latest first.
func (s *Store) DeadDeliveries(ctx context.Context, limit int) ([]DeliveryRow, error) {
	return s.deliveryRows(ctx, `WHERE d.state = 'dead' ORDER BY d.ended_at DESC, d.id LIMIT $1`, limit)
}

// WebhookDeliveries lists the last deliveries of a webhook.
func (s *Store) WebhookDeliveries(ctx context.Context, webhook int32, limit int) ([]DeliveryRow, error) {
	return s.deliveryRows(ctx, `WHERE d.webhook = $1 ORDER BY d.made_at DESC, d.id LIMIT $2`, webhook, limit)
}

// RetryDelivery puts what was given up into the queue again, under the same key;
// NotFound when it is not there.
func (s *Store) RetryDelivery(ctx context.Context, id uuid.UUID) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `UPDATE deliveries SET state = 'waiting', tries = 0, next_at = $2, ended_at = NULL WHERE id = $1 AND state = 'dead'`, id, s.Now())
	if err == nil && tag.RowsAffected() == 0 {
		return fault.New(fault.NotFound, "This delivery is not waiting for another try.")
	}
	return wrap("store.RetryDelivery", err)
}
