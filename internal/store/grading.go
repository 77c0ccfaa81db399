package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// WaitingStart is a recorded start nobody has graded yet.
type WaitingStart struct {
	ID        uuid.UUID
	StartedAt time.Time
	Printer   string
	Bay       string
	Plate     string // as recorded with the start; "" not stated
	Material  string
}

// WaitingStarts lists starts without a grade over from < started_at <= to, the
// oldest first; at most limit. Voided ones, and those whose outcome says that
// the print is over and gone or that it was taken off unseen, are left out.
func (s *Store) WaitingStarts(ctx context.Context, from, to time.Time, limit int) ([]WaitingStart, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT f.id, f.started_at, p.printer, coalesce(p.bay, '') AS bay, coalesce(l.plate, '') AS plate, coalesce(m.material, '') AS material
		FROM (SELECT id, started_at, printer, plate, material FROM first_layers
				WHERE started_at > $1 AND started_at <= $2 AND grade IS NULL AND outcome IS NULL AND unseen IS NULL AND voided_at IS NULL ORDER BY started_at, id LIMIT $3) f
			JOIN printers p ON p.id = f.printer LEFT JOIN plates l ON l.id = f.plate LEFT JOIN materials m ON m.id = f.material
		ORDER BY f.started_at, f.id`, from, to, limit)
	if err != nil {
		return nil, wrap("store.WaitingStarts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[WaitingStart])
	return list, wrap("store.WaitingStarts", err)
}

// WaitingLayers is WaitingStarts as whole records, the newest first.
func (s *Store) WaitingLayers(ctx context.Context, from, to time.Time, limit int) ([]*farm.FirstLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindFirstLayer, ` WHERE t.started_at > $1 AND t.started_at <= $2 AND t.grade IS NULL AND t.outcome IS NULL AND t.voided_at IS NULL
		ORDER BY t.started_at DESC, t.id DESC LIMIT $3`, from, to, limit)
	if err != nil {
		return nil, wrap("store.WaitingLayers", err)
	}
	out := make([]*farm.FirstLayer, len(list))
	for i, r := range list {
		out[i] = r.(*farm.FirstLayer)
	}
	return out, nil
}

// BayOf gives the bay a printer stands in; "" not said.
func (s *Store) BayOf(ctx context.Context, printer string) (string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var bay string
	err := s.pool.QueryRow(ctx, `SELECT coalesce(bay, '') FROM printers WHERE printer = $1`, printer).Scan(&bay)
	return bay, wrap("store.BayOf", err)
}

// LatestStarts gives a printer's latest starts at or before a time, newest
// first, voided ones left out; at most limit.
func (s *Store) LatestStarts(ctx context.Context, printer string, at time.Time, limit int) ([]*farm.FirstLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindFirstLayer, ` WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.started_at <= $2 AND t.voided_at IS NULL
		ORDER BY t.started_at DESC, t.id DESC LIMIT $3`, printer, at, limit)
	if err != nil {
		return nil, wrap("store.LatestStarts", err)
	}
	out := make([]*farm.FirstLayer, len(list))
	for i, r := range list {
		out[i] = r.(*farm.FirstLayer)
	}
	return out, nil
}

// LayerNear is what stands beside a first layer: its neighbours on the same
// printer, voided ones left out, and the record that replaces it.
type LayerNear struct{ Previous, Next, ReplacedBy uuid.UUID }

// LayerNear finds what stands beside a first layer.
func (s *Store) LayerNear(ctx context.Context, f *farm.FirstLayer) (LayerNear, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var n LayerNear
	batch := &pgx.Batch{}
	const of = `SELECT id FROM first_layers WHERE printer = (SELECT id FROM printers WHERE printer = $1)`
	batch.Queue(of+` AND started_at <= $2 AND (started_at, id) < ($2, $3) AND voided_at IS NULL ORDER BY started_at DESC, id DESC LIMIT 1`, f.Printer, f.StartedAt, f.ID.UUID)
	batch.Queue(of+` AND started_at >= $2 AND (started_at, id) > ($2, $3) AND voided_at IS NULL ORDER BY started_at, id LIMIT 1`, f.Printer, f.StartedAt, f.ID.UUID)
	if !f.VoidedAt.IsZero() {
		// The replacement may say another time or printer: it was recorded with the voiding, or is looked for on the printer.
		batch.Queue(`SELECT f.id FROM first_layers f JOIN records r ON r.id = f.id
			WHERE f.replaces = $1 AND f.started_at = r.happened_at AND f.printer = r.owner AND r.id IN (
				SELECT x.id FROM changes c JOIN records x ON x.act = c.act WHERE c.record = $1 AND c.field = 'voided_at'
				UNION ALL SELECT id FROM first_layers WHERE printer = (SELECT id FROM printers WHERE printer = $2) AND replaces = $1) LIMIT 1`, f.ID.UUID, f.Printer)
	}
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	for i, into := range []*uuid.UUID{&n.Previous, &n.Next, &n.ReplacedBy} {
		if i == batch.Len() {
			break
		}
		if err := r.QueryRow().Scan(into); err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return n, wrap("store.LayerNear", err)
		}
	}
	return n, nil
}

// RecordAct is one act that made or changed a record.
type RecordAct struct {
	Act    int64
	At     time.Time
	Via    string // import, api, page, command, program
	Person string // "" a machine
	Token  string
	Why    string
	Made   bool // it created the record
	Fields []FieldChange
}

// FieldChange is what an act changed in one field.
type FieldChange struct{ Field, Was, Became string }

// RecordActs lists what was done to a record, the first act first.
func (s *Store) RecordActs(ctx context.Context, id uuid.UUID) ([]RecordAct, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT a.id, a.at, a.via, coalesce(w.person, ''), coalesce(t.name, ''), coalesce(a.why, ''), x.made, x.field, x.was, x.became
		FROM (SELECT act, true AS made, '' AS field, '' AS was, '' AS became, 0::bigint AS id FROM records WHERE id = $1
			UNION ALL SELECT act, false, field, coalesce(`+named("was")+`, ''), coalesce(`+named("became")+`, ''), id FROM changes WHERE record = $1) x
			JOIN acts a ON a.id = x.act LEFT JOIN people w ON w.id = a.person LEFT JOIN tokens t ON t.id = a.token
		ORDER BY a.id, x.id`, id)
	if err != nil {
		return nil, wrap("store.RecordActs", err)
	}
	var list []RecordAct
	var a RecordAct
	var f FieldChange
	_, err = pgx.ForEachRow(rows, []any{&a.Act, &a.At, &a.Via, &a.Person, &a.Token, &a.Why, &a.Made, &f.Field, &f.Was, &f.Became}, func() error {
		if len(list) == 0 || list[len(list)-1].Act != a.Act {
			list = append(list, a)
		}
		if last := &list[len(list)-1]; f.Field != "" {
			last.Fields = append(last.Fields, f)
		}
		return nil
	})
	return list, wrap("store.RecordActs", err)
}
