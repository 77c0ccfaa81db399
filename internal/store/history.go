package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// HistoryEntry is one event of a printer or a plate, of any kind, reduced to
// what a line of a history needs.
type HistoryEntry struct {
	Kind       string
	ID         uuid.UUID
	At         time.Time
	EndedAt    *time.Time // removed_at of a fitting, released_at of a hold
	NotedAt    time.Time
	ArrivedAt  time.Time
	VoidedAt   *time.Time
	VoidReason string
	Code       string // grade, method, extent, reason, work, state
	Other      string // the plate of a printer's event, the printer of a plate's
	Person     string
	Detail     string // material, agent, note, reason
	Shown      bool   // a first layer's underside shows
	Marks      string
	FromMM     *float64
	ToMM       *float64
}

// Cursor is a place in a list by time and id; zero is the beginning.
type Cursor struct {
	At time.Time
	ID uuid.UUID
}

// IsZero tells whether the cursor is the beginning.
func (c Cursor) IsZero() bool { return c.At.IsZero() }

// farFuture is after every record: times lie at most a day ahead.
var farFuture = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

var lastID = uuid.UUID{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}

// PrinterHistory gives a printer's events of every kind before a cursor, newest
// first, voided ones too; at most limit.
func (s *Store) PrinterHistory(ctx context.Context, printer int32, before Cursor, limit int) ([]HistoryEntry, error) {
	return s.history(ctx, "store.PrinterHistory", printerHistorySQL, printer, before, limit)
}

// PlateHistory is PrinterHistory for a plate.
func (s *Store) PlateHistory(ctx context.Context, plate int32, before Cursor, limit int) ([]HistoryEntry, error) {
	return s.history(ctx, "store.PlateHistory", plateHistorySQL, plate, before, limit)
}

