package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// One printer's, plate's or job's layers may be few among millions, and so may those of
// a bay or a surface: these are read from first_layers by its index, and no packed day
// is looked at. Reading what they name goes in the same round trips, and of that only
// what is asked for: names of a big farm take longer to read than a few layers.
const (
	narrowShare = 100  // at most one in so many of the window's layers
	narrowLeast = 2000 // so few are always read
)

// narrow counts the layers that a filter leaves where they are few and their plates do
// not hang on what other printers' layers say; ok is false where they must be found
// among all. Other filters are left to the counter.
func (r *trendReader) narrow(s *Store) (c *trendCounter, ok bool, err error) {
	f, life := r.q.Filter, LifeBands(r.q.By) != nil
	// Every start of a plate counts in its life, so that only plates narrow it.
	if f.Plate == "" && f.Surface == "" && (life || f.Printer == "" && f.Job == "" && f.Bay == "") {
		return nil, false, nil
	}
	acquire, cancel := context.WithTimeout(r.ctx, callLimit)
	defer cancel()
	conn, err := s.pool.Acquire(acquire)
	if err != nil {
		return nil, false, err
	}
	r.db = conn
	defer func() {
		// Where all went well, the transaction ended with its last question.
		if conn.Conn().PgConn().TxStatus() != 'I' {
			_, _ = conn.Exec(context.WithoutCancel(r.ctx), `ROLLBACK`)
		}
		conn.Release()
	}()
	batch := &pgx.Batch{}
	for _, sql := range s.beginLong() {
		batch.Queue(sql)
	}
	return r.readNarrow(batch, life)
}

// mostNarrow is the SQL for how many layers are few in the days from $1 to $2, counted
// by what is packed.
var mostNarrow = fmt.Sprintf(`SELECT greatest(%d, sum(layers) / %d)::int FROM trend_days WHERE day BETWEEN $1 AND $2`, narrowLeast, narrowShare)

// noPlateSQL tells whether a layer of the days from $1 to $2 names no plate: packed days
// say how many, the others' layers are looked at.
const noPlateSQL = `WITH packed AS MATERIALIZED (SELECT day, unnamed FROM trend_days d WHERE day BETWEEN $1 AND $2 AND NOT EXISTS (SELECT FROM trend_marks m WHERE m.day = d.day)),
	gaps AS (SELECT day + 1 AS since, lead(day, 1, $2::date + 1) OVER (ORDER BY day) AS until FROM packed
		UNION ALL SELECT $1::date, coalesce((SELECT min(day) FROM packed), $2::date + 1))
	SELECT EXISTS (SELECT FROM packed WHERE unnamed > 0) OR EXISTS (SELECT FROM gaps, LATERAL (SELECT FROM first_layers
		WHERE started_at >= since::timestamp AT TIME ZONE 'UTC' AND started_at < until::timestamp AT TIME ZONE 'UTC' AND plate IS NULL AND voided_at IS NULL LIMIT 1) AS f WHERE since < until)`

// readNarrow asks all in the batch that begins the transaction, because a round trip
// takes as long as reading hundreds of layers; but the groups' names, which hang on the layers.
func (r *trendReader) readNarrow(batch *pgx.Batch, life bool) (c *trendCounter, ok bool, err error) {
	from, to := r.q.window()
	first, last := dayOf(from), dayOf(to-1)
	if life {
		first = dayOf(time.Time{}.UnixMicro())
		from = first * microsPerDay
	}
	var (
		rows    []layerRow
		most    = narrowLeast
		unnamed bool
		washes  []plateWash
	)
	dim, column, name := narrowest(r.q.Filter, life)
	t, needs := trendTables[dim], r.q.needs()
	// Of what is not rare nothing is read.
	ids := `ARRAY (SELECT id FROM ` + t.table + ` WHERE ` + column + ` = $3`
	if column != t.name {
		ids += fmt.Sprintf(` AND (SELECT %d * count(*) FILTER (WHERE %s = $3) <= count(*) FROM %s)`, narrowShare, column, t.table)
	}
	ids += `)`
	if dim == dimPlate {
		batch.Queue(noPlateSQL, dayTime(first), dayTime(last)).QueryRow(func(row pgx.Row) error { return row.Scan(&unnamed) })
	}
	batch.Queue(layerRowSQL(needs)+` AND f.`+layerColumns[dim]+` = ANY (`+ids+`) LIMIT (`+strings.NewReplacer("$1", "$4", "$2", "$5").Replace(mostNarrow)+`) + 1`,
		time.UnixMicro(from), time.UnixMicro(to), name, dayTime(first), dayTime(last)).Query(func(got pgx.Rows) (err error) {
		rows, err = readLayerRows(got, needs)
		return err
	})
	if r.q.By == TrendWashed {
		batch.Queue(washesSQL+` AND plate = ANY (`+strings.ReplaceAll(ids, "$3", "$2")+`) ORDER BY cleaned_at`, time.UnixMicro(to), name).Query(func(got pgx.Rows) (err error) {
			washes, err = readWashes(got)
			return err
		})
	}
	r.queueThings(false, batch)
	named := r.q.groupDimensions()
	if len(named) == 0 {
		batch.Queue(`COMMIT`)
	}
	if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil {
		return nil, false, err
	}
	if len(rows) > narrowLeast {
		if err := r.db.QueryRow(r.ctx, mostNarrow, dayTime(first), dayTime(last)).Scan(&most); err != nil {
			return nil, false, err
		}
	}
	if len(rows) > most || unnamed || column != t.name && !r.things.rare(dim, name) {
		return nil, false, nil
	}
	if c = newTrendCounter(r.q, &r.things); len(c.unknown) > 0 {
		return c, true, nil
	}
	if life {
		c.life = newPlateLife(r.q.By, r.things.plates, washes)
	}
	if slices.Contains(needs, dimPlate) && slices.ContainsFunc(rows, func(l layerRow) bool { return l.things[dimPlate] == 0 }) {
		return nil, false, nil // it may have been on any
	}
	days := daysOfRows(rows, needs)
	if len(named) > 0 {
		batch = &pgx.Batch{}
		for _, dim := range named {
			r.things.read(batch, dim, ` WHERE id = ANY ($1)`, idsOf(days, dim))
		}
		batch.Queue(`COMMIT`)
		if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil {
			return nil, false, err
		}
		if dim := r.q.groupDimension(); dim >= 0 {
			names, _ := r.things.names(dim)
			c.expect(len(names))
		}
	}
	for _, d := range days {
		c.day(d)
	}
	return c, true, nil
}

// idsOf lists the different things of a dimension that layers name.
func idsOf(days []*layerDay, dim dimension) (ids []int32) {
	for _, d := range days {
		ids = append(ids, d.columns[dim].ids...)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

// narrowest gives the dimension and its table's column by which a filter narrows, and
// the name it asks for.
func narrowest(f TrendFilter, life bool) (dim dimension, column, name string) {
	switch {
	case f.Printer != "" && !life:
		return dimPrinter, "printer", f.Printer
	case f.Plate != "":
		return dimPlate, "plate", f.Plate
	case f.Job != "" && !life:
		return dimJob, "job", f.Job
	case f.Bay != "" && !life:
		return dimPrinter, "bay", f.Bay
	}
	return dimPlate, "surface::text", f.Surface
}

// rare tells whether few things are in a bay or have a surface.
func (t *trendThings) rare(dim dimension, name string) bool {
	counts, all := t.inBay, 0
	if dim == dimPlate {
		counts = t.withSurface
	}
	for _, n := range counts {
		all += n
	}
	return counts[name]*narrowShare <= all
}
