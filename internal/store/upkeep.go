package store

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Spot is where a plate is at a time, as far as the records tell.
type Spot struct {
	Plate       string
	Surface     string
	Retired     bool       // out of service
	Printer     string     // it lies on; "" not known
	Bay         string     // of that printer
	Since       *time.Time // seen there last
	State       string     // in_use when nothing was said
	StateAt     *time.Time
	StateReason string
	HeldAt      *time.Time
	HeldReason  string

	// The fitting that put it there, when there is one and it has not ended.
	Fitting  *uuid.UUID
	FittedAt *time.Time
	Side     string
	Turned   string
}

// Spots tells where every plate is at a time, by tag in bytes' order. A plate is
// where a fitting or a first layer that names it put it last, unless it was
// taken off, put in the wash, set aside or retired since, or another plate was
// seen there later.
func (s *Store) Spots(ctx context.Context, at time.Time) ([]Spot, error) {
	list, err := indexed[Spot](ctx, s, `WITH `+spotsSQL(`plates`)+spotColumns+` FROM spots ORDER BY plate COLLATE "C"`, at)
	return list, wrap("store.Spots", err)
}

const spotColumns = ` SELECT plate, surface, retired, printer, bay, since, state, state_at, state_reason, held_at, held_reason, fitting, fitted_at, side, turned`

// sightings are how many of a printer's last fittings, and of its last starts, tell
// which plate is on it.
const sightings = 60

// SpotOn tells which plate is on a printer at a time, as Spots does, nil where none is
// known: of the plates its last fittings and starts saw there. Where all of these have
// been seen elsewhere since, it looks at every plate.
func (s *Store) SpotOn(ctx context.Context, printer string, at time.Time) (*Spot, error) {
	of, err := s.ThingOf(ctx, "printer", printer)
	if fault.Is(err, fault.NotFound) {
		return nil, nil
	} else if err != nil {
		return nil, wrap("store.SpotOn", err)
	}
	list, err := indexed[Spot](ctx, s, `WITH lately AS MATERIALIZED (
			(SELECT t.plate FROM fittings t WHERE t.printer = $2 AND t.fitted_at <= $1 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT $3)
			UNION ALL
			(SELECT f.plate FROM first_layers f WHERE f.printer = $2 AND f.started_at <= $1 AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT $3)
		), `+spotsSQL(`(SELECT * FROM plates WHERE id IN (SELECT plate FROM lately))`)+spotColumns+` FROM spots`, at, of.Printer, sightings)
	if err == nil && len(list) > 0 && !slices.ContainsFunc(list, func(x Spot) bool { return x.Printer == printer }) {
		list, err = s.Spots(ctx, at)
	}
	if i := slices.IndexFunc(list, func(x Spot) bool { return x.Printer == printer }); err == nil && i >= 0 {
		return &list[i], nil
	}
	return nil, wrap("store.SpotOn", err)
}

// PlateCare is what is recorded of the care of one plate.
type PlateCare struct {
	Spot
	LastCleaned *time.Time // wipe, wash or deep
	Method      string
	SinceClean  *int // starts since; nil: never cleaned
	Coated      *time.Time
}

// PlatesCare tells the care of every plate in service at a time, by tag in
// bytes' order. Where the plates are and how they were cared for is read side by
// side: each looks up the last rows of every plate.
func (s *Store) PlatesCare(ctx context.Context, at time.Time) ([]PlateCare, error) {
	type cleaned struct {
		Plate       string
		LastCleaned *time.Time
		Method      string
		SinceClean  *int
		Coated      *time.Time
	}
	var cared []cleaned
	var caredErr error
	var wait sync.WaitGroup
	wait.Go(func() { cared, caredErr = indexed[cleaned](ctx, s, careSQL, at) })
	spots, err := s.Spots(ctx, at)
	wait.Wait()
	if err = errors.Join(err, caredErr); err != nil {
		return nil, wrap("store.PlatesCare", err)
	}
	by := make(map[string]*cleaned, len(cared))
	for i := range cared {
		by[cared[i].Plate] = &cared[i]
	}
	list := make([]PlateCare, 0, len(spots))
	for _, p := range spots {
		if p.Retired {
			continue
		}
		x := PlateCare{Spot: p}
		if c := by[p.Plate]; c != nil {
			x.LastCleaned, x.Method, x.SinceClean, x.Coated = c.LastCleaned, c.Method, c.SinceClean, c.Coated
		}
		list = append(list, x)
	}
	return list, nil
}

