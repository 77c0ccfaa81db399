package store

import (
	"math"
	"time"
)

// fittedPlates follows which plate lies on which printer while first layers
// pass in order of time. The rules are those of exposures: a fitting ends with
// its removal, with another fitting on the printer, and when its plate is fitted
// or named by a first layer elsewhere.
type fittedPlates struct {
	fittings []fittingSpan // in order of time, ties by id
	removals []int         // indexes of fittings, in order of removal
	next     int
	gone     int
	on       []int32 // by printer: one more than the index of the fitting in force; 0 none
	at       []int32 // by plate: the printer it is fitted to; 0 none
}

type fittingSpan struct {
	at, removed    int64
	plate, printer int32
}

const fittingsSQL = `
SELECT t.fitted_at, greatest(coalesce(t.removed_at, 'infinity'), t.fitted_at), t.plate, t.printer FROM fittings t
WHERE t.voided_at IS NULL AND t.fitted_at < $2 AND (t.fitted_at >= $1
	OR (t.removed_at IS NULL OR t.removed_at >= $1)
		AND NOT EXISTS (SELECT FROM fittings o WHERE o.printer = t.printer AND (o.fitted_at, o.id) > (t.fitted_at, t.id) AND o.fitted_at < $1 AND o.voided_at IS NULL)
		AND NOT EXISTS (SELECT FROM fittings o WHERE o.plate = t.plate AND (o.fitted_at, o.id) > (t.fitted_at, t.id) AND o.fitted_at < $1 AND o.voided_at IS NULL)
		AND NOT EXISTS (SELECT FROM first_layers g WHERE g.plate = t.plate AND g.printer <> t.printer
			AND g.started_at >= t.fitted_at AND g.started_at < $1 AND g.voided_at IS NULL))
ORDER BY t.fitted_at, t.id`

// fittings reads the fittings in force at an instant and those made from then
// on, before another.
func (r *trendReader) fittings(from, to int64) (*fittedPlates, error) {
	rows, err := r.db.Query(r.ctx, fittingsSQL, time.UnixMicro(from), time.UnixMicro(to))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	f := &fittedPlates{on: make([]int32, room(r.things.printers)), at: make([]int32, room(r.things.plates))}
	for rows.Next() {
		v := rows.RawValues()
		f.fittings = append(f.fittings, fittingSpan{at: int8Micros(v[0]), removed: infinite(v[1]), plate: int4(v[2]), printer: int4(v[3])})
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	f.removals = make([]int, len(f.fittings))
	for i := range f.removals {
		f.removals[i] = i
	}
	f.removals = inOrder(f.removals, func(i *int) int64 { return f.fittings[*i].removed }, nil)
	return f, nil
}

// infinite reads an instant that may be the end of time.
func infinite(b []byte) int64 {
	if t := int8Micros(b); t > 0 && t < math.MaxInt64/2 {
		return t
	}
	return math.MaxInt64
}

// until counts what was fitted and taken off by an instant.
func (f *fittedPlates) until(at int64) {
	for {
		fits := f.next < len(f.fittings) && f.fittings[f.next].at <= at
		goes := f.gone < len(f.removals) && f.fittings[f.removals[f.gone]].removed <= at
		switch {
		case fits && (!goes || f.fittings[f.next].at <= f.fittings[f.removals[f.gone]].removed):
			x := f.fittings[f.next]
			f.unfit(x.plate)
			if old := f.on[x.printer]; old > 0 {
				f.at[f.fittings[old-1].plate] = 0
			}
			f.next++
			f.on[x.printer], f.at[x.plate] = int32(f.next), x.printer
		case goes:
			i := f.removals[f.gone]
			if f.on[f.fittings[i].printer] == int32(i+1) {
				f.unfit(f.fittings[i].plate)
			}
			f.gone++
		default:
			return
		}
	}
}

func (f *fittedPlates) unfit(plate int32) {
	if printer := f.at[plate]; printer > 0 {
		f.on[printer], f.at[plate] = 0, 0
	}
}

// plateOf gives the plate a layer was started on; 0 not known. plate is the one
// it names, 0 none.
func (f *fittedPlates) plateOf(at int64, printer, plate int32) int32 {
	f.until(at)
	if plate == 0 {
		if i := f.on[printer]; i > 0 {
			return f.fittings[i-1].plate
		}
		return 0
	}
	if where := f.at[plate]; where > 0 && where != printer {
		f.unfit(plate) // seen here, so no longer where it was
	}
	return plate
}

// room is what a list by the things' numbers needs.
func room(names map[int32]string) int {
	n := int32(0)
	for id := range names {
		n = max(n, id)
	}
	return int(n) + 1
}
