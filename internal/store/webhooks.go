package store

import (
	"context"
	"errors"
	"strings"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// Webhook is an address notices are posted to. Its secret is not here.
type Webhook struct {
	ID        int32
	Name      string
	URL       string
	Kinds     []string
	MadeAt    time.Time
	RotatedAt *time.Time
	OffAt     *time.Time
	Waiting   int // deliveries in the queue
	Dead      int // given up
}

// webhooksMost is how many there may be.
const webhooksMost = 50

const webhookColumns = `SELECT h.id, h.name, h.url, h.kinds, h.made_at, h.rotated_at, h.off_at,
	(SELECT count(*)::int FROM deliveries d WHERE d.webhook = h.id AND d.state = 'waiting'), (SELECT count(*)::int FROM deliveries d WHERE d.webhook = h.id AND d.state = 'dead') FROM webhooks h `

// Webhooks lists them: those in force first.
func (s *Store) Webhooks(ctx context.Context) ([]Webhook, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, webhookColumns+`ORDER BY h.off_at IS NOT NULL, h.name LIMIT 1000`)
	if err != nil {
		return nil, wrap("store.Webhooks", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Webhook])
	return list, wrap("store.Webhooks", err)
}

// WebhookByName gives one; NotFound when there is none.
func (s *Store) WebhookByName(ctx context.Context, name string) (Webhook, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, webhookColumns+`WHERE h.name = $1`, name)
	if err != nil {
		return Webhook{}, wrap("store.WebhookByName", err)
	}
	h, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Webhook])
	if errors.Is(err, pgx.ErrNoRows) {
		return h, noWebhook(name)
	}
	return h, wrap("store.WebhookByName", err)
}

func noWebhook(name string) error {
	return fault.New(fault.NotFound, "There is no webhook %s.", fault.Quote(name))
}

// AddWebhook makes one; a name that is taken is a Conflict.
func (s *Store) AddWebhook(ctx context.Context, act Act, h Webhook, secret []byte) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		var there int
		if err := w.tx.QueryRow(ctx, `SELECT count(*) FROM webhooks WHERE off_at IS NULL`).Scan(&there); err != nil {
			return err
		}
		if there >= webhooksMost {
			return fault.New(fault.Conflict, "there are %d webhooks already: switch one off first", there)
		}
		tag, err := w.tx.Exec(ctx, `INSERT INTO webhooks (name, url, kinds, secret, made_at) VALUES ($1, $2, $3, $4, $5) ON CONFLICT (name) DO NOTHING`, h.Name, h.URL, h.Kinds, secret, w.at)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "there is a webhook %s already", fault.Quote(h.Name))
		}
		w.changedThing("webhook", h.Name, "url", "", h.URL)
		w.changedThing("webhook", h.Name, "kinds", "", strings.Join(h.Kinds, " "))
		w.changedThing("webhook", h.Name, "secret", "", "set")
		return nil
	})
	return wrap("store.AddWebhook", err)
}

// ChangeWebhook gives a webhook another address and kinds.
func (s *Store) ChangeWebhook(ctx context.Context, act Act, h Webhook) error {
	return s.changeWebhook(ctx, act, "store.ChangeWebhook", h.Name, func(ctx context.Context, w *writer, was Webhook) error {
		if was.URL != h.URL {
			w.changedThing("webhook", h.Name, "url", was.URL, h.URL)
		}
		if a, b := strings.Join(was.Kinds, " "), strings.Join(h.Kinds, " "); a != b {
			w.changedThing("webhook", h.Name, "kinds", a, b)
		}
		_, err := w.tx.Exec(ctx, `UPDATE webhooks SET url = $2, kinds = $3 WHERE id = $1`, was.ID, h.URL, h.Kinds)
		return err
	})
}

// RotateWebhook gives a webhook another secret, by which everything is signed from
// then on, what waits too.
func (s *Store) RotateWebhook(ctx context.Context, act Act, name string, secret []byte) error {
	return s.changeWebhook(ctx, act, "store.RotateWebhook", name, func(ctx context.Context, w *writer, was Webhook) error {
		w.changedThing("webhook", name, "secret", "set", "set anew")
		_, err := w.tx.Exec(ctx, `UPDATE webhooks SET secret = $2, rotated_at = $3 WHERE id = $1`, was.ID, secret, w.at)
		return err
	})
}

// SwitchWebhook switches a webhook off, which drops what waits for it, or on.
func (s *Store) SwitchWebhook(ctx context.Context, act Act, name string, on bool) error {
	return s.changeWebhook(ctx, act, "store.SwitchWebhook", name, func(ctx context.Context, w *writer, was Webhook) error {
		if on == (was.OffAt == nil) {
			return nil
		}
		if on {
			w.changedThing("webhook", name, "off_at", "set", "")
			_, err := w.tx.Exec(ctx, `UPDATE webhooks SET off_at = NULL WHERE id = $1`, was.ID)
			return err
		}
		w.changedThing("webhook", name, "off_at", "", w.at.Format(time.RFC3339))
		if _, err := w.tx.Exec(ctx, `DELETE FROM deliveries WHERE webhook = $1 AND state = 'waiting'`, was.ID); err != nil {
			return err
		}
		_, err := w.tx.Exec(ctx, `UPDATE webhooks SET off_at = $2 WHERE id = $1`, was.ID, w.at)
		return err
	})
}

// TestWebhook puts a delivery that tells nothing into the queue.
func (s *Store) TestWebhook(ctx context.Context, name string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	tag, err := s.pool.Exec(ctx, `INSERT INTO deliveries (id, way, purpose, webhook, made_at, next_at)
		SELECT gen_random_uuid(), 'webhook', 'test', id, $2, $2 FROM webhooks WHERE name = $1 AND off_at IS NULL`, name, s.Now())
	if err == nil && tag.RowsAffected() == 0 {
		return noWebhook(name)
	}
	return wrap("store.TestWebhook", err)
}

func (s *Store) changeWebhook(ctx context.Context, act Act, what, name string, fn func(context.Context, *writer, Webhook) error) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		var h Webhook
		err := w.tx.QueryRow(ctx, `SELECT id, name, url, kinds, off_at FROM webhooks WHERE name = $1 FOR UPDATE`, name).Scan(&h.ID, &h.Name, &h.URL, &h.Kinds, &h.OffAt)
		if errors.Is(err, pgx.ErrNoRows) {
			return noWebhook(name)
		}
		if err != nil {
			return err
		}
		return fn(ctx, w, h)
	})
	return wrap(what, err)
}
