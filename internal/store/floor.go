package store

import (
	"context"
	"errors"
	"strings"
	"time"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// FloorPrinter is what the Floor knows of one printer at a time: counts over
// the days before it and what happened last. Nothing is judged here.
type FloorPrinter struct {
	ID              int32
	Printer         string
	Name            string
	Bay             string
	ProbingRecorded string
	InServiceFrom   *time.Time
	RetiredAt       *time.Time

	// Over the window.
	Started, Graded, Failures int

	LastStart    *time.Time // before the time asked for, however long ago
	LastGrade    string     // of that start; "" not graded
	LastShown    bool       // its underside shows
	LastID       string
	LastProbe    *time.Time // that ends a skip: full or part, or stated by a start
	SinceProbe   *int       // starts since; nil: never probed
	LastService  *time.Time
	Plate        string // fitted now as far as the records tell; "" not known
	HeldAt       *time.Time
	HeldReason   string
	HeldBy       string
	PlateHeldAt  *time.Time
	PlateReason  string
	PlateState   string // in_use when nothing was said
	LastCleaned  *time.Time
	CleanMethod  string
	SinceClean   *int // starts with the plate since; nil: never cleaned
	PlateStarts  int  // over the window, on any printer
	PlateGraded  int
	PlateFailed  int
	FittedSince  *time.Time
	LastMaterial string
}

// failureSQL is the contract's definition of a failure over one first layer f.
const failureSQL = `(f.grade = 'failed' OR f.underside = 'shown' AND f.grade = 'marginal')`

// ties is how many records of one printer or plate at one instant are put in
// order by id: enough, and read without sorting the whole history.
const ties = "4"

// Frame is what every page starts from: the farm's settings, and where its
// records end.
type Frame struct {
	Settings    farm.SettingValues
	LatestStart time.Time // at or before the time asked for; zero: none
}

// Frame reads the settings and the latest start at or before a time.
func (s *Store) Frame(ctx context.Context, at time.Time) (Frame, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	f := Frame{Settings: farm.SettingValues{}}
	batch := &pgx.Batch{}
	batch.Queue(`SELECT key, value FROM settings`)
	batch.Queue(`SELECT started_at FROM first_layers WHERE started_at <= $1 AND voided_at IS NULL ORDER BY started_at DESC LIMIT 1`, at)
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	rows, err := r.Query()
	if err != nil {
		return f, wrap("store.Frame", err)
	}
	var key, value string
	if _, err := pgx.ForEachRow(rows, []any{&key, &value}, func() error { f.Settings[key] = value; return nil }); err != nil {
		return f, wrap("store.Frame", err)
	}
	if err := r.QueryRow().Scan(&f.LatestStart); err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return f, wrap("store.Frame", err)
	}
	return f, nil
}

// Floor reads every printer at a time, in one round trip of three queries;
// counts are over from < started_at <= at. printer narrows it to one tag; ""
// is all.
//
// A start that only says when it was sent counts after a probe of its printer
// within the window of minutes given, as it does in exposures; the exposures
// themselves are defined in internal/exposure alone.
func (s *Store) Floor(ctx context.Context, from, at time.Time, sentWindow time.Duration, printer string) ([]FloorPrinter, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	// Each printer's last rows lie at the end of an index. Right after an import
	// the planner has no statistics and would read and sort all of them instead,
	// and think that worth compiling.
	batch.Queue(`BEGIN READ ONLY`)
	batch.Queue(`SET LOCAL enable_bitmapscan = off`)
	batch.Queue(`SET LOCAL jit = off`)
	batch.Queue(floorPrintersSQL, from, at, sentWindow, printer)
	batch.Queue(floorPlatesSQL, from, at, printer)
	batch.Queue(floorHoldsSQL, at)
	batch.Queue(`COMMIT`)
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	for range 3 {
		if _, err := r.Exec(); err != nil {
			return nil, wrap("store.Floor", err)
		}
	}

	rows, err := r.Query()
	if err != nil {
		return nil, wrap("store.Floor", err)
	}
	list, err := pgx.CollectRows(rows, scanFloorPrinter)
	if err != nil {
		return nil, wrap("store.Floor", err)
	}
	if rows, err = r.Query(); err != nil {
		return nil, wrap("store.Floor", err)
	}
	plates, err := pgx.CollectRows(rows, pgx.RowToStructByName[floorPlate])
	if err != nil {
		return nil, wrap("store.Floor", err)
	}
	if rows, err = r.Query(); err != nil {
		return nil, wrap("store.Floor", err)
	}
	holds, err := pgx.CollectRows(rows, pgx.RowToStructByName[floorHold])
	if err != nil {
		return nil, wrap("store.Floor", err)
	}
	joinFloor(list, plates, holds)
	return list, nil
}

