package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// LayerHistory reads what the exposure of one first layer follows from: the
// history of its printer and of its plate up to its start, and as much of other
// printers and plates as ends fittings and counts prints there. The layer itself
// is the last of the starts, whether it is recorded or only about to be. Starts
// of other printers that say when they were sent stand at that time. plates are
// the tags behind the history's plate indexes.
func (s *Store) LayerHistory(ctx context.Context, f *farm.FirstLayer, window time.Duration) (h *exposure.History, plates []string, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var printer, plate int32
	var recorded string
	err = s.pool.QueryRow(ctx, `SELECT p.id, p.probing_recorded::text, coalesce((SELECT id FROM plates WHERE plate = $2), (SELECT t.plate FROM fittings t
		WHERE $2 = '' AND t.printer = p.id AND t.fitted_at <= $3 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC, t.id DESC LIMIT 1), 0)
		FROM printers p WHERE p.printer = $1`, f.Printer, f.Plate, f.StartedAt).Scan(&printer, &recorded, &plate)
	if err != nil {
		return nil, nil, wrap("store.LayerHistory", err)
	}
	r := layerReader{h: &exposure.History{}, printers: map[int32]int32{}, plates: map[int32]int32{}}
	r.h.StartWindow = window.Microseconds()
	r.printer(&printer)
	until := f.StartedAt
	if f.StartIs == "sent" {
		until = until.Add(window) // its own instant may be its probe's
	}
	batch := &pgx.Batch{}
	args := []any{printer, []int32{plate}, f.StartedAt, f.ID.UUID, until}
	for _, q := range layerQueries {
		given := make([]any, len(q.args))
		for i, a := range q.args {
			given[i] = args[a]
		}
		batch.Queue(q.sql, given...).Query(func(rows pgx.Rows) error { return q.take(&r, rows) })
	}
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, nil, wrap("store.LayerHistory", err)
	}
	self := exposure.Start{ID: f.ID.UUID, At: f.StartedAt.UnixMicro(), Plate: exposure.None, Side: exposure.ParseSide(f.PlateSide), Turned: exposure.ParseTri(f.PlateTurned),
		Probed: exposure.ParseTri(f.Probed), Sent: f.StartIs == "sent", Failed: farm.Failed(f.Grade, f.Underside)}
	if f.ID.IsZero() {
		self.ID = lastID // about to be recorded: after everything of its instant
	}
	if f.Plate != "" {
		self.Plate = r.plate(&plate)
	}
	if !f.GradedAt.IsZero() {
		self.GradedAt = f.GradedAt.UnixMicro()
	}
	r.h.Starts = append(r.h.Starts, self)
	if plates, err = s.plateTags(ctx, &r); err != nil {
		return nil, nil, wrap("store.LayerHistory", err)
	}
	r.end(recorded)
	return r.h, plates, nil
}

// layerReader gives things numbers of their own as they appear.
type layerReader struct {
	h                *exposure.History
	printers, plates map[int32]int32
}

func index(m map[int32]int32, id *int32) int32 {
	if id == nil || *id == 0 {
		return exposure.None
	}
	i, ok := m[*id]
	if !ok {
		i = int32(len(m))
		m[*id] = i
	}
	return i
}

func (r *layerReader) printer(id *int32) int32 { return index(r.printers, id) }
func (r *layerReader) plate(id *int32) int32   { return index(r.plates, id) }

// end counts what appeared; recorded is the first printer's probing_recorded.
func (r *layerReader) end(recorded string) {
	r.h.Plates = len(r.plates)
	r.h.RecordsAll = make([]bool, len(r.printers))
	r.h.RecordsAll[0] = recorded == "all"
}

// plateTags reads the tags behind the numbers.
func (s *Store) plateTags(ctx context.Context, r *layerReader) ([]string, error) {
	tags := make([]string, len(r.plates))
	rows, err := s.pool.Query(ctx, `SELECT id, plate FROM plates WHERE id = ANY($1)`, slices.Collect(maps.Keys(r.plates)))
	if err != nil {
		return nil, err
	}
	var id int32
	var tag string
	_, err = pgx.ForEachRow(rows, []any{&id, &tag}, func() error { tags[r.plates[id]] = tag; return nil })
	return tags, err
}

// What the readers of the lists take, of first_layers f, probes, cleanings and fittings t.
const (
	startColumns = `f.id, f.started_at, f.graded_at, f.printer, f.plate, coalesce(f.plate_side::text, ''), coalesce(f.plate_turned::text, ''), coalesce(f.probed::text, ''),
		coalesce(f.start_is = 'sent', false), coalesce(` + failureSQL + `, false)`
	probeColumns    = `id, probed_at, printer, plate, coalesce(plate_side::text, ''), coalesce(plate_turned::text, ''), extent IS DISTINCT FROM 'zero'`
	cleaningColumns = `cleaned_at, plate, method::text`
	fittingColumns  = `t.fitted_at, t.removed_at, t.plate, t.printer, coalesce(t.plate_side::text, ''), coalesce(t.plate_turned::text, '')`
)