func (s *Store) history(ctx context.Context, name, query string, thing int32, before Cursor, limit int) ([]HistoryEntry, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	if before.IsZero() {
		before = Cursor{farFuture, lastID}
	}
	rows, err := s.pool.Query(ctx, query, thing, before.At, before.ID, limit)
	if err != nil {
		return nil, wrap(name, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[HistoryEntry])
	return list, wrap(name, err)
}

// Every part gives the same columns; each reads at most $4 rows by its own
// index. $1 thing, $2 and $3 cursor, $4 limit.
const (
	historyHead = `SELECT e.kind, e.id, e.at, e.ended_at, e.noted_at, e.arrived_at, e.voided_at, coalesce(e.void_reason, '') AS void_reason,
	coalesce(e.code, '') AS code, coalesce(e.other, '') AS other, coalesce(w.person, '') AS person, coalesce(e.detail, '') AS detail,
	e.shown, coalesce(e.marks, '') AS marks, e.from_mm, e.to_mm
FROM (`
	historyTail = `) e
	LEFT JOIN people w ON w.id = e.person
ORDER BY e.at DESC, e.id DESC LIMIT $4`

	historyColumns = `, noted_at, arrived_at, voided_at, void_reason`

	printerHistorySQL = historyHead + `
	(SELECT 'first_layer' AS kind, f.id, f.started_at AS at, NULL::timestamptz AS ended_at, f.noted_at, f.arrived_at, f.voided_at, f.void_reason,
		f.grade::text AS code, l.plate AS other, f.grader AS person, m.material AS detail, coalesce(f.underside = 'shown', false) AS shown,
		f.marks, NULL::float8 AS from_mm, NULL::float8 AS to_mm
	FROM first_layers f LEFT JOIN plates l ON l.id = f.plate LEFT JOIN materials m ON m.id = f.material
	WHERE f.printer = $1 AND f.started_at <= $2 AND (f.started_at, f.id) < ($2, $3) ORDER BY f.started_at DESC, f.id DESC LIMIT $4)
	UNION ALL
	(SELECT 'probe', p.id, p.probed_at, NULL, p.noted_at, p.arrived_at, p.voided_at, p.void_reason,
		p.extent::text, l.plate, p.person, NULL, false, NULL, NULL, NULL
	FROM probes p LEFT JOIN plates l ON l.id = p.plate
	WHERE p.printer = $1 AND p.probed_at <= $2 AND (p.probed_at, p.id) < ($2, $3) ORDER BY p.probed_at DESC, p.id DESC LIMIT $4)
	UNION ALL
	(SELECT 'probe_skipped', id, at, NULL` + historyColumns + `, reason::text, NULL, person, note, false, NULL, NULL, NULL
	FROM probes_skipped WHERE printer = $1 AND at <= $2 AND (at, id) < ($2, $3) ORDER BY at DESC, id DESC LIMIT $4)
	UNION ALL
	(SELECT 'offset_change', id, changed_at, NULL` + historyColumns + `, NULL, NULL, person, reason, false, NULL, from_mm, to_mm
	FROM offset_changes WHERE printer = $1 AND changed_at <= $2 AND (changed_at, id) < ($2, $3) ORDER BY changed_at DESC, id DESC LIMIT $4)
	UNION ALL
	(SELECT 'service', id, done_at, NULL` + historyColumns + `, work::text, NULL, person, note, false, NULL, NULL, NULL
	FROM services WHERE printer = $1 AND done_at <= $2 AND (done_at, id) < ($2, $3) ORDER BY done_at DESC, id DESC LIMIT $4)
	UNION ALL
	(SELECT 'fitting', t.id, t.fitted_at, t.removed_at, t.noted_at, t.arrived_at, t.voided_at, t.void_reason,
		NULL, l.plate, t.person, NULL, false, NULL, NULL, NULL
	FROM fittings t LEFT JOIN plates l ON l.id = t.plate
	WHERE t.printer = $1 AND t.fitted_at <= $2 AND (t.fitted_at, t.id) < ($2, $3) ORDER BY t.fitted_at DESC, t.id DESC LIMIT $4)
	UNION ALL
	(SELECT 'hold', id, placed_at, released_at` + historyColumns + `, NULL, NULL, person, reason, false, NULL, NULL, NULL
	FROM holds WHERE printer = $1 AND placed_at <= $2 AND (placed_at, id) < ($2, $3) ORDER BY placed_at DESC, id DESC LIMIT $4)` + historyTail

	plateHistorySQL = historyHead + `
	(SELECT 'first_layer' AS kind, f.id, f.started_at AS at, NULL::timestamptz AS ended_at, f.noted_at, f.arrived_at, f.voided_at, f.void_reason,
		f.grade::text AS code, p.printer AS other, f.grader AS person, m.material AS detail, coalesce(f.underside = 'shown', false) AS shown,
		f.marks, NULL::float8 AS from_mm, NULL::float8 AS to_mm
	FROM first_layers f LEFT JOIN printers p ON p.id = f.printer LEFT JOIN materials m ON m.id = f.material
	WHERE f.plate = $1 AND f.started_at <= $2 AND (f.started_at, f.id) < ($2, $3) ORDER BY f.started_at DESC, f.id DESC LIMIT $4)
	UNION ALL
	(SELECT 'cleaning', id, cleaned_at, NULL` + historyColumns + `, method::text, NULL, person, concat_ws(', ', agent, note), false, NULL, NULL, NULL
	FROM cleanings WHERE plate = $1 AND cleaned_at <= $2 AND (cleaned_at, id) < ($2, $3) ORDER BY cleaned_at DESC, id DESC LIMIT $4)
	UNION ALL
	(SELECT 'fitting', t.id, t.fitted_at, t.removed_at, t.noted_at, t.arrived_at, t.voided_at, t.void_reason,
		NULL, p.printer, t.person, NULL, false, NULL, NULL, NULL
	FROM fittings t LEFT JOIN printers p ON p.id = t.printer
	WHERE t.plate = $1 AND t.fitted_at <= $2 AND (t.fitted_at, t.id) < ($2, $3) ORDER BY t.fitted_at DESC, t.id DESC LIMIT $4)
	UNION ALL
	(SELECT 'plate_state', id, at, NULL` + historyColumns + `, state::text, NULL, person, reason, false, NULL, NULL, NULL
	FROM plate_states WHERE plate = $1 AND at <= $2 AND (at, id) < ($2, $3) ORDER BY at DESC, id DESC LIMIT $4)
	UNION ALL
	(SELECT 'hold', id, placed_at, released_at` + historyColumns + `, NULL, NULL, person, reason, false, NULL, NULL, NULL
	FROM holds WHERE plate = $1 AND placed_at <= $2 AND (placed_at, id) < ($2, $3) ORDER BY placed_at DESC, id DESC LIMIT $4)` + historyTail
)

// Split counts first layers of one printer or plate by something else.
type Split struct {
	By       string // tag or name; "" not stated
	Started  int
	Graded   int
	Failures int
}

// Splits counts a printer's (by plate and by material) or a plate's (by printer
// and by material) first layers over from < started_at <= at, most layers
// first. Exactly one of printer and plate is not 0.
func (s *Store) Splits(ctx context.Context, printer, plate int32, from, at time.Time) (byOther, byMaterial []Split, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	const counts = `count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures`
	const in = ` AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL GROUP BY 1 ORDER BY 2 DESC, 1`
	batch := &pgx.Batch{}
	thing := printer
	if printer != 0 {
		batch.Queue(`SELECT coalesce(l.plate, '') AS by, `+counts+` FROM first_layers f LEFT JOIN plates l ON l.id = f.plate WHERE f.printer = $1`+in, printer, from, at)
		batch.Queue(`SELECT coalesce(m.material, '') AS by, `+counts+` FROM first_layers f LEFT JOIN materials m ON m.id = f.material WHERE f.printer = $1`+in, thing, from, at)
	} else {
		batch.Queue(`SELECT coalesce(p.printer, '') AS by, `+counts+` FROM first_layers f LEFT JOIN printers p ON p.id = f.printer WHERE f.plate = $1`+in, plate, from, at)
		batch.Queue(`SELECT coalesce(m.material, '') AS by, `+counts+` FROM first_layers f LEFT JOIN materials m ON m.id = f.material WHERE f.plate = $1`+in, plate, from, at)
	}
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	for _, into := range []*[]Split{&byOther, &byMaterial} {
		rows, err := r.Query()
		if err != nil {
			return nil, nil, wrap("store.Splits", err)
		}
		if *into, err = pgx.CollectRows(rows, pgx.RowToStructByName[Split]); err != nil {
			return nil, nil, wrap("store.Splits", err)
		}
	}
	return byOther, byMaterial, nil
}

// PlateFacts is what is known of one plate at a time.
type PlateFacts struct {
	ID            int32
	Plate         string
	Surface       string
	SizeXMM       *float64
	SizeYMM       *float64
	InServiceFrom *time.Time
	RetiredAt     *time.Time
	State         string
	StateReason   string
	Printer       string // where it was seen last and not taken off since; "" not known
	LastCleaned   *time.Time
	Method        string
	SinceClean    *int
	Started       int // over the window
	Graded        int
	Failures      int
	HeldAt        *time.Time
	HeldReason    string
}

// PlateFacts reads one plate by tag at a time, counts over from < started_at <=
// at; NotFound when there is none.
func (s *Store) PlateFacts(ctx context.Context, tag string, from, at time.Time) (PlateFacts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, plateFactsSQL, tag, from, at)
	if err != nil {
		return PlateFacts{}, wrap("store.PlateFacts", err)
	}
	p, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[PlateFacts])
	if errors.Is(err, pgx.ErrNoRows) {
		return p, fault.New(fault.NotFound, "there is no plate %s", fault.Quote(tag))
	}
	return p, wrap("store.PlateFacts", err)
}

