package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/exposure"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// NextHistory is what the next start of a printer follows from. Its printer is number
// 0 of the history's.
type NextHistory struct {
	exposure.History
	Tags []string // of the plates behind the history's indexes
	// Material is of the printer's last start ("" not noted), and At its time (zero: none).
	Material string
	At       time.Time
	// Told is, of the printer's last starts by id, what is no part of a history.
	Told map[uuid.UUID]SeenStart
}

// SeenStart is a start's material ("" not noted), and whether it was graded.
type SeenStart struct {
	Material string
	Graded   bool
}

// reachSQL tells how far back the history of a printer's next start must go, and of
// which plates it must be whole from there: $1 the printer, $2 at, $3 the window of a
// start that says when it was sent.
//
// Nothing before the last probe but one start (whose plate was probed on) changes what
// the next start is made under, and nothing before the last cleaning (washing) of a
// plate its gap: it goes back to the third start before the last probe (a start may
// say of itself that it was probed for, and a sent one may lie before its probe), to
// the last cleaning and the last washing before that of each plate seen on the printer
// since, and, of the plate seen there last, to its last washing and its last start. What stood then, the
// carry queries below bring along.
const reachSQL = `
WITH p AS MATERIALIZED (SELECT id, probing_recorded::text AS recorded FROM printers WHERE printer = $1),
	made AS MATERIALIZED (SELECT probed_at AS at FROM probes WHERE printer = (SELECT id FROM p) AND probed_at <= $2 AND voided_at IS NULL AND extent IS DISTINCT FROM 'zero'
		ORDER BY probed_at DESC LIMIT 1),
	stated AS (SELECT started_at AS at FROM first_layers WHERE printer = (SELECT id FROM p) AND started_at <= $2 AND started_at > coalesce((SELECT at FROM made), '-infinity')
		AND probed = 'yes' AND voided_at IS NULL ORDER BY started_at DESC LIMIT 1),
	probed AS MATERIALIZED (SELECT coalesce((SELECT at FROM stated), (SELECT at FROM made), $2::timestamptz) AS at),
	before AS (SELECT started_at FROM first_layers WHERE printer = (SELECT id FROM p) AND started_at < (SELECT at FROM probed) AND voided_at IS NULL
		ORDER BY started_at DESC LIMIT 3),
	since AS MATERIALIZED (SELECT least(coalesce((SELECT min(started_at) FROM before), (SELECT at FROM made)), (SELECT at FROM probed), $2::timestamptz - interval '1 hour') - $3::interval AS at),
	seen AS MATERIALIZED (
		SELECT plate, started_at AS at, 1 AS kind, id FROM first_layers
			WHERE printer = (SELECT id FROM p) AND started_at >= (SELECT at FROM since) AND started_at <= $2 AND plate IS NOT NULL AND voided_at IS NULL
		UNION ALL SELECT plate, fitted_at, 0, id FROM fittings
			WHERE printer = (SELECT id FROM p) AND fitted_at >= (SELECT at FROM since) AND fitted_at <= $2 AND voided_at IS NULL
		UNION ALL (SELECT plate, started_at, 1, id FROM first_layers
			WHERE printer = (SELECT id FROM p) AND started_at < (SELECT at FROM since) AND plate IS NOT NULL AND voided_at IS NULL ORDER BY started_at DESC, id DESC LIMIT 1)
		UNION ALL (SELECT plate, fitted_at, 0, id FROM fittings
			WHERE printer = (SELECT id FROM p) AND fitted_at < (SELECT at FROM since) AND voided_at IS NULL ORDER BY fitted_at DESC, id DESC LIMIT 1)),
	there AS MATERIALIZED (SELECT plate FROM seen ORDER BY at DESC, kind DESC, id DESC LIMIT 1),
	whole AS (SELECT DISTINCT plate FROM seen),
	reach AS (
		SELECT at FROM since
		UNION ALL SELECT x.cleaned_at FROM whole, LATERAL (SELECT cleaned_at FROM cleanings
			WHERE plate = whole.plate AND cleaned_at <= (SELECT at FROM since) AND voided_at IS NULL AND method <> 'coat' ORDER BY cleaned_at DESC LIMIT 1) x
		UNION ALL SELECT x.cleaned_at FROM whole, LATERAL (SELECT cleaned_at FROM cleanings
			WHERE plate = whole.plate AND cleaned_at <= (SELECT at FROM since) AND voided_at IS NULL AND method IN ('wash', 'deep') ORDER BY cleaned_at DESC LIMIT 1) x
		UNION ALL SELECT x.cleaned_at FROM there, LATERAL (SELECT cleaned_at FROM cleanings
			WHERE plate = there.plate AND cleaned_at <= $2 AND voided_at IS NULL AND method IN ('wash', 'deep') ORDER BY cleaned_at DESC LIMIT 1) x
		UNION ALL SELECT x.started_at FROM there, LATERAL (SELECT started_at FROM first_layers
			WHERE plate = there.plate AND started_at <= $2 AND voided_at IS NULL ORDER BY started_at DESC LIMIT 1) x
		UNION ALL SELECT max(x.started_at) FROM fittings t, LATERAL (SELECT f.started_at FROM first_layers f
			WHERE f.printer = t.printer AND f.plate IS NULL AND f.started_at >= t.fitted_at AND f.started_at <= least(t.removed_at, $2) AND f.voided_at IS NULL
			ORDER BY f.started_at DESC LIMIT 1) x WHERE t.plate = (SELECT plate FROM there) AND t.fitted_at <= $2 AND t.voided_at IS NULL)
SELECT p.id, p.recorded, (SELECT min(at) FROM reach), ARRAY(SELECT plate FROM whole)::int[] FROM p`

