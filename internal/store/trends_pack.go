package store

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// Trends count first layers by anything and filter by anything, over windows in
// which there may be millions of them. So the first layers of each UTC day that
// is over are kept a second time, packed in columns (trend_days): a column is
// read only where a question needs it, and counting a million layers takes
// milliseconds. Days are UTC's, so that the farm's zone may change: local days
// and weeks are cut by the times when counting.
//
// Whoever writes, fills or voids a first layer marks its day in the same
// transaction (trend_marks). A day that is marked or not packed is counted from
// first_layers itself, so answers are right at once; PackTrends packs it again
// in the background.
//
// A column of a packed day:
//
//	times     the µs since the layer before (the day's begin for the first), uvarint
//	flags     a byte a layer: flagGraded, flagFailed, flagLate
//	looks     two bytes a layer (trends_looks.go); NULL where none was drawn for
//	others    how many different values, uvarint; the values (four bytes, little
//	          end first, or for lots their length as uvarint and their bytes);
//	          the bytes an index takes (1, 2 or 4); a layer's index, 0 not named,
//	          else one more than its place among the values
//
// Layers stand in order of time, ties by id.
const (
	flagGraded = 1 << iota
	flagFailed
	flagLate
)

// lateAfter is how long after it began a layer's entry counts as late.
const lateAfter = "24 hours"

const microsPerDay = 86_400_000_000

// dimension is one column of indexes.
type dimension int

const (
	dimPrinter dimension = iota
	dimPlate
	dimMaterial
	dimJob
	dimGrader
	dimensions
	dimLot = dimensions // named by text, not by number
)

var (
	dimensionColumns = [dimensions + 1]string{"printers", "plates", "materials", "jobs", "graders", "lots"}
	layerColumns     = [dimensions]string{"printer", "plate", "material", "job", "grader"} // of first_layers
	allDimensions    = []dimension{dimPrinter, dimPlate, dimMaterial, dimJob, dimGrader, dimLot}
)

// layerDay is the first layers of one UTC day, unpacked.
type layerDay struct {
	day     int64 // days since 1970
	times   []int64
	flags   []byte
	columns [dimensions + 1]layerColumn
	looks   []uint16 // nil: the look list drew for none
}

// layerColumn is one dimension of a day's layers: values, and by layer its
// index among them, one-based; 0 not named.
type layerColumn struct {
	ids   []int32
	texts []string
	index []uint32
}

func (d *layerDay) len() int { return len(d.flags) }

// unnamed counts the layers that name no plate.
func (d *layerDay) unnamed() int {
	n := 0
	for _, i := range d.columns[dimPlate].index {
		if i == 0 {
			n++
		}
	}
	return n
}

// layerRow is a first layer as it comes from its table.
type layerRow struct {
	at     int64
	id     [16]byte
	things [dimensions]int32 // 0 not named
	lot    string
	flags  byte
	look   uint16 // as packed; 0 not drawn for
}

// layerRowSQL is the query for the first layers of $1 <= started_at < $2, with some of
// their dimensions.
func layerRowSQL(columns []dimension) string {
	sql := `SELECT f.started_at, f.id, f.grade IS NOT NULL, coalesce(` + failureSQL + `, false), f.noted_at > f.started_at + interval '` + lateAfter + `', ` + lookSQL
	for _, d := range columns {
		if d == dimLot {
			sql += `, coalesce(f.lot, '')`
		} else {
			sql += `, coalesce(f.` + layerColumns[d] + `, 0)`
		}
	}
	return sql + ` FROM first_layers f WHERE f.started_at >= $1 AND f.started_at < $2 AND f.voided_at IS NULL`
}

// layerRows reads the first layers of from <= started_at < to into days, in
// order; days without any are left out.
func layerRows(ctx context.Context, tx trendDB, from, to time.Time) ([]*layerDay, error) {
	rows, err := tx.Query(ctx, layerRowSQL(allDimensions), from, to)
	if err != nil {
		return nil, err
	}
	list, err := readLayerRows(rows, allDimensions)
	return daysOfRows(list, allDimensions), err
}

