package store

import (
	"context"
	"time"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Care is the latest of what was done to a plate (a treatment) or a printer (a probe).
type Care struct {
	ID      uuid.UUID // zero: nothing yet
	At      time.Time
	Arrived time.Time
	Code    string // method of a treatment, extent of a probe
	Person  string
	Voided  int // how many were taken back since 30 days before
}

// LastCare reads what was last done at or before a time, by plate and by printer.
func (s *Store) LastCare(ctx context.Context, plates, printers []string, at time.Time) (ofPlate, ofPrinter map[string]Care, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	ofPlate, ofPrinter = map[string]Care{}, map[string]Care{}
	batch := &pgx.Batch{}
	for _, q := range []struct {
		to                               map[string]Care
		tags                             []string
		thing, table, things, when, code string
	}{
		{ofPlate, plates, "plate", "cleanings", "plates", "cleaned_at", "method"},
		{ofPrinter, printers, "printer", "probes", "printers", "probed_at", "extent"},
	} {
		batch.Queue(`SELECT g.`+q.thing+`, x.id, x.at, x.arrived_at, coalesce(x.code, ''), coalesce(w.person, ''),
			(SELECT count(*) FROM `+q.table+` v WHERE v.`+q.thing+` = g.id AND v.`+q.when+` > $2 - interval '30 days' AND v.`+q.when+` <= $2 AND v.voided_at IS NOT NULL)
			FROM `+q.things+` g LEFT JOIN LATERAL (SELECT t.id, t.`+q.when+` AS at, t.arrived_at, t.`+q.code+`::text AS code, t.person FROM `+q.table+` t
				WHERE t.`+q.thing+` = g.id AND t.`+q.when+` <= $2 AND t.voided_at IS NULL ORDER BY t.`+q.when+` DESC, t.id DESC LIMIT 1) x ON true
			LEFT JOIN people w ON w.id = x.person WHERE g.`+q.thing+` = ANY($1)`, q.tags, at).Query(func(rows pgx.Rows) error {
			var tag string
			var c Care
			var id *uuid.UUID
			var when, arrived *time.Time
			_, err := pgx.ForEachRow(rows, []any{&tag, &id, &when, &arrived, &c.Code, &c.Person, &c.Voided}, func() error {
				c.ID, c.At, c.Arrived = uuid.Nil, time.Time{}, time.Time{}
				if id != nil {
					c.ID, c.At, c.Arrived = *id, *when, *arrived
				}
				q.to[tag] = c
				return nil
			})
			return err
		})
	}
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, nil, wrap("store.LastCare", err)
	}
	return ofPlate, ofPrinter, nil
}

// Duty is a shift of somebody that is not over.
type Duty struct {
	Person, Bay  string
	Starts, Ends time.Time
}

// Duties lists the shifts that are on at a time or begin in the hours after it, the
// first to begin first. Shifts are things: they are as they stand.
func (s *Store) Duties(ctx context.Context, at time.Time, hours int) ([]Duty, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.person, coalesce(s.bay, ''), s.starts_at, s.ends_at FROM shifts s JOIN people p ON p.id = s.person
		WHERE s.ends_at > $1 AND s.starts_at <= $2 AND s.starts_at > $1 - interval '3 days' ORDER BY s.starts_at, p.person, s.shift LIMIT 1000`, at, at.Add(time.Duration(hours)*time.Hour))
	if err != nil {
		return nil, wrap("store.Duties", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Duty])
	return list, wrap("store.Duties", err)
}
