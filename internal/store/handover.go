package store

import (
	"context"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// HandedOver is a handover with its receipts, the first first; voided ones are left
// out.
type HandedOver struct {
	*farm.Handover
	Receipts []*farm.HandoverEntry
}

// Handovers lists handovers, the latest first, after a cursor (zero: from the
// latest), at most limit. Voided ones are left out.
func (s *Store) Handovers(ctx context.Context, before Cursor, limit int) ([]HandedOver, error) {
	if before.At.IsZero() {
		before = Cursor{farFuture, lastID}
	}
	return s.handovers(ctx, ` WHERE (t.at, t.id) < ($1, $2) AND t.voided_at IS NULL ORDER BY t.at DESC, t.id DESC LIMIT $3`, before.At, before.ID, limit)
}

// HandoverByID gives one handover, a voided one too; NotFound when there is none.
func (s *Store) HandoverByID(ctx context.Context, id uuid.UUID) (HandedOver, error) {
	list, err := s.handovers(ctx, ` WHERE t.id = $1 AND t.at = (SELECT happened_at FROM records WHERE id = $1)`, id)
	if err == nil && len(list) != 1 {
		err = fault.New(fault.NotFound, "There is no such handover.")
	}
	if err != nil {
		return HandedOver{}, wrap("store.HandoverByID", err)
	}
	return list[0], nil
}

func (s *Store) handovers(ctx context.Context, rest string, args ...any) ([]HandedOver, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindHandover, rest, args...)
	if err != nil {
		return nil, wrap("store.Handovers", err)
	}
	out := make([]HandedOver, len(list))
	at := map[string]int{}
	var names []string // a receipt names a handover as its recorder wrote it
	for i, r := range list {
		out[i].Handover = r.(*farm.Handover)
		for _, name := range []string{out[i].ID.UUID.String(), out[i].ID.Ref} {
			if name != "" {
				at[name] = i
				names = append(names, name)
			}
		}
	}
	if len(out) == 0 {
		return out, nil
	}
	receipts, err := s.take(ctx, farm.KindHandoverEntry, ` WHERE t.handover = ANY ($1) AND t.what = 'receipt' AND t.voided_at IS NULL ORDER BY t.at, t.id`, names)
	if err != nil {
		return nil, wrap("store.Handovers", err)
	}
	for _, r := range receipts {
		e := r.(*farm.HandoverEntry)
		i := at[e.Handover]
		out[i].Receipts = append(out[i].Receipts, e)
	}
	return out, nil
}

// mostNotes is how many notes of one shift are read.
const mostNotes = 200

// HandoverNotes lists the notes after a time up to another, the first first.
func (s *Store) HandoverNotes(ctx context.Context, from, to time.Time) ([]*farm.HandoverEntry, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindHandoverEntry, ` WHERE t.at > $1 AND t.at <= $2 AND t.what = 'note' AND t.voided_at IS NULL ORDER BY t.at, t.id LIMIT $3`, from, to, mostNotes)
	if err != nil {
		return nil, wrap("store.HandoverNotes", err)
	}
	out := make([]*farm.HandoverEntry, len(list))
	for i, r := range list {
		out[i] = r.(*farm.HandoverEntry)
	}
	return out, nil
}

// ShiftWork counts what was recorded to have happened over a time.
type ShiftWork struct {
	Started, Graded, Failed int
	Wiped, Washed, Coated   int // cleanings; washed deep counts as washed
	Probed, Skipped, Fitted int
	Changes                 []ShiftChange // the latest first, at most mostChanges
	ChangesAll              int
}

// ShiftChange is one act that changes how a printer or plate stands, or what the farm
// asks for.
type ShiftChange struct {
	Kind    string // offset_change, service, plate_state, hold, release, policy
	Subject string
	Plate   bool
	At      time.Time
	Code    string
	Detail  string
	FromMM  *float64
	ToMM    *float64
	All     int
}

const mostChanges = 12