// $1 tag, $2 from, $3 at.
var plateFactsSQL = `
SELECT l.id, l.plate, l.surface::text AS surface, l.size_x_mm, l.size_y_mm, l.in_service_from, l.retired_at,
	coalesce(st.state, 'in_use') AS state, coalesce(st.reason, '') AS state_reason, coalesce(seen.printer, '') AS printer,
	c.cleaned_at AS last_cleaned, coalesce(c.method, '') AS method, n.since AS since_clean,
	k.started, k.graded, k.failures, h.placed_at AS held_at, coalesce(h.reason, '') AS held_reason
FROM plates l
	CROSS JOIN LATERAL (
		SELECT count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures
		FROM first_layers f WHERE f.plate = l.id AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL) k
	LEFT JOIN LATERAL (
		SELECT x.state::text AS state, x.reason FROM plate_states x
		WHERE x.plate = l.id AND x.at <= $3 AND x.voided_at IS NULL ORDER BY x.at DESC, x.id DESC LIMIT 1) st ON true
	LEFT JOIN LATERAL (
		SELECT x.cleaned_at, x.method::text AS method FROM cleanings x
		WHERE x.plate = l.id AND x.cleaned_at <= $3 AND x.voided_at IS NULL AND x.method <> 'coat' ORDER BY x.cleaned_at DESC, x.id DESC LIMIT 1) c ON true
	LEFT JOIN LATERAL (
		SELECT ((SELECT count(*) FROM first_layers f
				WHERE f.plate = l.id AND f.started_at >= c.cleaned_at AND f.started_at <= $3 AND f.voided_at IS NULL)
			+ ` + unnamedSQL("l.id", "$3") + `)::int AS since) n ON c.cleaned_at IS NOT NULL
	LEFT JOIN LATERAL (
		SELECT CASE WHEN s.gone THEN NULL ELSE p.printer END AS printer
		FROM ((SELECT t.printer, t.fitted_at AS at, coalesce(t.removed_at <= $3, false) AS gone, t.id FROM fittings t
				WHERE t.plate = l.id AND t.fitted_at <= $3 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT ` + ties + `)
			UNION ALL
			(SELECT f.printer, f.started_at, false, f.id FROM first_layers f
				WHERE f.plate = l.id AND f.started_at <= $3 AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT ` + ties + `)
			ORDER BY at DESC, gone, id DESC LIMIT 1) s JOIN printers p ON p.id = s.printer) seen ON true
	LEFT JOIN LATERAL (
		SELECT x.placed_at, x.reason FROM holds x
		WHERE x.plate = l.id AND x.placed_at <= $3 AND (x.released_at IS NULL OR x.released_at > $3) AND x.voided_at IS NULL
		ORDER BY x.placed_at DESC LIMIT 1) h ON true
WHERE l.plate = $1`