// stoodSQL are the fittings of a printer ($1) and of plates ($2) from a time ($3) up to
// another ($4), and what stood at the first: the last fitting before it and what ended later
// than that one began; next to each on another printer what was fitted there after it.
const stoodSQL = `
own AS (SELECT t.id FROM fittings t WHERE t.printer = $1 AND t.fitted_at <= $4 AND t.voided_at IS NULL
		AND greatest(t.fitted_at, t.removed_at) >= least($3::timestamptz, (SELECT max(fitted_at) FROM fittings WHERE printer = $1 AND fitted_at < $3 AND voided_at IS NULL))
	UNION SELECT x.id FROM unnest($2::int[]) w(plate) CROSS JOIN LATERAL (SELECT t.id FROM fittings t WHERE t.plate = w.plate AND t.fitted_at <= $4 AND t.voided_at IS NULL
		AND greatest(t.fitted_at, t.removed_at) >= least($3::timestamptz, (SELECT max(fitted_at) FROM fittings WHERE plate = w.plate AND fitted_at < $3 AND voided_at IS NULL))) x),
stood AS MATERIALIZED (SELECT t.id, t.plate, t.printer, t.fitted_at, least(t.removed_at, y.fitted_at, $4) AS until, y.id AS ends
	FROM fittings t LEFT JOIN LATERAL (SELECT y.id, y.fitted_at FROM fittings y WHERE t.printer <> $1 AND y.printer = t.printer AND y.plate <> t.plate
		AND (y.fitted_at, y.id) > (t.fitted_at, t.id) AND y.fitted_at <= $4 AND y.voided_at IS NULL ORDER BY y.fitted_at, y.id LIMIT 1) y ON true
	WHERE t.id IN (SELECT id FROM own))`