// $1 at.
var careSQL = `
SELECT l.plate, c.cleaned_at AS last_cleaned, c.method, n.since AS since_clean, k.cleaned_at AS coated
FROM plates l
	CROSS JOIN LATERAL (
		SELECT x.cleaned_at, x.method::text AS method FROM cleanings x
		WHERE x.plate = l.id AND x.cleaned_at <= $1 AND x.voided_at IS NULL AND x.method <> 'coat'
		ORDER BY x.cleaned_at DESC LIMIT 1) c
	LEFT JOIN LATERAL (
		SELECT x.cleaned_at FROM cleanings x
		WHERE x.plate = l.id AND x.cleaned_at <= $1 AND x.cleaned_at >= c.cleaned_at AND x.voided_at IS NULL AND x.method = 'coat'
		ORDER BY x.cleaned_at DESC LIMIT 1) k ON true
	CROSS JOIN LATERAL (
		SELECT ((SELECT count(*) FROM first_layers f
				WHERE f.plate = l.id AND f.started_at >= c.cleaned_at AND f.started_at <= $1 AND f.voided_at IS NULL)
			+ ` + unnamedSQL("l.id", "$1") + `)::int AS since) n
WHERE l.retired_at IS NULL OR l.retired_at > $1`

// spotsSQL tells where some plates are, spots, $1 at; of the plates that are on one
// printer all must be among them, the later ones too that were taken elsewhere.
func spotsSQL(plates string) string {
	return `seen AS MATERIALIZED (
	SELECT l.id AS plate, s.printer, s.at, s.gone
	FROM ` + plates + ` l CROSS JOIN LATERAL (
		(SELECT t.printer, t.fitted_at AS at, coalesce(t.removed_at <= $1, false) AS gone, t.id FROM fittings t
			WHERE t.plate = l.id AND t.fitted_at <= $1 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT ` + ties + `)
		UNION ALL
		(SELECT f.printer, f.started_at, false, f.id FROM first_layers f
			WHERE f.plate = l.id AND f.started_at <= $1 AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT ` + ties + `)
		ORDER BY at DESC, gone, id DESC LIMIT 1) s
), there AS (
	SELECT DISTINCT ON (printer) printer, plate, at, gone FROM seen ORDER BY printer, at DESC, gone
), spots AS MATERIALIZED (
	SELECT l.id, l.plate, l.surface::text AS surface, coalesce(l.retired_at <= $1, false) AS retired,
		coalesce(p.printer, '') AS printer, coalesce(p.bay, '') AS bay, CASE WHEN p.id IS NOT NULL THEN t.at END AS since,
		coalesce(st.state, 'in_use') AS state, st.at AS state_at, coalesce(st.reason, '') AS state_reason,
		h.placed_at AS held_at, coalesce(h.reason, '') AS held_reason,
		fit.id AS fitting, fit.fitted_at, coalesce(fit.plate_side, '') AS side, coalesce(fit.plate_turned, '') AS turned
	FROM ` + plates + ` l
		LEFT JOIN LATERAL (
			SELECT x.state::text AS state, x.at, x.reason FROM plate_states x
			WHERE x.plate = l.id AND x.at <= $1 AND x.voided_at IS NULL ORDER BY x.at DESC, x.id DESC LIMIT 1) st ON true
		LEFT JOIN there t ON t.plate = l.id AND NOT t.gone AND (st.state IS NULL OR st.state = 'in_use' OR st.at <= t.at)
		LEFT JOIN printers p ON p.id = t.printer
		LEFT JOIN LATERAL (
			SELECT x.id, x.fitted_at, x.plate_side::text AS plate_side, x.plate_turned::text AS plate_turned, x.printer, x.removed_at FROM fittings x
			WHERE x.plate = l.id AND x.fitted_at <= $1 AND x.voided_at IS NULL ORDER BY x.fitted_at DESC, x.id DESC LIMIT 1) fit
			ON fit.printer = p.id AND (fit.removed_at IS NULL OR fit.removed_at > $1)
		LEFT JOIN LATERAL (
			SELECT x.placed_at, x.reason FROM holds x
			WHERE x.plate = l.id AND x.placed_at <= $1 AND (x.released_at IS NULL OR x.released_at > $1) AND x.voided_at IS NULL
			ORDER BY x.placed_at DESC LIMIT 1) h ON true
)`
}

// indexed reads with a query that finds the last rows of many things by their
// indexes. Right after an import the planner has no statistics and would read
// and sort whole tables instead.
func indexed[T any](ctx context.Context, s *Store, sql string, args ...any) ([]T, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	batch.Queue(`BEGIN READ ONLY`)
	batch.Queue(`SET LOCAL enable_bitmapscan = off`)
	batch.Queue(sql, args...)
	batch.Queue(`COMMIT`)
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	for range 2 {
		if _, err := r.Exec(); err != nil {
			return nil, err
		}
	}
	rows, err := r.Query()
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[T])
}

// PrinterCare is what is recorded of the care of one printer.
type PrinterCare struct {
	Printer   string
	Bay       string
	Recorded  string // which of its probes are recorded
	LastProbe *time.Time
	Extent    string
	Since     *int       // starts since the probe; nil: never probed
	Serviced  *time.Time // after the probe
	Work      string
	Swapped   *time.Time // after the probe a plate was fitted, or a start named another plate than the probe did
	SwappedTo string
	Fitted    bool // by a fitting
	OffsetAt  *time.Time
	OffsetMM  *float64
}