// ShiftWork counts what happened after from up to a time, by the ends of indexes of
// each printer and plate.
func (s *Store) ShiftWork(ctx context.Context, from, to time.Time) (w ShiftWork, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	each := func(table, when string) string {
		return `(SELECT coalesce(sum(n), 0)::int FROM printers p CROSS JOIN LATERAL (SELECT count(*) AS n FROM ` + table + ` x
			WHERE x.printer = p.id AND x.` + when + ` > $1 AND x.` + when + ` <= $2 AND x.voided_at IS NULL) c)`
	}
	batch.Queue(`SELECT f.*, c.*, `+each("probes", "probed_at")+`, `+each("probes_skipped", "at")+`, `+each("fittings", "fitted_at")+`
		FROM (SELECT count(*)::int, count(f.grade)::int, (count(*) FILTER (WHERE `+failureSQL+`))::int FROM first_layers f WHERE f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL) f,
			(SELECT (count(*) FILTER (WHERE method = 'wipe'))::int, (count(*) FILTER (WHERE method IN ('wash', 'deep')))::int, (count(*) FILTER (WHERE method = 'coat'))::int
				FROM cleanings WHERE cleaned_at > $1 AND cleaned_at <= $2 AND voided_at IS NULL) c`, from, to).QueryRow(func(row pgx.Row) error {
		return row.Scan(&w.Started, &w.Graded, &w.Failed, &w.Wiped, &w.Washed, &w.Coated, &w.Probed, &w.Skipped, &w.Fitted)
	})
	batch.Queue(`SELECT x.kind, x.subject, x.plate, x.at, coalesce(x.code, ''), coalesce(x.detail, ''), x.from_mm, x.to_mm, count(*) OVER ()::int FROM (
			SELECT 'offset_change' AS kind, p.printer AS subject, false AS plate, o.changed_at AS at, NULL AS code, o.reason AS detail, o.from_mm, o.to_mm, o.id
				FROM printers p JOIN LATERAL (SELECT * FROM offset_changes o WHERE o.printer = p.id AND o.changed_at > $1 AND o.changed_at <= $2 AND o.voided_at IS NULL) o ON true
			UNION ALL
			SELECT 'service', p.printer, false, o.done_at, o.work::text, o.note, NULL, NULL, o.id
				FROM printers p JOIN LATERAL (SELECT * FROM services o WHERE o.printer = p.id AND o.done_at > $1 AND o.done_at <= $2 AND o.voided_at IS NULL) o ON true
			UNION ALL
			SELECT 'plate_state', p.plate, true, o.at, o.state::text, o.reason, NULL, NULL, o.id
				FROM plates p JOIN LATERAL (SELECT * FROM plate_states o WHERE o.plate = p.id AND o.at > $1 AND o.at <= $2 AND o.voided_at IS NULL AND o.state IN ('set_aside', 'retired')) o ON true
			UNION ALL
			SELECT 'hold', coalesce(p.printer, l.plate), o.plate IS NOT NULL, o.placed_at, NULL, o.reason, NULL, NULL, o.id
				FROM holds o LEFT JOIN printers p ON p.id = o.printer LEFT JOIN plates l ON l.id = o.plate WHERE o.placed_at > $1 AND o.placed_at <= $2 AND o.voided_at IS NULL
			UNION ALL
			SELECT 'release', coalesce(p.printer, l.plate), o.plate IS NOT NULL, o.released_at, o.release_is::text, o.release_reason, NULL, NULL, o.id
				FROM holds o LEFT JOIN printers p ON p.id = o.printer LEFT JOIN plates l ON l.id = o.plate WHERE o.released_at > $1 AND o.released_at <= $2 AND o.voided_at IS NULL
			UNION ALL
			SELECT 'policy', o.name, false, o.in_force_from, o.ended::text, o.reason, NULL, NULL, o.id FROM policies o WHERE o.in_force_from > $1 AND o.in_force_from <= $2 AND o.voided_at IS NULL) x
		ORDER BY x.at DESC, x.id LIMIT $3`, from, to, mostChanges).Query(func(rows pgx.Rows) error {
		var c ShiftChange
		_, err := pgx.ForEachRow(rows, []any{&c.Kind, &c.Subject, &c.Plate, &c.At, &c.Code, &c.Detail, &c.FromMM, &c.ToMM, &c.All}, func() error {
			w.Changes, w.ChangesAll = append(w.Changes, c), c.All
			return nil
		})
		return err
	})
	err = s.pool.SendBatch(ctx, batch).Close()
	return w, wrap("store.ShiftWork", err)
}