// nextQueries read the lists of the history: $1 printer, $2 plates, $3 from, $4 at. OFFSET 0
// keeps each plate's rows a look into its own index: a plan made once for all calls takes any
// span of time to be short, and would read all of the farm's in it.
var nextQueries = []struct {
	sql  string
	take func(r *layerReader, rows pgx.Rows) error
}{
	{`WITH ` + stoodSQL + `
		SELECT ` + startColumns + ` FROM first_layers f WHERE f.printer = $1 AND f.started_at >= $3 AND f.started_at <= $4 AND f.voided_at IS NULL
		UNION SELECT x.* FROM unnest($2::int[]) w(plate) CROSS JOIN LATERAL (SELECT ` + startColumns + ` FROM first_layers f WHERE f.plate = w.plate
			AND f.started_at >= $3 AND f.started_at <= $4 AND f.voided_at IS NULL OFFSET 0) x
		UNION SELECT x.* FROM stood CROSS JOIN LATERAL (SELECT ` + startColumns + ` FROM first_layers f WHERE f.printer = stood.printer AND f.plate IS NULL
			AND f.started_at >= greatest(stood.fitted_at, $3) AND f.started_at <= stood.until AND f.voided_at IS NULL) x WHERE stood.printer <> $1
		UNION (SELECT ` + startColumns + ` FROM first_layers f WHERE f.printer = $1 AND f.started_at < $3 AND f.plate IS NOT NULL AND f.voided_at IS NULL
			ORDER BY f.started_at DESC, f.id DESC LIMIT 1)
		UNION SELECT x.* FROM stood CROSS JOIN LATERAL (SELECT ` + startColumns + ` FROM first_layers f WHERE f.plate = stood.plate AND f.printer <> stood.printer
			AND f.started_at >= stood.fitted_at AND f.started_at < $3 AND f.voided_at IS NULL ORDER BY f.started_at LIMIT 1) x WHERE stood.fitted_at < $3
		UNION SELECT x.* FROM unnest($2::int[]) w(plate) CROSS JOIN LATERAL (SELECT ` + startColumns + ` FROM first_layers f WHERE f.plate = w.plate AND f.started_at < $3
			AND f.voided_at IS NULL ORDER BY f.started_at DESC, f.id DESC LIMIT 1) x`, takeStarts},
	{`SELECT ` + probeColumns + ` FROM probes WHERE printer = $1 AND probed_at >= $3 AND probed_at <= $4 AND voided_at IS NULL AND $2::int[] IS NOT NULL`, takeProbes},
	{`SELECT at FROM probes_skipped WHERE printer = $1 AND at >= $3 AND at <= $4 AND voided_at IS NULL AND $2::int[] IS NOT NULL`, takeSkips},
	{`SELECT done_at FROM services WHERE printer = $1 AND done_at >= $3 AND done_at <= $4 AND voided_at IS NULL AND $2::int[] IS NOT NULL`, takeServices},
	{`SELECT x.* FROM unnest($2::int[]) w(plate) CROSS JOIN LATERAL (SELECT ` + cleaningColumns + ` FROM cleanings c WHERE c.plate = w.plate
		AND c.cleaned_at >= $3 AND c.cleaned_at <= $4 AND c.voided_at IS NULL OFFSET 0) x WHERE $1::int IS NOT NULL`, takeCleanings},
	{`WITH ` + stoodSQL + ` SELECT ` + fittingColumns + ` FROM (SELECT id FROM stood UNION SELECT ends FROM stood WHERE ends IS NOT NULL) x
		JOIN fittings t ON t.id = x.id ORDER BY t.fitted_at, t.id`, takeFittings},
}

// NextHistory reads what the next start of a printer, at a time, follows from, back to
// where no earlier record changes what it is made under, and what its last starts told
// besides; nil where there is no such printer.
func (s *Store) NextHistory(ctx context.Context, printer string, at time.Time, window time.Duration, starts int) (*NextHistory, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var id int32
	var recorded string
	var from time.Time
	var whole []int32
	err := s.pool.QueryRow(ctx, reachSQL, printer, at, window).Scan(&id, &recorded, &from, &whole)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	} else if err != nil {
		return nil, wrap("store.NextHistory", err)
	}
	n := &NextHistory{Told: make(map[uuid.UUID]SeenStart, starts)}
	n.StartWindow = window.Microseconds()
	r := layerReader{h: &n.History, printers: map[int32]int32{}, plates: map[int32]int32{}}
	r.printer(&id)
	batch := &pgx.Batch{}
	for _, q := range nextQueries {
		batch.Queue(q.sql, id, whole, from, at).Query(func(rows pgx.Rows) error { return q.take(&r, rows) })
	}
	batch.Queue(`SELECT f.id, coalesce(m.material, ''), f.grade IS NOT NULL AND coalesce(f.graded_at, f.started_at) <= $2, f.started_at
		FROM first_layers f LEFT JOIN materials m ON m.id = f.material
		WHERE f.printer = $1 AND f.started_at <= $2 AND f.voided_at IS NULL
		ORDER BY f.started_at DESC, f.id DESC LIMIT $3`, id, at, starts).Query(func(rows pgx.Rows) error {
		var id [16]byte
		var x SeenStart
		var started time.Time
		_, err := pgx.ForEachRow(rows, []any{&id, &x.Material, &x.Graded, &started}, func() error {
			if len(n.Told) == 0 {
				n.Material, n.At = x.Material, started
			}
			n.Told[id] = x
			return nil
		})
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, wrap("store.NextHistory", err)
	}
	if n.Tags, err = s.plateTags(ctx, &r); err != nil {
		return nil, wrap("store.NextHistory", err)
	}
	r.end(recorded)
	for i := range n.History.Starts {
		if x := &n.History.Starts[i]; x.GradedAt > at.UnixMicro() { // started, not graded
			x.GradedAt, x.Failed = 0, false
		}
	}
	for i := range n.Fittings {
		if x := &n.Fittings[i]; x.Removed > at.UnixMicro() {
			x.Removed = 0
		}
	}
	return n, nil
}