// PrintersCare tells the care of every printer in service at a time. window is
// how long after it was sent a start's probe may come. Whether a probe still
// holds for a start is defined in internal/exposure; here stands what was
// recorded since.
func (s *Store) PrintersCare(ctx context.Context, at time.Time, window time.Duration) ([]PrinterCare, error) {
	list, err := indexed[PrinterCare](ctx, s, printersCareSQL, at, window)
	return list, wrap("store.PrintersCare", err)
}

// $1 at, $2 window of sent starts.
const printersCareSQL = `
SELECT p.printer, coalesce(p.bay, '') AS bay, p.probing_recorded::text AS recorded,
	pr.probed_at AS last_probe, coalesce(pr.extent, '') AS extent, n.since,
	sv.done_at AS serviced, coalesce(sv.work, '') AS work, coalesce(t.fitted_at, y.started_at) AS swapped, coalesce(t.plate, y.plate, '') AS swapped_to,
	t.fitted_at IS NOT NULL AS fitted, o.changed_at AS offset_at, o.to_mm AS offset_mm
FROM printers p
	LEFT JOIN LATERAL (
		SELECT y.probed_at, y.extent::text AS extent, y.plate FROM probes y
		WHERE y.printer = p.id AND y.probed_at <= $1 AND y.voided_at IS NULL AND y.extent IS DISTINCT FROM 'zero'
		ORDER BY y.probed_at DESC LIMIT 1) made ON true
	LEFT JOIN LATERAL (
		SELECT f.started_at FROM first_layers f
		WHERE f.printer = p.id AND f.started_at <= $1 AND f.voided_at IS NULL AND f.probed = 'yes'
			AND f.started_at > greatest(made.probed_at, $1 - interval '90 days')
		ORDER BY f.started_at DESC LIMIT 1) stated ON true
	LEFT JOIN LATERAL (
		SELECT coalesce(stated.started_at, made.probed_at) AS probed_at, CASE WHEN stated.started_at IS NULL THEN made.extent END AS extent) pr ON true
	LEFT JOIN LATERAL (
		SELECT count(*)::int AS since FROM first_layers f
		WHERE f.printer = p.id AND f.started_at <= $1 AND f.voided_at IS NULL AND f.started_at >= pr.probed_at - $2::interval
			AND (f.started_at >= pr.probed_at OR f.start_is = 'sent' AND (f.graded_at IS NULL OR f.graded_at > pr.probed_at))) n ON pr.probed_at IS NOT NULL
	LEFT JOIN LATERAL (
		SELECT v.done_at, v.work::text AS work FROM services v
		WHERE v.printer = p.id AND v.done_at <= $1 AND v.done_at > pr.probed_at AND v.voided_at IS NULL ORDER BY v.done_at DESC LIMIT 1) sv ON true
	LEFT JOIN LATERAL (
		SELECT x.fitted_at, l.plate FROM fittings x JOIN plates l ON l.id = x.plate
		WHERE x.printer = p.id AND x.fitted_at <= $1 AND x.fitted_at > pr.probed_at AND x.voided_at IS NULL ORDER BY x.fitted_at DESC LIMIT 1) t ON true
	LEFT JOIN LATERAL (
		SELECT f.started_at, l.plate FROM first_layers f JOIN plates l ON l.id = f.plate
		WHERE f.printer = p.id AND f.started_at > pr.probed_at AND f.started_at <= $1 AND f.voided_at IS NULL
			AND made.probed_at = pr.probed_at AND f.plate <> made.plate
		ORDER BY f.started_at DESC LIMIT 1) y ON true
	LEFT JOIN LATERAL (
		SELECT x.changed_at, x.to_mm FROM offset_changes x
		WHERE x.printer = p.id AND x.changed_at <= $1 AND x.voided_at IS NULL ORDER BY x.changed_at DESC LIMIT 1) o ON true
WHERE p.retired_at IS NULL OR p.retired_at > $1
ORDER BY p.printer COLLATE "C"`

// LastOffset gives a printer's last offset change at or before a time; NotFound
// when there is none.
func (s *Store) LastOffset(ctx context.Context, printer string, at time.Time) (*farm.OffsetChange, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindOffsetChange, ` WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.changed_at <= $2 AND t.voided_at IS NULL
		ORDER BY t.changed_at DESC, t.id DESC LIMIT 1`, printer, at)
	if err != nil {
		return nil, wrap("store.LastOffset", err)
	}
	if len(list) == 0 {
		return nil, fault.New(fault.NotFound, "there is no offset change of %s", fault.Quote(printer))
	}
	return list[0].(*farm.OffsetChange), nil
}
