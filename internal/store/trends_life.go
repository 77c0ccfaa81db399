package store

import (
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// A plate's life is told in prints: how many starts it had before (of those that
// are recorded), and how many since it was last washed or washed deep. Both are
// counted along, from the first day there is, because either may have begun long
// before the window; nothing of them is kept, so that a wash that is entered late
// changes no packed day.

// lifeBands are where bands of prints begin; a band's name is its beginning, three
// digits and more, so that the names' order is that of the bands.
var (
	ageBands    = []int32{0, 25, 50, 100, 200, 400, 800, 1600, 3200}
	washedBands = []int32{0, 1, 5, 10, 20, 40, 80, 160}
)

// LifeBands gives the bands of a grouping by prints: where each begins.
func LifeBands(by TrendBy) []int32 {
	switch by {
	case TrendAge:
		return ageBands
	case TrendWashed:
		return washedBands
	}
	return nil
}

// LifeBand gives a band by its group's name: its first and last number of prints,
// -1 for no end.
func LifeBand(by TrendBy, name string) (first, last int, ok bool) {
	n, err := strconv.Atoi(name)
	for k, b := range LifeBands(by) {
		if err == nil && int(b) == n {
			if k+1 == len(LifeBands(by)) {
				return n, -1, true
			}
			return n, int(LifeBands(by)[k+1]) - 1, true
		}
	}
	return 0, 0, false
}

// plateLife follows the plates' prints while first layers pass in order of time.
type plateLife struct {
	since  bool // by prints since the wash, not by age
	bands  []int32
	prints []int32 // by plate: its starts so far, or since its wash; -1 not washed yet
	washes []plateWash
	next   int
}

type plateWash struct {
	at    int64
	plate int32
}

// newPlateLife begins before any print.
func newPlateLife(by TrendBy, plates map[int32]string, washes []plateWash) *plateLife {
	l := &plateLife{since: by == TrendWashed, bands: LifeBands(by), prints: make([]int32, room(plates)), washes: washes}
	if l.since {
		for i := range l.prints {
			l.prints[i] = -1
		}
	}
	return l
}

const washesSQL = `SELECT cleaned_at, plate FROM cleanings WHERE method IN ('wash', 'deep') AND voided_at IS NULL AND cleaned_at < $1`

// readWashes reads the rows of a query that begins with washesSQL.
func readWashes(rows pgx.Rows) (list []plateWash, err error) {
	defer rows.Close()
	for rows.Next() {
		v := rows.RawValues()
		list = append(list, plateWash{int8Micros(v[0]), int4(v[1])})
	}
	return list, rows.Err()
}

// lives reads what plates' lives follow from, before an instant.
func (r *trendReader) lives(to int64) (*plateLife, error) {
	var washes []plateWash
	if r.q.By == TrendWashed {
		rows, err := r.db.Query(r.ctx, washesSQL+` ORDER BY cleaned_at`, time.UnixMicro(to))
		if err != nil {
			return nil, err
		}
		if washes, err = readWashes(rows); err != nil {
			return nil, err
		}
	}
	return newPlateLife(r.q.By, r.things.plates, washes), nil
}

// take counts a start of a plate (0 not known) at a time (not asked for by age) and
// gives its band; -1 not known. A wash at the same instant came before.
func (l *plateLife) take(plate int32, at int64) int32 {
	for l.next < len(l.washes) && l.washes[l.next].at <= at {
		l.prints[l.washes[l.next].plate] = 0
		l.next++
	}
	if plate == 0 || l.prints[plate] < 0 {
		return -1
	}
	n := l.prints[plate]
	l.prints[plate]++
	k := len(l.bands) - 1
	for l.bands[k] > n {
		k--
	}
	return int32(k)
}

// livesOf gives each layer's group by its plate's prints, and goes on with them; all
// layers count for a plate's prints, whatever is filtered.
func (c *trendCounter) livesOf(d *layerDay, plates []int32) {
	c.group = sized(c.group, d.len())
	column := &d.columns[dimPlate]
	for i := range c.group {
		var id int32
		if plates != nil {
			id = plates[i]
		} else {
			id = column.id(i)
		}
		at := int64(0)
		if c.life.since {
			at = d.times[i]
		}
		c.group[i] = 1 + c.life.take(id, at)
	}
}

// earlier tells whether a day lies before the window as a whole: of those only the
// plates' prints are counted.
func (c *trendCounter) earlier(day int64) bool { return (day+1)*microsPerDay <= c.from }

// firstDay is the first day there are layers of.
func (r *trendReader) firstDay(window int64) (int64, error) {
	var at *time.Time
	if err := r.db.QueryRow(r.ctx, `SELECT min(started_at) FROM first_layers`).Scan(&at); err != nil || at == nil {
		return window, err
	}
	return min(window, dayOf(at.UnixMicro())), nil
}
