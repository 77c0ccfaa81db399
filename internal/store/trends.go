package store

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// TrendBy is what first layers are counted by.
type TrendBy string

// The groupings. A pair is a plate on a printer. Graders are a filter only:
// people are not compared.
const (
	TrendAll      TrendBy = "" // no groups
	TrendPlate    TrendBy = "plate"
	TrendPrinter  TrendBy = "printer"
	TrendPair     TrendBy = "pair"
	TrendSurface  TrendBy = "surface"
	TrendMaterial TrendBy = "material"
	TrendJob      TrendBy = "job"
	TrendBay      TrendBy = "bay"
	TrendHour     TrendBy = "hour"
	TrendShift    TrendBy = "shift"  // by the hours of the shift that was on
	TrendAge      TrendBy = "age"    // by how many starts the plate had before
	TrendWashed   TrendBy = "washed" // by how many since it was washed
)

// TrendFilter narrows first layers to those of one thing each; "" is all.
type TrendFilter struct {
	Printer, Plate, Surface, Material, Job, Bay, Lot, Grader string
}

// TrendQuery asks for counts.
type TrendQuery struct {
	By TrendBy
	// Bounds cut the window into buckets: layers count in bucket k if
	// Bounds[k] <= started_at < Bounds[k+1].
	Bounds []time.Time
	// Until leaves out what started later.
	Until  time.Time
	Zone   *time.Location // of hours of the day and of shifts
	Shifts []farm.Span    // of the grouping by shift
	Filter TrendFilter
	// InBuckets asks for every group's counts by bucket too.
	InBuckets bool
	// Least puts groups with fewer graded layers into Rest.
	Least int
	// Outcomes asks for the graded layers one by one.
	Outcomes bool
	// Choices asks for what one can filter by.
	Choices bool
}

// TrendCount counts first layers: started (graded or not), graded, failed by
// the contract's definition, and graded ones entered more than a day after they
// began (not counted by pair).
type TrendCount struct{ Started, Graded, Failures, Late int }

func (c *TrendCount) add(o TrendCount) {
	c.Started += o.Started
	c.Graded += o.Graded
	c.Failures += o.Failures
	c.Late += o.Late
}

// TrendGroup is one group's counts. Name is "" where the record names nothing;
// an hour's is its number from 00 to 23, a shift's its hours. A pair's Name is the
// plate's and Second the printer's. A band of prints is named by where it begins
// (LifeBand).
type TrendGroup struct {
	Name, Second string
	Total        TrendCount
	Look         TrendLook
	Buckets      []TrendCount
}

// TrendOutcome is one graded layer; there may be millions.
type TrendOutcome struct {
	Micros int64 // when it began, in µs since 1970
	Failed bool
	Late   bool
}

// At is when the layer began.
func (o TrendOutcome) At() time.Time { return time.UnixMicro(o.Micros).UTC() }

// Trends are counts. Groups are in the byte order of their names.
type Trends struct {
	Total      TrendCount
	Buckets    []TrendCount
	Groups     []TrendGroup
	Rest       TrendCount // of RestGroups groups with fewer than Least graded layers
	RestGroups int
	Look       TrendLook
	// BucketLooks stand beside Buckets; nil where the look list drew for none.
	BucketLooks []TrendLook
	Outcomes    []TrendOutcome // in order of time
	// Unknown lists the filters that name nothing known, by the filter's name.
	Unknown []string
	Choices TrendChoices
	// CountedRaw is how many days before today with layers were counted from
	// first_layers, because they are not packed.
	CountedRaw int
}

// TrendChoices are what one can filter by, in the byte order of their names.
type TrendChoices struct{ Surfaces, Materials, Bays, Graders []string }

// Trends counts first layers. A layer that names no plate counts for the plate
// fitted to its printer when it began, as in exposures. Voided layers are left
// out; layers that are not graded count as started.
func (s *Store) Trends(ctx context.Context, q TrendQuery) (*Trends, error) {
	if len(q.Bounds) < 2 || !sort.SliceIsSorted(q.Bounds, func(i, j int) bool { return q.Bounds[i].Before(q.Bounds[j]) }) {
		return nil, fault.New(fault.Invalid, "trends need a window that ends after it begins")
	}
	r := &trendReader{ctx: ctx, q: q, today: dayOf(s.Now().UnixMicro())}
	out := &Trends{}
	if c, ok, err := r.narrow(s); err != nil {
		return nil, wrap("store.Trends", err)
	} else if ok {
		c.finish(out)
		return out, nil
	}
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.Trends", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	r.db = tx
	if err := r.read(out); err != nil {
		return nil, wrap("store.Trends", err)
	}
	return out, nil
}

type trendReader struct {
	ctx    context.Context
	db     trendDB
	q      TrendQuery
	today  int64
	things trendThings
}

// trendDB is what the reader needs of a transaction.
type trendDB interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// read counts what is asked for among all layers of the window.
func (r *trendReader) read(out *Trends) error {
	batch := &pgx.Batch{}
	r.queueThings(true, batch)
	if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil {
		return err
	}
	c := newTrendCounter(r.q, &r.things)
	if len(c.unknown) == 0 {
		if err := r.count(c, out); err != nil {
			return err
		}
	}
	c.finish(out)
	return nil
}

