package store

import (
	"context"
	"time"

	"basecourse/internal/farm"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// unseenSQL are the starts f after $1 up to $2 that ended without anybody having
// looked: no grade, no outcome, not closed as unseen, and not running. A print runs
// while its printer has started nothing since and its job's hours are not over; where
// the hours are not known, for an hour.
const unseenSQL = `f.started_at > $1 AND f.started_at <= $2 AND f.grade IS NULL AND f.outcome IS NULL AND f.unseen IS NULL AND f.voided_at IS NULL
	AND (f.started_at + coalesce((SELECT j.hours_per_plate FROM jobs j WHERE j.id = f.job), 1) * interval '1 hour' <= $2 OR EXISTS (` + followedSQL + `))`

// followedSQL finds a later start of f's printer, up to $2.
const followedSQL = `SELECT FROM first_layers n WHERE n.printer = f.printer AND n.started_at > f.started_at AND n.started_at <= $2 AND n.voided_at IS NULL`

// UnseenCounts counts by printer the starts after from up to a time that ended
// unseen, in no order.
func (s *Store) UnseenCounts(ctx context.Context, from, to time.Time) ([]OpenEndCount, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.printer, coalesce(p.bay, ''), f.n FROM
			(SELECT f.printer, count(*)::int AS n FROM first_layers f WHERE `+unseenSQL+` GROUP BY f.printer) f JOIN printers p ON p.id = f.printer`, from, to)
	if err != nil {
		return nil, wrap("store.UnseenCounts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[OpenEndCount])
	return list, wrap("store.UnseenCounts", err)
}

// Unseen is a start that ended without anybody having looked.
type Unseen struct {
	ID       uuid.UUID
	At       time.Time
	Printer  string
	Bay      string
	Plate    string // as recorded with the start; "" not stated
	Job      string
	Material string
	Followed bool // the printer has started another print since: the part was taken off
	Timed    bool // its job's hours say that it is over
}

// UnseenStarts lists the starts after from up to a time that ended unseen on some
// printers, the oldest first.
func (s *Store) UnseenStarts(ctx context.Context, from, to time.Time, printers []string) ([]Unseen, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT f.id, f.started_at AS at, p.printer, coalesce(p.bay, '') AS bay, coalesce(l.plate, '') AS plate, coalesce(j.job, '') AS job, coalesce(m.material, '') AS material,
			EXISTS (`+followedSQL+`) AS followed, coalesce(f.started_at + j.hours_per_plate * interval '1 hour' <= $2, false) AS timed
		FROM first_layers f JOIN printers p ON p.id = f.printer LEFT JOIN plates l ON l.id = f.plate LEFT JOIN jobs j ON j.id = f.job LEFT JOIN materials m ON m.id = f.material
		WHERE `+unseenSQL+` AND f.printer = ANY (ARRAY(SELECT id FROM printers WHERE printer = ANY ($3)))
		ORDER BY f.started_at, f.id`, from, to, printers)
	if err != nil {
		return nil, wrap("store.UnseenStarts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[Unseen])
	return list, wrap("store.UnseenStarts", err)
}

// NightCounts is what became of the starts of one span of time. Every start is
// counted once in Started; Seen, After, Ended, Unseen and Open part them.
type NightCounts struct {
	Started  int
	Seen     int // graded from above
	After    int // graded by the underside, when the part was off
	Ended    int // an outcome and no grade
	Unseen   int // taken off before anybody looked
	Open     int // nothing said yet
	Failures int // of those graded, by the one definition of a failure
}

// Nights counts the starts of spans of time, each from its From to before its To, as
// recorded up to now.
func (s *Store) Nights(ctx context.Context, spans []farm.Span) ([]NightCounts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	from, to := make([]time.Time, len(spans)), make([]time.Time, len(spans))
	for i, x := range spans {
		from[i], to[i] = x.From, x.To
	}
	rows, err := s.pool.Query(ctx, `SELECT n.i, c.* FROM unnest($1::timestamptz[], $2::timestamptz[]) WITH ORDINALITY n (a, b, i) CROSS JOIN LATERAL (
			SELECT count(*)::int, count(*) FILTER (WHERE f.grade IS NOT NULL AND f.seen_from IS DISTINCT FROM 'underside')::int,
				count(*) FILTER (WHERE f.grade IS NOT NULL AND f.seen_from = 'underside')::int,
				count(*) FILTER (WHERE f.grade IS NULL AND f.unseen IS NULL AND f.outcome IS NOT NULL)::int,
				count(*) FILTER (WHERE f.grade IS NULL AND f.unseen IS NOT NULL)::int,
				count(*) FILTER (WHERE f.grade IS NULL AND f.unseen IS NULL AND f.outcome IS NULL)::int, count(*) FILTER (WHERE `+failureSQL+`)::int
			FROM first_layers f WHERE f.started_at >= n.a AND f.started_at < n.b AND f.voided_at IS NULL) c ORDER BY n.i`, from, to)
	if err != nil {
		return nil, wrap("store.Nights", err)
	}
	out := make([]NightCounts, len(spans))
	var i int
	var c NightCounts
	_, err = pgx.ForEachRow(rows, []any{&i, &c.Started, &c.Seen, &c.After, &c.Ended, &c.Unseen, &c.Open, &c.Failures}, func() error {
		out[i-1] = c
		return nil
	})
	return out, wrap("store.Nights", err)
}

// ShiftSpans gives the times at which somebody is on shift and which touch a span,
// in order of their beginning; and whether the farm has any shifts at all.
func (s *Store) ShiftSpans(ctx context.Context, from, to time.Time) (spans []farm.Span, any bool, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT starts_at, ends_at FROM shifts WHERE starts_at < $2 AND ends_at > $1 AND cancelled_at IS NULL ORDER BY starts_at, ends_at`, from, to)
	if err != nil {
		return nil, false, wrap("store.ShiftSpans", err)
	}
	if spans, err = pgx.CollectRows(rows, pgx.RowToStructByPos[farm.Span]); err != nil || len(spans) > 0 {
		return spans, true, wrap("store.ShiftSpans", err)
	}
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM shifts)`).Scan(&any)
	return nil, any, wrap("store.ShiftSpans", err)
}