// readLayerRows reads the rows of a query that begins with layerRowSQL.
func readLayerRows(rows pgx.Rows, columns []dimension) (list []layerRow, err error) {
	defer rows.Close()
	for rows.Next() {
		v := rows.RawValues()
		r := layerRow{at: int8Micros(v[0]), look: lookOfNumber(int4(v[5]))}
		copy(r.id[:], v[1])
		for k, bit := range []byte{flagGraded, flagFailed, flagLate} {
			if v[2+k][0] != 0 {
				r.flags |= bit
			}
		}
		for k, d := range columns {
			if d == dimLot {
				r.lot = string(v[6+k])
			} else {
				r.things[d] = int4(v[6+k])
			}
		}
		list = append(list, r)
	}
	return list, rows.Err()
}

// daysOfRows puts layers in order and cuts them into days; of the columns only those
// that are asked for are filled.
func daysOfRows(list []layerRow, columns []dimension) (days []*layerDay) {
	slices.SortFunc(list, compareRows)
	for len(list) > 0 {
		day, n := dayOf(list[0].at), 1
		for n < len(list) && dayOf(list[n].at) == day {
			n++
		}
		days = append(days, dayOfRows(day, list[:n], columns))
		list = list[n:]
	}
	return days
}

// dayOf is the UTC day of an instant in µs since 1970.
func dayOf(micros int64) int64 {
	d := micros / microsPerDay
	if micros%microsPerDay < 0 {
		d--
	}
	return d
}

func dayTime(day int64) time.Time { return time.Unix(day*86400, 0).UTC() }

func compareRows(a, b layerRow) int {
	return cmp.Or(cmp.Compare(a.at, b.at), bytes.Compare(a.id[:], b.id[:]))
}

// dayOfRows puts a day's layers, which are in order, into columns.
func dayOfRows(day int64, list []layerRow, columns []dimension) *layerDay {
	d := &layerDay{day: day, times: make([]int64, len(list)), flags: make([]byte, len(list))}
	for i := range list {
		d.times[i], d.flags[i] = list[i].at, list[i].flags
	}
	d.looks = looksOf(list)
	for _, k := range columns {
		c := &d.columns[k]
		if k == dimLot {
			c.texts, c.index = placed(list, func(r *layerRow) string { return r.lot })
		} else {
			c.ids, c.index = placed(list, func(r *layerRow) int32 { return r.things[k] })
		}
	}
	return d
}

// placed lists the different values that rows have, and by row its value's place among
// them, one-based; 0 for a row that has none.
func placed[T comparable](list []layerRow, of func(*layerRow) T) (values []T, index []uint32) {
	var none T
	index = make([]uint32, len(list))
	if len(list) < 50 { // a map costs more
		for i := range list {
			value := of(&list[i])
			n := 1 + slices.Index(values, value)
			if value != none && n == 0 {
				values = append(values, value)
				n = len(values)
			}
			index[i] = uint32(n)
		}
		return values, index
	}
	known := map[T]uint32{none: 0}
	for i := range list {
		value := of(&list[i])
		n, ok := known[value]
		if !ok {
			values = append(values, value)
			n = uint32(len(values))
			known[value] = n
		}
		index[i] = n
	}
	return values, index
}

// packTimes packs the column of times.
func packTimes(d *layerDay) []byte {
	b := make([]byte, 0, 4*len(d.times))
	before := d.day * microsPerDay
	for _, t := range d.times {
		b = binary.AppendUvarint(b, uint64(t-before))
		before = t
	}
	return b
}

func (c *layerColumn) pack() []byte {
	values := len(c.ids) + len(c.texts)
	b := binary.AppendUvarint(make([]byte, 0, 16+4*values+2*len(c.index)), uint64(values))
	for _, id := range c.ids {
		b = binary.LittleEndian.AppendUint32(b, uint32(id))
	}
	for _, s := range c.texts {
		b = append(binary.AppendUvarint(b, uint64(len(s))), s...)
	}
	switch {
	case values < 1<<8:
		b = append(b, 1)
		for _, n := range c.index {
			b = append(b, byte(n))
		}
	case values < 1<<16:
		b = append(b, 2)
		for _, n := range c.index {
			b = binary.LittleEndian.AppendUint16(b, uint16(n))
		}
	default:
		b = append(b, 4)
		for _, n := range c.index {
			b = binary.LittleEndian.AppendUint32(b, n)
		}
	}
	return b
}