// count goes through the window's days in order, packed or not.
func (r *trendReader) count(c *trendCounter, out *Trends) error {
	first, last := dayOf(c.from), dayOf(c.to-1)
	if LifeBands(r.q.By) != nil {
		var err error
		if first, err = r.firstDay(first); err != nil {
			return err
		}
		if c.life, err = r.lives(c.to); err != nil {
			return err
		}
	}
	var days packedDays
	batch := &pgx.Batch{}
	days.read(batch, first, last)
	if err := r.db.SendBatch(r.ctx, batch).Close(); err != nil {
		return err
	}
	packed, unnamed := days.packed, days.unnamed
	if r.q.Outcomes && len(c.filters) == 0 {
		c.outcomes = make([]TrendOutcome, 0, days.layers)
	}
	// What is not packed is read first: it tells whether plates must be looked up
	// by fittings, and with that which columns are needed.
	var raw []*layerDay
	for day := first; day <= last; {
		if packed[day] {
			day++
			continue
		}
		end := day
		for end <= last && !packed[end] {
			end++
		}
		list, err := layerRows(r.ctx, r.db, time.UnixMicro(day*microsPerDay), time.UnixMicro(min(c.to, end*microsPerDay)))
		if err != nil {
			return err
		}
		for _, d := range list {
			unnamed += d.unnamed()
			if d.day < r.today {
				out.CountedRaw++
			}
		}
		raw = append(raw, list...)
		day = end
	}
	if unnamed > 0 && c.needsPlate() {
		var err error
		if c.fitted, err = r.fittings(first*microsPerDay, c.to); err != nil {
			return err
		}
	}
	rawBefore := func(day int64) {
		for len(raw) > 0 && raw[0].day < day {
			c.day(raw[0])
			raw = raw[1:]
		}
	}
	if err := r.packedLayers(c, packed, first, last, rawBefore); err != nil {
		return err
	}
	rawBefore(last + 1)
	return nil
}

// packedDays are the days of a window that are packed and unchanged since, how many
// layers they have and how many of these name no plate.
type packedDays struct {
	packed          map[int64]bool
	layers, unnamed int
}

// read asks for the days from first to last with a batch.
func (p *packedDays) read(batch *pgx.Batch, first, last int64) {
	p.packed = map[int64]bool{}
	batch.Queue(`SELECT day, layers, unnamed FROM trend_days d
		WHERE day BETWEEN $1 AND $2 AND NOT EXISTS (SELECT FROM trend_marks m WHERE m.day = d.day)`, dayTime(first), dayTime(last)).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			v := rows.RawValues()
			p.packed[int64(int4(v[0]))+daysTo2000] = true
			p.layers += int(int4(v[1]))
			p.unnamed += int(int4(v[2]))
		}
		return rows.Err()
	})
}

// packedLayers streams the packed days through the counter, reading only the
// columns it needs; times only of days that are cut, unless all are needed.
func (r *trendReader) packedLayers(c *trendCounter, packed map[int64]bool, first, last int64, before func(day int64)) error {
	var days, cut []time.Time
	for d := first; d <= last; d++ {
		if packed[d] {
			days = append(days, dayTime(d))
			if c.needsTimes(d) {
				cut = append(cut, dayTime(d))
			}
		}
	}
	if len(days) == 0 {
		return nil
	}
	columns := []string{"day", "layers", "flags", "CASE WHEN day = ANY ($2) THEN times END", "looks"}
	needed := c.needs()
	for _, k := range needed {
		columns = append(columns, dimensionColumns[k])
	}
	rows, err := r.db.Query(r.ctx, `SELECT `+strings.Join(columns, ", ")+` FROM trend_days WHERE day = ANY ($1) ORDER BY day`, days, cut)
	if err != nil {
		return err
	}
	defer rows.Close()
	d := &layerDay{}
	var looks []uint16
	for rows.Next() {
		v := rows.RawValues()
		d.day = int64(int4(v[0])) + daysTo2000
		n := int(int4(v[1]))
		d.flags = v[2]
		if len(d.flags) != n {
			return errPackedDay
		}
		d.times = d.times[:0]
		if v[3] != nil {
			if d.times, err = unpackTimes(d.times, v[3], d.day, n); err != nil {
				return err
			}
		}
		d.looks = nil
		if v[4] != nil {
			if looks, err = unpackLooks(looks, v[4], n); err != nil {
				return err
			}
			d.looks = looks
		}
		for i, k := range needed {
			if err := d.columns[k].unpack(v[5+i], n, k == dimLot); err != nil {
				return fmt.Errorf("%s of %s: %w", dimensionColumns[k], dayTime(d.day).Format(time.DateOnly), err)
			}
		}
		before(d.day)
		c.day(d)
	}
	return rows.Err()
}

// daysTo2000 is the day from which PostgreSQL counts dates.
const daysTo2000 = 10957