// joinFloor puts plates onto the printers they lie on, and holds onto both.
func joinFloor(list []FloorPrinter, plates []floorPlate, holds []floorHold) {
	byPrinter := map[string]*FloorPrinter{}
	for i := range list {
		byPrinter[list[i].Printer] = &list[i]
	}
	byPlate := map[string]*FloorPrinter{}
	for _, p := range plates {
		f := byPrinter[p.Printer]
		if f == nil || p.State != "in_use" && p.StateAt != nil && p.FittedSince != nil && p.StateAt.After(*p.FittedSince) {
			continue // unknown printer, or the plate went to the wash since
		}
		f.Plate, f.FittedSince, f.PlateState = p.Plate, p.FittedSince, p.State
		f.LastCleaned, f.CleanMethod, f.SinceClean = p.LastCleaned, p.Method, p.SinceClean
		f.PlateStarts, f.PlateGraded, f.PlateFailed = p.Started, p.Graded, p.Failures
		byPlate[p.Plate] = f
	}
	for _, h := range holds {
		at := h.PlacedAt
		if f := byPrinter[h.Printer]; h.Printer != "" && f != nil {
			f.HeldAt, f.HeldReason, f.HeldBy = &at, h.Reason, h.Person
		}
		if f := byPlate[h.Plate]; h.Plate != "" && f != nil {
			f.PlateHeldAt, f.PlateReason = &at, h.Reason
		}
	}
}

func scanFloorPrinter(row pgx.CollectableRow) (FloorPrinter, error) {
	var f FloorPrinter
	err := row.Scan(&f.ID, &f.Printer, &f.Name, &f.Bay, &f.ProbingRecorded, &f.InServiceFrom, &f.RetiredAt,
		&f.Started, &f.Graded, &f.Failures, &f.LastID, &f.LastStart, &f.LastGrade, &f.LastShown, &f.LastMaterial,
		&f.LastProbe, &f.SinceProbe, &f.LastService)
	return f, err
}