var errPackedDay = errors.New("a packed day of trends is not in the form it is packed in")

// unpackTimes appends n times of a day.
func unpackTimes(into []int64, b []byte, day int64, n int) ([]int64, error) {
	at := day * microsPerDay
	for range n {
		d, k := binary.Uvarint(b)
		if k <= 0 {
			return into, errPackedDay
		}
		b = b[k:]
		at += int64(d)
		into = append(into, at)
	}
	if len(b) > 0 {
		return into, errPackedDay
	}
	return into, nil
}

// unpack reads a column of n layers, using its room again.
func (c *layerColumn) unpack(b []byte, n int, text bool) error {
	count, k := binary.Uvarint(b)
	if k <= 0 || count > uint64(len(b)) {
		return errPackedDay
	}
	b = b[k:]
	c.ids, c.texts = c.ids[:0], c.texts[:0]
	for range count {
		if text {
			size, k := binary.Uvarint(b)
			if k <= 0 || size > uint64(len(b)-k) {
				return errPackedDay
			}
			c.texts = append(c.texts, string(b[k:k+int(size)]))
			b = b[k+int(size):]
			continue
		}
		if len(b) < 4 {
			return errPackedDay
		}
		c.ids = append(c.ids, int32(binary.LittleEndian.Uint32(b)))
		b = b[4:]
	}
	if len(b) < 1 || len(b)-1 != n*int(b[0]) {
		return errPackedDay
	}
	width := b[0]
	b = b[1:]
	c.index = slices.Grow(c.index[:0], n)[:n]
	largest := uint32(0)
	switch width {
	case 1:
		for i := range c.index {
			c.index[i] = uint32(b[i])
			largest = max(largest, c.index[i])
		}
	case 2:
		for i := range c.index {
			c.index[i] = uint32(b[2*i]) | uint32(b[2*i+1])<<8
			largest = max(largest, c.index[i])
		}
	case 4:
		for i := range c.index {
			c.index[i] = binary.LittleEndian.Uint32(b[4*i:])
			largest = max(largest, c.index[i])
		}
	default:
		return errPackedDay
	}
	if uint64(largest) > count {
		return errPackedDay
	}
	return nil
}

// touch notes that a first layer's day is not what it was. Only first layers
// count in trends.
func (w *writer) touch(startedAt time.Time) {
	day := dayOf(startedAt.UnixMicro())
	if day == w.lastTouched && w.touched != nil {
		return
	}
	if w.touched == nil {
		w.touched = map[int64]struct{}{}
	}
	w.lastTouched = day
	w.touched[day] = struct{}{}
}

// storeTouched marks the days that were touched.
func (w *writer) storeTouched(ctx context.Context) error {
	var batch pgx.Batch
	if w.queueTouched(&batch); batch.Len() == 0 {
		return nil
	}
	return w.tx.SendBatch(ctx, &batch).Close()
}

// queueTouched puts what storeTouched does into a batch.
func (w *writer) queueTouched(batch *pgx.Batch) {
	if len(w.touched) == 0 {
		return
	}
	days := make([]time.Time, 0, len(w.touched))
	for d := range w.touched {
		days = append(days, dayTime(d))
	}
	batch.Queue(`INSERT INTO trend_marks (day) SELECT unnest($1::date[])`, days)
	w.touched = nil
}

// Packing goes a few weeks at a time, and back at most ten years from the
// latest day: what is older is counted from first_layers.
const (
	packAtOnce   = 14
	packBackDays = 3660
	packLock     = 6
)

// PackTrends packs the days before today (UTC) that are not packed, or were
// written to since. It may run in any number of processes at any time: one
// works, the others find the lock taken and go on. It tells how many days it
// packed.
func (s *Store) PackTrends(ctx context.Context) (packed int, err error) {
	for {
		n, err := s.packSome(ctx)
		packed += n
		if err != nil || n == 0 {
			return packed, wrap("store.PackTrends", err)
		}
	}
}

