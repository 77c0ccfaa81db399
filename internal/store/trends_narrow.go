package store

import "time"

// One printer's, plate's or job's layers may be few among millions: those are read from
// first_layers by its index, and no packed day is looked at.
const (
	narrowShare = 100  // at most one in so many of the window's layers
	narrowLeast = 2000 // so few are always read
)

// narrow gives the days of the layers that a filter leaves, in order, where they are
// few and their plates do not hang on what other printers' layers say; ok is false
// where they must be found among all. Other filters are left to the counter. layers and
// unnamed are those of the packed days.
func (r *trendReader) narrow(c *trendCounter, packed map[int64]bool, layers, unnamed int, first, last int64) (days []*layerDay, ok bool, err error) {
	if c.life != nil {
		return nil, false, nil // every start of a plate counts in its life
	}
	column, id := "", int32(0)
	for _, f := range []struct {
		column, name string
		names        map[int32]string
	}{{"printer", r.q.Filter.Printer, r.things.printers}, {"plate", r.q.Filter.Plate, r.things.plates}, {"job", r.q.Filter.Job, r.things.jobs}} {
		if f.name == "" {
			continue
		}
		for n, name := range f.names {
			if name == f.name {
				column, id = f.column, n
			}
		}
		break
	}
	if id == 0 {
		return nil, false, nil
	}
	from, to := time.UnixMicro(max(c.from, first*microsPerDay)), time.UnixMicro(min(c.to, (last+1)*microsPerDay))
	if column == "plate" {
		// A layer that names no plate may have been on this one.
		if unnamed > 0 {
			return nil, false, nil
		}
		for day := first; day <= last; day++ {
			end := day
			for end <= last && !packed[end] {
				end++
			}
			if end == day {
				continue
			}
			var some bool
			if err := r.tx.QueryRow(r.ctx, `SELECT EXISTS (SELECT FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND plate IS NULL AND voided_at IS NULL)`,
				dayTime(day), dayTime(end)).Scan(&some); err != nil || some {
				return nil, false, err
			}
			day = end
		}
	}
	most := max(narrowLeast, layers/narrowShare)
	list, err := readLayerRows(r.ctx, r.tx, layerRowSQL+` AND f.`+column+` = $3 LIMIT $4`, from, to, id, most+1)
	if err != nil {
		return nil, false, err
	}
	n := 0
	for _, d := range list {
		n += d.len()
		if d.unnamed() > 0 && c.needsPlate() {
			return nil, false, nil
		}
	}
	return list, n <= most, nil
}