// layerQueries read the lists of the history; a plate of 0 is none.
var layerQueries = []struct {
	sql  string
	args []int // which of printer, plates, start, the layer itself, until; counted from 0
	take func(r *layerReader, rows pgx.Rows) error
}{
	{fmt.Sprintf(`WITH at AS (SELECT printer, fitted_at, removed_at FROM fittings WHERE plate = ANY($2) AND printer <> $1 AND fitted_at <= $3 AND voided_at IS NULL),
		there AS (SELECT plate, fitted_at FROM fittings WHERE printer = $1 AND plate <> ALL($2) AND fitted_at <= $3 AND voided_at IS NULL)
		SELECT %[1]s FROM first_layers f WHERE f.printer = $1 AND f.started_at <= $3 AND f.voided_at IS NULL AND f.id <> $4
		UNION ALL SELECT %[1]s FROM first_layers f WHERE f.plate = ANY($2) AND f.printer <> $1 AND f.started_at <= $3 AND f.voided_at IS NULL AND f.id <> $4
		UNION SELECT %[1]s FROM at JOIN first_layers f ON f.printer = at.printer AND f.plate IS NULL AND f.started_at >= at.fitted_at AND f.started_at <= $3
			AND (at.removed_at IS NULL OR f.started_at <= at.removed_at) AND f.voided_at IS NULL AND f.id <> $4
		UNION SELECT x.* FROM there CROSS JOIN LATERAL (SELECT %[1]s FROM first_layers f WHERE f.plate = there.plate AND f.printer <> $1
			AND f.started_at >= there.fitted_at AND f.started_at <= $3 AND f.voided_at IS NULL AND f.id <> $4 ORDER BY f.started_at LIMIT 1) x`,
		startColumns), []int{0, 1, 2, 3}, takeStarts},
	{`SELECT ` + probeColumns + ` FROM probes WHERE printer = $1 AND probed_at <= $2 AND voided_at IS NULL`, []int{0, 4}, takeProbes},
	{`SELECT at FROM probes_skipped WHERE printer = $1 AND at <= $2 AND voided_at IS NULL`, []int{0, 4}, takeSkips},
	{`SELECT done_at FROM services WHERE printer = $1 AND done_at <= $2 AND voided_at IS NULL`, []int{0, 4}, takeServices},
	{`SELECT ` + cleaningColumns + ` FROM cleanings WHERE plate = ANY($1) AND cleaned_at <= $2 AND voided_at IS NULL`, []int{1, 4}, takeCleanings},
	{`SELECT ` + fittingColumns + ` FROM fittings t
		WHERE t.fitted_at <= $3 AND t.voided_at IS NULL AND (t.printer = $1 OR t.plate = ANY($2)
			OR t.printer IN (SELECT printer FROM fittings WHERE plate = ANY($2)) OR t.plate IN (SELECT plate FROM fittings WHERE printer = $1))
		ORDER BY t.fitted_at, t.id`, []int{0, 1, 4}, takeFittings},
}

func takeStarts(r *layerReader, rows pgx.Rows) error {
	var id [16]byte // read as bytes: a history has thousands
	var at time.Time
	var graded *time.Time
	var printer int32
	var plate *int32
	var side, turned, probed string
	var sent, failed bool
	_, err := pgx.ForEachRow(rows, []any{&id, &at, &graded, &printer, &plate, &side, &turned, &probed, &sent, &failed}, func() error {
		x := exposure.Start{ID: id, At: at.UnixMicro(), Printer: r.printer(&printer), Plate: r.plate(plate), Side: exposure.ParseSide(side),
			Turned: exposure.ParseTri(turned), Probed: exposure.ParseTri(probed), Sent: sent, Failed: failed}
		if graded != nil {
			x.GradedAt = graded.UnixMicro()
		}
		r.h.Starts = append(r.h.Starts, x)
		return nil
	})
	return err
}

func takeProbes(r *layerReader, rows pgx.Rows) error {
	var id [16]byte
	var at time.Time
	var printer int32
	var plate *int32
	var side, turned string
	var ends bool
	_, err := pgx.ForEachRow(rows, []any{&id, &at, &printer, &plate, &side, &turned, &ends}, func() error {
		r.h.Probes = append(r.h.Probes, exposure.Probe{ID: id, At: at.UnixMicro(), Printer: r.printer(&printer), Plate: r.plate(plate),
			Side: exposure.ParseSide(side), Turned: exposure.ParseTri(turned), Ends: ends})
		return nil
	})
	return err
}

func takeSkips(r *layerReader, rows pgx.Rows) error {
	var at time.Time
	_, err := pgx.ForEachRow(rows, []any{&at}, func() error {
		r.h.Skips = append(r.h.Skips, exposure.Skip{At: at.UnixMicro()})
		return nil
	})
	return err
}

func takeServices(r *layerReader, rows pgx.Rows) error {
	var at time.Time
	_, err := pgx.ForEachRow(rows, []any{&at}, func() error {
		r.h.Services = append(r.h.Services, exposure.Service{At: at.UnixMicro()})
		return nil
	})
	return err
}

func takeCleanings(r *layerReader, rows pgx.Rows) error {
	var at time.Time
	var plate int32
	var method string
	_, err := pgx.ForEachRow(rows, []any{&at, &plate, &method}, func() error {
		r.h.Cleanings = append(r.h.Cleanings, exposure.Cleaning{At: at.UnixMicro(), Plate: r.plate(&plate), Clears: method != "coat", Washes: method == "wash" || method == "deep"})
		return nil
	})
	return err
}

func takeFittings(r *layerReader, rows pgx.Rows) error {
	var at time.Time
	var removed *time.Time
	var plate, printer int32
	var side, turned string
	_, err := pgx.ForEachRow(rows, []any{&at, &removed, &plate, &printer, &side, &turned}, func() error {
		x := exposure.Fitting{At: at.UnixMicro(), Plate: r.plate(&plate), Printer: r.printer(&printer), Side: exposure.ParseSide(side), Turned: exposure.ParseTri(turned)}
		if removed != nil {
			x.Removed = removed.UnixMicro()
		}
		r.h.Fittings = append(r.h.Fittings, x)
		return nil
	})
	return err
}
