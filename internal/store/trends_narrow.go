package store

import (
	"context"
	"slices"
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

// readNarrow sends the batch that begins the transaction first.
func (r *trendReader) readNarrow(batch *pgx.Batch, life bool) (c *trendCounter, ok bool, err error) {
	from, to := r.q.window()
	first, last := dayOf(from), dayOf(to-1)
	if life {
		first = dayOf(time.Time{}.UnixMicro())
		from = first * microsPerDay
	}
	var days packedDays
	days.read(batch, first, last)
	if err := r.readThings(false, batch); err != nil {
		return nil, false, err
	}
	dim, ids := r.things.narrowest(r.q.Filter, life)
	// A layer that names no plate may have been on one of these.
	if len(ids) == 0 || dim == dimPlate && days.unnamed > 0 {
		return nil, false, nil
	}
	if c = newTrendCounter(r.q, &r.things); len(c.unknown) > 0 {
		return c, true, nil
	}
	if life {
		if c.life, err = r.lives(to, ids); err != nil {
			return nil, false, err
		}
	}
	batch = &pgx.Batch{}
	var list []*layerDay
	unnamed := false
	if dim == dimPlate {
		days.readUnnamed(batch, first, last, &unnamed)
	}
	most := max(narrowLeast, days.layers/narrowShare)
	batch.Queue(layerRowSQL+` AND f.`+trendTables[dim].name+` = ANY ($3) LIMIT $4`, time.UnixMicro(from), time.UnixMicro(to), ids, most+1).Query(func(rows pgx.Rows) (err error) {
		list, err = readLayerRows(rows, c.needs())
		return err
	})
	named := c.namedDimensions()
	if len(named) == 0 {
		batch.Queue(`COMMIT`)
	}
	if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil || unnamed {
		return nil, false, err
	}
	n := 0
	for _, d := range list {
		n += d.len()
		if c.needsPlate() && d.unnamed() > 0 {
			return nil, false, nil
		}
	}
	if n > most {
		return nil, false, nil
	}
	if len(named) > 0 {
		batch = &pgx.Batch{}
		for _, dim := range named {
			r.things.read(batch, dim, ` WHERE id = ANY ($1)`, idsOf(list, dim))
		}
		batch.Queue(`COMMIT`)
		if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil {
			return nil, false, err
		}
	}
	for _, d := range list {
		c.day(d)
	}
	return c, true, nil
}

// namedDimensions are those of the groups whose names are not read with what one can
// filter by.
func (c *trendCounter) namedDimensions() []dimension {
	return slices.DeleteFunc(c.groupDimensions(), func(d dimension) bool { return d == dimMaterial })
}

// idsOf lists the different things of a dimension that layers name.
func idsOf(list []*layerDay, dim dimension) (ids []int32) {
	for _, d := range list {
		ids = append(ids, d.columns[dim].ids...)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

// narrowest gives the things that a filter leaves in one dimension, where their layers
// have an index and may be few; nil where not.
func (t *trendThings) narrowest(f TrendFilter, life bool) (dim dimension, ids []int32) {
	few := func(passing, all int) bool { return passing*narrowShare <= all }
	for _, x := range []struct {
		dim    dimension
		want   string
		second bool
		few    bool
	}{
		{dimPrinter, f.Printer, false, !life},
		{dimPlate, f.Plate, false, true},
		{dimJob, f.Job, false, !life},
		{dimPrinter, f.Bay, true, !life && few(t.inBay[f.Bay], total(t.inBay))},
		{dimPlate, f.Surface, true, few(t.withSurface[f.Surface], total(t.withSurface))},
	} {
		if x.want == "" || !x.few {
			continue
		}
		names, seconds := t.names(x.dim)
		if x.second {
			names = seconds
		}
		for id, name := range names {
			if name == x.want {
				ids = append(ids, id)
			}
		}
		return x.dim, ids
	}
	return 0, nil
}

func total(counts map[string]int) (n int) {
	for _, c := range counts {
		n += c
	}
	return n
}

// readUnnamed asks whether a layer of a day that is not packed names no plate.
func (p *packedDays) readUnnamed(batch *pgx.Batch, first, last int64, some *bool) {
	packed := make([]int64, 0, len(p.packed)+1)
	for day := range p.packed {
		packed = append(packed, day)
	}
	slices.Sort(packed)
	var since, until []time.Time
	for _, day := range append(packed, last+1) {
		if first < day {
			since, until = append(since, dayTime(first)), append(until, dayTime(day))
		}
		first = day + 1
	}
	if len(since) == 0 {
		return
	}
	batch.Queue(`SELECT EXISTS (SELECT FROM unnest($1::timestamptz[], $2::timestamptz[]) AS gap (since, until),
		LATERAL (SELECT FROM first_layers WHERE started_at >= since AND started_at < until AND plate IS NULL AND voided_at IS NULL LIMIT 1) AS f)`,
		since, until).QueryRow(func(row pgx.Row) error { return row.Scan(some) })
}