// $1 from, $2 at, $3 window of sent starts, $4 one printer or ”.
const floorPrintersSQL = `
WITH counts AS MATERIALIZED (
	SELECT f.printer, count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures,
		max(f.started_at) FILTER (WHERE f.probed = 'yes') AS stated_probe
	FROM first_layers f
	WHERE f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL
		AND ($4 = '' OR f.printer = (SELECT id FROM printers WHERE printer = $4))
	GROUP BY f.printer
)
SELECT p.id, p.printer, coalesce(p.name, ''), coalesce(p.bay, ''), p.probing_recorded::text, p.in_service_from, p.retired_at,
	coalesce(c.started, 0), coalesce(c.graded, 0), coalesce(c.failures, 0),
	coalesce(l.id::text, ''), l.started_at, coalesce(l.grade::text, ''), coalesce(l.underside = 'shown', false), coalesce(m.material, ''),
	pr.probed_at, n.since, sv.done_at
FROM printers p
	LEFT JOIN counts c ON c.printer = p.id
	LEFT JOIN LATERAL (
		SELECT n.* FROM (SELECT f.id, f.started_at, f.grade, f.underside, f.material FROM first_layers f
			WHERE f.printer = p.id AND f.started_at <= $2 AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT ` + ties + `) n
		ORDER BY n.started_at DESC, n.id DESC LIMIT 1) l ON true
	LEFT JOIN materials m ON m.id = l.material
	LEFT JOIN LATERAL (
		SELECT greatest(
			(SELECT x.probed_at FROM probes x
				WHERE x.printer = p.id AND x.probed_at <= $2 AND x.voided_at IS NULL AND x.extent IS DISTINCT FROM 'zero'
				ORDER BY x.probed_at DESC LIMIT 1),
			c.stated_probe) AS probed_at) pr ON true
	LEFT JOIN LATERAL (
		SELECT count(*)::int AS since FROM first_layers f
		WHERE f.printer = p.id AND f.started_at <= $2 AND f.voided_at IS NULL
			AND (f.started_at >= pr.probed_at
				OR f.start_is = 'sent' AND f.started_at >= pr.probed_at - $3::interval AND (f.graded_at IS NULL OR f.graded_at > pr.probed_at))
			AND f.started_at >= pr.probed_at - $3::interval) n ON pr.probed_at IS NOT NULL
	LEFT JOIN LATERAL (
		SELECT v.done_at FROM services v
		WHERE v.printer = p.id AND v.done_at <= $2 AND v.voided_at IS NULL ORDER BY v.done_at DESC LIMIT 1) sv ON true
WHERE $4 = '' OR p.printer = $4
ORDER BY p.id`

type floorPlate struct {
	Plate       string
	Printer     string
	FittedSince *time.Time
	State       string
	StateAt     *time.Time
	LastCleaned *time.Time
	Method      string
	SinceClean  *int
	Started     int
	Graded      int
	Failures    int
}

// Where each plate was seen last (a fitting, or a first layer that names it),
// unless it was taken off since or another plate was seen there later. For one
// printer only plates seen there lately are asked for.
// $1 from, $2 at, $3 one printer or ”.
var floorPlatesSQL = `
WITH asked AS MATERIALIZED (
	SELECT l.id FROM plates l WHERE $3 = '' AND (l.retired_at IS NULL OR l.retired_at > $2)
	UNION
	SELECT c.plate FROM printers p CROSS JOIN LATERAL (
		(SELECT t.plate FROM fittings t WHERE t.printer = p.id AND t.fitted_at <= $2 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT 8)
		UNION ALL
		(SELECT f.plate FROM first_layers f WHERE f.printer = p.id AND f.plate IS NOT NULL AND f.started_at <= $2 AND f.voided_at IS NULL
			ORDER BY f.started_at DESC LIMIT 8)) c
		JOIN plates l ON l.id = c.plate
	WHERE $3 <> '' AND p.printer = $3 AND (l.retired_at IS NULL OR l.retired_at > $2)
), seen AS (
	SELECT l.id AS plate, s.printer, s.at, s.gone
	FROM asked l
		CROSS JOIN LATERAL (
			(SELECT t.printer, t.fitted_at AS at, coalesce(t.removed_at <= $2, false) AS gone, t.id FROM fittings t
				WHERE t.plate = l.id AND t.fitted_at <= $2 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT ` + ties + `)
			UNION ALL
			(SELECT f.printer, f.started_at, false, f.id FROM first_layers f
				WHERE f.plate = l.id AND f.started_at <= $2 AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT ` + ties + `)
			ORDER BY at DESC, gone, id DESC LIMIT 1) s
), there AS (
	SELECT DISTINCT ON (printer) printer, plate, at, gone FROM seen ORDER BY printer, at DESC, gone
), counts AS MATERIALIZED (
	SELECT f.plate, count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures
	FROM first_layers f
	WHERE f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL AND f.plate IN (SELECT id FROM asked)
	GROUP BY f.plate
)
SELECT l.plate, p.printer, t.at AS fitted_since, coalesce(st.state, 'in_use') AS state, st.at AS state_at, c.cleaned_at AS last_cleaned,
	coalesce(c.method, '') AS method, n.since AS since_clean,
	coalesce(k.started, 0) AS started, coalesce(k.graded, 0) AS graded, coalesce(k.failures, 0) AS failures
FROM there t
	JOIN plates l ON l.id = t.plate
	JOIN printers p ON p.id = t.printer
	LEFT JOIN counts k ON k.plate = t.plate
	LEFT JOIN LATERAL (
		SELECT x.state::text AS state, x.at FROM plate_states x
		WHERE x.plate = t.plate AND x.at <= $2 AND x.voided_at IS NULL ORDER BY x.at DESC, x.id DESC LIMIT 1) st ON true
	LEFT JOIN LATERAL (
		SELECT x.cleaned_at, x.method::text AS method FROM cleanings x
		WHERE x.plate = t.plate AND x.cleaned_at <= $2 AND x.voided_at IS NULL AND x.method <> 'coat'
		ORDER BY x.cleaned_at DESC, x.id DESC LIMIT 1) c ON true
	LEFT JOIN LATERAL (
		SELECT ((SELECT count(*) FROM first_layers f
				WHERE f.plate = t.plate AND f.started_at >= c.cleaned_at AND f.started_at <= $2 AND f.voided_at IS NULL)
			+ ` + unnamedSQL("t.plate", "$2") + `)::int AS since) n ON c.cleaned_at IS NOT NULL
WHERE NOT t.gone`