// packSome packs up to a few days in one transaction. Each statement sees what
// was committed before it: marks are read first, then the layers, so that a
// write in between leaves its mark behind.
func (s *Store) packSome(ctx context.Context) (int, error) {
	acquire, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	tx, err := s.pool.Begin(acquire)
	if err != nil {
		return 0, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	if _, err := tx.Exec(ctx, `SET LOCAL statement_timeout = 0; SET LOCAL jit = off`); err != nil {
		return 0, err
	}
	var mine bool
	if err := tx.QueryRow(ctx, `SELECT pg_try_advisory_xact_lock($1, $2)`, lockClass, packLock).Scan(&mine); err != nil || !mine {
		return 0, err
	}
	today := dayTime(dayOf(s.Now().UnixMicro()))
	var marks []int64
	var days []time.Time
	// The newest first: they are asked for most.
	err = tx.QueryRow(ctx, `
		WITH marks AS MATERIALIZED (SELECT id, day FROM trend_marks),
			ends AS (SELECT (SELECT (started_at AT TIME ZONE 'UTC')::date FROM first_layers WHERE started_at < $1 ORDER BY started_at LIMIT 1) AS first,
				(SELECT (started_at AT TIME ZONE 'UTC')::date FROM first_layers WHERE started_at < $1 ORDER BY started_at DESC LIMIT 1) AS last),
			due AS (SELECT d::date AS day FROM ends, generate_series(greatest(first, last - $2::int), last, interval '1 day') AS d
				WHERE NOT EXISTS (SELECT FROM trend_days t WHERE t.day = d::date) OR EXISTS (SELECT FROM marks m WHERE m.day = d::date)
				ORDER BY d DESC LIMIT $3)
		SELECT coalesce((SELECT array_agg(day ORDER BY day) FROM due), '{}'),
			coalesce((SELECT array_agg(id) FROM marks m WHERE m.day IN (SELECT day FROM due) OR NOT EXISTS (SELECT FROM trend_days t WHERE t.day = m.day)), '{}')`,
		today, packBackDays, packAtOnce).Scan(&days, &marks)
	if err != nil {
		return 0, err
	}
	for i := 0; i < len(days); {
		j := i + 1
		for j < len(days) && days[j].Sub(days[j-1]) == 24*time.Hour {
			j++
		}
		if err := packRange(ctx, tx, days[i], j-i); err != nil {
			return 0, err
		}
		i = j
	}
	if len(marks) > 0 {
		if _, err := tx.Exec(ctx, `DELETE FROM trend_marks WHERE id = ANY ($1)`, marks); err != nil {
			return 0, err
		}
	}
	return len(days), tx.Commit(ctx)
}

// packRange packs n days from a day on; a day without layers too.
func packRange(ctx context.Context, tx pgx.Tx, from time.Time, n int) error {
	list, err := layerRows(ctx, tx, from, from.AddDate(0, 0, n))
	if err != nil {
		return err
	}
	batch := &pgx.Batch{}
	put := func(d *layerDay) {
		args := []any{dayTime(d.day), d.len(), d.unnamed(), packTimes(d)}
		for k := range d.columns {
			args = append(args, d.columns[k].pack())
		}
		batch.Queue(`INSERT INTO trend_days (day, layers, unnamed, times, printers, plates, materials, jobs, graders, lots, flags, looks)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) ON CONFLICT (day) DO UPDATE SET layers = excluded.layers, unnamed = excluded.unnamed,
			times = excluded.times, printers = excluded.printers, plates = excluded.plates, materials = excluded.materials, jobs = excluded.jobs,
			graders = excluded.graders, lots = excluded.lots, flags = excluded.flags, looks = excluded.looks`, append(args, d.flags, packLooks(d.looks))...)
	}
	first := dayOf(from.UnixMicro())
	for k := range int64(n) {
		if len(list) > 0 && list[0].day == first+k {
			put(list[0])
			list = list[1:]
		} else {
			put(&layerDay{day: first + k, flags: []byte{}})
		}
	}
	return tx.SendBatch(ctx, batch).Close()
}