// FarmFacts counts what the farm is made of.
type FarmFacts struct {
	Printers, PrintersInService int
	Plates, PlatesInService     int
	People, MaySignIn           int
	Tokens                      int
	FirstLayers                 int
	FirstStart, LastStart       *time.Time
	LastArrival                 *time.Time
	Schema                      int
}

// FarmFacts reads the farm's counts at a time. First layers are the planner's
// count: exact enough to read, and read in no time.
func (s *Store) FarmFacts(ctx context.Context, at time.Time) (FarmFacts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT (SELECT count(*)::int FROM printers) AS printers,
			(SELECT count(*)::int FROM printers WHERE retired_at IS NULL OR retired_at > $1) AS printers_in_service,
			(SELECT count(*)::int FROM plates) AS plates,
			(SELECT count(*)::int FROM plates WHERE retired_at IS NULL OR retired_at > $1) AS plates_in_service,
			(SELECT count(*)::int FROM people WHERE disabled_at IS NULL) AS people,
			(SELECT count(*)::int FROM passwords w JOIN people p ON p.id = w.person WHERE p.disabled_at IS NULL) AS may_sign_in,
			(SELECT count(*)::int FROM tokens WHERE revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $1)) AS tokens,
			(SELECT CASE WHEN reltuples > 0 THEN reltuples::int ELSE (SELECT count(*)::int FROM (SELECT 1 FROM first_layers LIMIT 1000000) l) END
				FROM pg_class WHERE oid = 'first_layers'::regclass) AS first_layers,
			(SELECT started_at FROM first_layers WHERE voided_at IS NULL ORDER BY started_at LIMIT 1) AS first_start,
			(SELECT started_at FROM first_layers WHERE voided_at IS NULL ORDER BY started_at DESC LIMIT 1) AS last_start,
			(SELECT max(at) FROM acts WHERE id = (SELECT max(id) FROM acts)) AS last_arrival,
			(SELECT max(version) FROM schema_done) AS schema`, at)
	if err != nil {
		return FarmFacts{}, wrap("store.FarmFacts", err)
	}
	f, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[FarmFacts])
	return f, wrap("store.FarmFacts", err)
}