// unnamedSQL counts the starts that name no plate while this one was fitted,
// since its last cleaning c.cleaned_at. A fitting ends when the plate is taken
// off, when another is fitted there, and when this one is fitted or named
// elsewhere.
func unnamedSQL(plate, at string) string {
	return strings.NewReplacer("PLATE", plate, "AT", at).Replace(`(SELECT count(*)
		FROM fittings t2 JOIN first_layers f ON f.printer = t2.printer AND f.plate IS NULL AND f.voided_at IS NULL
			AND f.started_at >= greatest(t2.fitted_at, c.cleaned_at) AND f.started_at <= AT AND (t2.removed_at IS NULL OR f.started_at < t2.removed_at)
		WHERE t2.plate = PLATE AND t2.voided_at IS NULL AND t2.fitted_at <= AT AND (t2.removed_at IS NULL OR t2.removed_at > c.cleaned_at)
			AND NOT EXISTS (SELECT FROM fittings o WHERE o.printer = t2.printer AND o.fitted_at > t2.fitted_at AND o.fitted_at <= f.started_at AND o.voided_at IS NULL)
			AND NOT EXISTS (SELECT FROM fittings o WHERE o.plate = t2.plate AND o.fitted_at > t2.fitted_at AND o.fitted_at <= f.started_at AND o.voided_at IS NULL)
			AND NOT EXISTS (SELECT FROM first_layers g WHERE g.plate = t2.plate AND g.printer <> t2.printer
				AND g.started_at > t2.fitted_at AND g.started_at < f.started_at AND g.voided_at IS NULL))`)
}

type floorHold struct {
	Printer  string
	Plate    string
	PlacedAt time.Time
	Reason   string
	Person   string
}

// Holds in force at $1.
const floorHoldsSQL = `
SELECT coalesce(p.printer, '') AS printer, coalesce(l.plate, '') AS plate, h.placed_at, coalesce(h.reason, '') AS reason, coalesce(w.person, '') AS person
FROM holds h
	LEFT JOIN printers p ON p.id = h.printer
	LEFT JOIN plates l ON l.id = h.plate
	LEFT JOIN people w ON w.id = h.person
WHERE h.placed_at <= $1 AND (h.released_at IS NULL OR h.released_at > $1) AND h.voided_at IS NULL
ORDER BY h.placed_at`
