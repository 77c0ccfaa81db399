package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// HeightRows are what the height book is made from: the first layers that say
// how high the nozzle stood, on printers whose zero is the frame, and what may
// have moved those printers' zeros. Printers and plates are in the order of
// their tags; the rows name them by their place there.
type HeightRows struct {
	Version  DataVersion
	Printers []HeightPrinter
	Plates   []string
	Layers   []HeightLayer
	Offsets  []HeightOffset
	Moved    []HeightMoved
}

// HeightPrinter is a printer as far as heights go. ZeroFrom "" is not said.
type HeightPrinter struct {
	Tag, ZeroFrom  string
	BedXMM, BedYMM float64
	Cols, Rows     int
	ZStepMM        float64
	Retired        bool
}

// HeightLayer is a first layer with readings or a nudge. Numbers that are not
// known are nil, texts "". A side that the layer does not name is that of the
// fitting then in force.
type HeightLayer struct {
	Printer, Plate              int
	Side                        string
	At                          time.Time
	HeightMM, WidthMM, PitchMM  *float64
	NudgeMM                     *float64
	Readings, Marks, Covered    string
	Graded                      bool
	ResolutionMM, UncertaintyMM *float64 // of the instrument
}

// HeightOffset is a change of the Z offset, and the first start after it.
type HeightOffset struct {
	Printer                    int
	At                         time.Time
	FromMM                     *float64
	ToMM                       float64
	Plate                      int // of that start; -1: none, or it names none
	Side                       string
	StartedAt                  *time.Time
	HeightMM, WidthMM, PitchMM *float64
	Said                       bool // that start says its height itself
}

// HeightMoved is a service, or a probe, after which the zero is not the same.
type HeightMoved struct {
	Printer int
	At      time.Time
	Probe   bool
}

// The side a plate lay with on its printer where the layer itself does not say.
const heightSideSQL = `coalesce(f.plate_side, (SELECT t.plate_side FROM fittings t WHERE t.plate = f.plate AND t.printer = f.printer
	AND t.fitted_at <= f.started_at AND t.voided_at IS NULL ORDER BY t.fitted_at DESC, t.id DESC LIMIT 1))`

// Heights reads what the height book is made from, of from < happened <= at
// (offset changes: of all times up to at), at one instant of the database.
func (s *Store) Heights(ctx context.Context, from, at time.Time) (*HeightRows, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.Heights", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	out := &HeightRows{}
	if err := out.read(ctx, tx, from, at); err != nil {
		return nil, wrap("store.Heights", err)
	}
	return out, nil
}

func (h *HeightRows) read(ctx context.Context, tx pgx.Tx, from, at time.Time) error {
	if err := tx.QueryRow(ctx, dataVersionSQL).Scan(&h.Version.last, &h.Version.lot); err != nil {
		return err
	}
	printers, plates := map[int32]int{}, map[int32]int{}
	var id int32
	var p HeightPrinter
	err := each(ctx, tx, []any{&id, &p.Tag, &p.ZeroFrom, &p.BedXMM, &p.BedYMM, &p.Cols, &p.Rows, &p.ZStepMM, &p.Retired}, func() {
		printers[id] = len(h.Printers)
		h.Printers = append(h.Printers, p)
	}, `SELECT id, printer, coalesce(zero_from::text, ''), bed_x_mm, bed_y_mm, zone_cols::int, zone_rows::int, z_step_mm, retired_at IS NOT NULL AND retired_at <= $1
		FROM printers ORDER BY printer COLLATE "C"`, at)
	if err != nil {
		return err
	}
	var tag string
	err = each(ctx, tx, []any{&id, &tag}, func() {
		plates[id] = len(h.Plates)
		h.Plates = append(h.Plates, tag)
	}, `SELECT id, plate FROM plates ORDER BY plate COLLATE "C"`)
	if err != nil {
		return err
	}
	var printer, plate int32
	var l HeightLayer
	err = each(ctx, tx, []any{&printer, &plate, &l.Side, &l.At, &l.HeightMM, &l.WidthMM, &l.PitchMM, &l.NudgeMM, &l.Readings, &l.Marks, &l.Covered, &l.Graded, &l.ResolutionMM, &l.UncertaintyMM}, func() {
		l.Printer, l.Plate = printers[printer], plates[plate]
		h.Layers = append(h.Layers, l)
	}, `SELECT f.printer, f.plate, coalesce(`+heightSideSQL+`::text, ''), f.started_at, f.layer_height_mm, f.line_width_mm, f.line_pitch_mm, f.nudge_mm,
			coalesce(f.readings, ''), coalesce(f.marks, ''), coalesce(f.covered, ''), f.grade IS NOT NULL, i.resolution_mm, i.uncertainty_mm
		FROM first_layers f JOIN printers p ON p.id = f.printer AND p.zero_from = 'frame' LEFT JOIN instruments i ON i.id = f.instrument
		WHERE f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL AND f.plate IS NOT NULL
			AND (f.readings IS NOT NULL OR f.nudge_mm IS NOT NULL AND f.nudge_mm <> 0)
		ORDER BY f.started_at, f.id`, from, at)
	if err != nil {
		return err
	}
	var o HeightOffset
	var on *int32
	err = each(ctx, tx, []any{&printer, &o.At, &o.FromMM, &o.ToMM, &on, &o.Side, &o.StartedAt, &o.HeightMM, &o.WidthMM, &o.PitchMM, &o.Said}, func() {
		o.Printer, o.Plate = printers[printer], -1
		if on != nil {
			o.Plate = plates[*on]
		}
		h.Offsets = append(h.Offsets, o)
	}, `SELECT o.printer, o.changed_at, o.from_mm, o.to_mm, f.plate, coalesce(`+heightSideSQL+`::text, ''), f.started_at, f.layer_height_mm, f.line_width_mm, f.line_pitch_mm,
			coalesce(f.readings IS NOT NULL OR f.nudge_mm <> 0, false)
		FROM offset_changes o JOIN printers p ON p.id = o.printer AND p.zero_from = 'frame'
		LEFT JOIN LATERAL (SELECT * FROM first_layers x WHERE x.printer = o.printer AND x.started_at > o.changed_at AND x.started_at <= $1 AND x.voided_at IS NULL
			ORDER BY x.started_at, x.id LIMIT 1) f ON true
		WHERE o.changed_at <= $1 AND o.voided_at IS NULL ORDER BY o.changed_at, o.id`, at)
	if err != nil {
		return err
	}
	var m HeightMoved
	return each(ctx, tx, []any{&printer, &m.At, &m.Probe}, func() {
		m.Printer = printers[printer]
		h.Moved = append(h.Moved, m)
	}, `SELECT e.printer, e.at, e.probe FROM (SELECT printer, done_at AS at, false AS probe, id FROM services WHERE voided_at IS NULL
			UNION ALL SELECT printer, probed_at, true, id FROM probes WHERE voided_at IS NULL) e
		JOIN printers p ON p.id = e.printer AND p.zero_from = 'frame'
		WHERE e.at > $1 AND e.at <= $2 ORDER BY e.at, e.id`, from, at)
}

// each runs a query and calls take after each row is read into the targets.
func each(ctx context.Context, tx pgx.Tx, into []any, take func(), sql string, args ...any) error {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	_, err = pgx.ForEachRow(rows, into, func() error { take(); return nil })
	return err
}
