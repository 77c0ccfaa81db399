package store

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// The lists of analysisRows.
const (
	listStarts = iota
	listProbes
	listCleanings
	listSkips
	listServices
	listFittings
	analysisLists
)

var listKinds = [analysisLists]farm.Kind{farm.KindFirstLayer, farm.KindProbe, farm.KindCleaning, farm.KindProbeSkipped, farm.KindService, farm.KindFitting}

// changed are acts that were not visible when rows were read before: those after
// one, and some before it that had not been committed.
type changed struct {
	after int64
	late  []int64
	// The latest of the rows of a list that were read before, as SQL: whatever is
	// later is new, and is read as it lies in an index. "" where there is none.
	latest [analysisLists]string
	known  [analysisLists]touched // rows not later than latest that they touched
	void   [analysisLists][]bool  // beside the rows of a list that were read: they count no more
	found  [analysisLists]int     // how many of known were found
}

// touched are some rows of a list, by what finds them, as the insides of array literals.
type touched struct {
	ids, owners, times strings.Builder
	n                  int
}

func (k *touched) add(id [16]byte, owner int32, at time.Time) {
	if k.n++; k.n > 1 {
		for _, b := range []*strings.Builder{&k.ids, &k.owners, &k.times} {
			b.WriteByte(',')
		}
	}
	fmt.Fprintf(&k.ids, "%x", id[:])
	k.owners.WriteString(strconv.Itoa(int(owner)))
	k.times.WriteString(at.UTC().Format("2006-01-02T15:04:05.999999Z"))
}

// sql is a table of them.
func (k *touched) sql() string {
	return "unnest('{" + k.ids.String() + "}'::uuid[], '{" + k.owners.String() + "}'::int[], '{" + k.times.String() + "}'::timestamptz[]) w (w_id, w_owner, w_at)"
}

// sinceRows are the changes after rows that were read; what lies before those is in past.
func sinceRows(rows *analysisRows, past *pastRows, after int64, late []int64) *changed {
	c := &changed{after: after, late: late}
	for list, at := range map[int]int64{listStarts: lastAt(rows.h.Starts, startAt),
		listProbes:    lastAt(rows.h.Probes, probeAt),
		listCleanings: lastAt(rows.h.Cleanings, cleaningAt)} {
		c.latest[list] = "timestamptz '-infinity'"
		if at == math.MinInt64 && past != nil {
			at = past.at
		}
		if at != math.MinInt64 {
			c.latest[list] = sqlTime(time.UnixMicro(at))
		}
	}
	return c
}

func lastAt[T any](list []T, at func(*T) int64) int64 {
	if len(list) == 0 {
		return math.MinInt64
	}
	return at(&list[len(list)-1])
}

// by is the condition that a row's act is one of them.
func (c *changed) by(act string) string {
	is := fmt.Sprintf("%s > %d", act, c.after)
	if len(c.late) == 0 {
		return is
	}
	list := make([]string, len(c.late))
	for i, id := range c.late {
		list[i] = fmt.Sprint(id)
	}
	return "(" + is + " OR " + act + " IN (" + strings.Join(list, ", ") + "))"
}

// wanted is the query for the records they made, filled or voided.
func (c *changed) wanted(columns string) string {
	return "SELECT " + columns + " FROM records r WHERE " + c.by("r.act") +
		" UNION ALL SELECT " + columns + " FROM (SELECT DISTINCT record FROM changes WHERE record IS NOT NULL AND " + c.by("act") + ") c JOIN records r ON r.id = c.record WHERE NOT " + c.by("r.act")
}

// share is which of the rows that changed a connection reads next.
type share uint8

const (
	everything share = iota
	knownOnes        // not later than all that was read before
	laterOnes
)

// from is the query for what changed of a list's rows; "" where nothing did. Two columns
// more say whether a row counts no more, and whether it is one of known.
func (c *changed) from(list int, l *layout, columns string, of share) string {
	columns = "SELECT " + columns + ", t.voided_at IS NOT NULL, "
	var parts []string
	if k := &c.known[list]; of != laterOnes && k.n > 0 { // who reads the later ones does so while known is listed
		parts = append(parts, columns+"true FROM "+k.sql()+" JOIN "+l.Name+" t ON "+l.ownerMatch("w_owner")+" AND t."+l.whenColumn()+" = w_at AND t.id = w_id")
	}
	if at := c.latest[list]; at != "" && of != knownOnes {
		parts = append(parts, columns+"false FROM "+l.Name+" t WHERE t."+l.whenColumn()+" > "+at)
	}
	return strings.Join(parts, " UNION ALL ")
}

// listChanged lists the rows they touched that are not later than all that was read
// before; ok is false where there are more than a number.
func (p *part) listChanged(most int) (ok bool, err error) {
	c := p.since
	is := "CASE kind"
	for list, at := range c.latest {
		if at != "" {
			is += fmt.Sprintf(" WHEN '%s' THEN happened_at <= %s", listKinds[list], at)
		}
	}
	rows, err := p.tx.Query(p.ctx, "SELECT kind::text, id, owner, happened_at FROM ("+c.wanted("r.kind, r.id, r.owner, r.happened_at")+") w WHERE "+is+fmt.Sprintf(" ELSE true END LIMIT %d", most+1))
	if err != nil {
		return false, err
	}
	var kind string
	var id [16]byte
	var owner int32
	var at time.Time
	n := 0
	_, err = pgx.ForEachRow(rows, []any{&kind, &id, &owner, &at}, func() error {
		if i := slices.Index(listKinds[:], farm.Kind(kind)); i >= 0 {
			c.known[i].add(id, owner, at)
			n++
		}
		return nil
	})
	return n <= most, err
}

// fewSQL makes the database go from what changed to its rows by their indexes,
// whatever it takes their number for.
const fewSQL = `SET LOCAL jit = off; SET LOCAL enable_seqscan = off; SET LOCAL enable_hashjoin = off; SET LOCAL enable_mergejoin = off;
	SET LOCAL max_parallel_workers_per_gather = 0`

// readChanged reads the rows of what changed; ok is false where it is so much that
// reading all costs less, or where a row is not found as it should be.
func (r *analysisReader) readChanged(s *Store, of int) (ok bool, err error) {
	if _, err := r.tx.Exec(r.ctx, fewSQL); err != nil {
		return false, err
	}
	var many bool
	var snapshot string
	if err := r.tx.QueryRow(r.ctx, fmt.Sprintf(`SELECT EXISTS (SELECT FROM first_layers WHERE started_at > %s ORDER BY started_at OFFSET %d), pg_export_snapshot()`,
		r.since.latest[listStarts], leastForTwo)).Scan(&many, &snapshot); err != nil {
		return false, err
	}
	r.rows = &analysisRows{latest: math.MinInt64}
	few := true
	var known, later startPiece
	var knownProbes, laterProbes probePiece
	// Whatever is not later than what was read before, and all that there is little of.
	rest := func(p *part) error {
		ok, err := p.listChanged(max(leastToCount, of/changedShare))
		if few = ok; err != nil || !few {
			return err
		}
		p.share = knownOnes
		if err := p.readPiece(&known, ""); err != nil {
			return err
		}
		if err := p.readProbes(&knownProbes); err != nil {
			return err
		}
		p.share = everything
		return p.readEvents()
	}
	news := func(p *part) error {
		p.share = laterOnes
		if err := p.readPiece(&later, ""); err != nil {
			return err
		}
		return p.readProbes(&laterProbes)
	}
	if many { // over two connections
		err = r.both(s, snapshot, news, func(p *part) error {
			if _, err := p.tx.Exec(p.ctx, fewSQL); err != nil {
				return err
			}
			return rest(p)
		})
	} else {
		p := part{analysisReader: r, ctx: r.ctx, tx: r.tx, latest: math.MinInt64}
		if err = rest(&p); err == nil && few {
			err = news(&p)
		}
		r.rows.latest = p.latest
	}
	if err != nil || !few {
		return false, err
	}
	r.rows.h.Starts, r.rows.labels = append(known.starts, later.starts...), append(known.labels, later.labels...)
	r.rows.h.Probes = append(knownProbes.probes, laterProbes.probes...)
	r.since.void[listStarts], r.since.void[listProbes] = append(known.void, later.void...), append(knownProbes.void, laterProbes.void...)
	for list := range r.since.known {
		if r.since.found[list] != r.since.known[list].n {
			return false, nil
		}
	}
	return true, nil
}

const (
	leastToCount = 10_000 // earlier rows changed, below which it does not matter
	changedShare = 6      // a row by its index costs so many times one of a whole table
	leastForTwo  = 500    // later starts, from which a second connection is worth it
)

// merge takes the rows that changed into those that were read before, which stay
// as they are for who reads them still. moved gives the old ones the numbers that
// printers and plates have now, as the fresh ones do; nil: they are what they were.
func (old *analysisRows) merge(fresh *analysisRows, void *[analysisLists][]bool, moved *moves) *analysisRows {
	n := &analysisRows{latest: max(old.latest, fresh.latest)}
	var rest sync.WaitGroup
	rest.Go(func() {
		p := merger[exposure.Probe]{probeAt, func(p *exposure.Probe, _ int, _ [][16]byte) *[16]byte { return &p.ID }}
		steps := p.plan(old.h.Probes, nil, fresh.h.Probes, nil, void[listProbes])
		n.h.Probes = follow(steps, old.h.Probes, fresh.h.Probes, by(moved, (*moves).probe))
		n.h.Cleanings, n.cleaningIDs = beside(old.h.Cleanings, old.cleaningIDs, fresh.h.Cleanings, fresh.cleaningIDs, void[listCleanings], cleaningAt, by(moved, (*moves).cleaning))
		n.h.Skips, n.skipIDs = beside(old.h.Skips, old.skipIDs, fresh.h.Skips, fresh.skipIDs, void[listSkips], skipAt, by(moved, (*moves).skip))
		n.h.Services, n.serviceIDs = beside(old.h.Services, old.serviceIDs, fresh.h.Services, fresh.serviceIDs, void[listServices], serviceAt, by(moved, (*moves).service))
		n.h.Fittings, n.fittingIDs = beside(old.h.Fittings, old.fittingIDs, fresh.h.Fittings, fresh.fittingIDs, void[listFittings], func(f *exposure.Fitting) int64 { return f.At }, by(moved, (*moves).fitting))
	})
	m := merger[exposure.Start]{startAt, func(s *exposure.Start, _ int, _ [][16]byte) *[16]byte { return &s.ID }}
	steps := m.plan(old.h.Starts, nil, fresh.h.Starts, nil, void[listStarts])
	rest.Go(func() { n.labels = follow(steps, old.labels, fresh.labels, nil) })
	n.h.Starts = follow(steps, old.h.Starts, fresh.h.Starts, by(moved, (*moves).start))
	rest.Wait()
	return n
}

// beside merges a list whose ids lie beside it.
func beside[T any](old []T, oldIDs [][16]byte, fresh []T, freshIDs [][16]byte, void []bool, at func(*T) int64, move func(*T)) ([]T, [][16]byte) {
	m := merger[T]{at, func(_ *T, i int, ids [][16]byte) *[16]byte { return &ids[i] }}
	steps := m.plan(old, oldIDs, fresh, freshIDs, void)
	return follow(steps, old, fresh, move), follow(steps, oldIDs, freshIDs, nil)
}

// merger knows what a list is ordered by: time, then id.
type merger[T any] struct {
	at func(*T) int64
	id func(x *T, i int, ids [][16]byte) *[16]byte
}

// mergeStep takes the old rows from from to before to, and then a fresh one; -1
// none.
type mergeStep struct{ from, to, fresh int }

// plan says how two lists become one: a fresh row stands in place of the old one
// of its id, which has its time, and void ones go.
func (m *merger[T]) plan(old []T, oldIDs [][16]byte, fresh []T, freshIDs [][16]byte, void []bool) []mergeStep {
	if len(fresh) == 0 {
		return nil
	}
	compare := func(a *T, i int, aIDs [][16]byte, b *T, j int, bIDs [][16]byte) int {
		if x, y := m.at(a), m.at(b); x != y {
			if x < y {
				return -1
			}
			return 1
		}
		return exposure.CompareIDs(m.id(a, i, aIDs), m.id(b, j, bIDs))
	}
	order := make([]int, len(fresh))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int { return compare(&fresh[i], i, freshIDs, &fresh[j], j, freshIDs) })
	steps := make([]mergeStep, 0, len(fresh)+1)
	from := 0
	for _, k := range order {
		// The place of a fresh row: most come after all that was there.
		low, high := from, len(old)
		if high > low && compare(&old[high-1], high-1, oldIDs, &fresh[k], k, freshIDs) < 0 {
			low = high
		}
		for low < high {
			mid := int(uint(low+high) >> 1)
			if compare(&old[mid], mid, oldIDs, &fresh[k], k, freshIDs) < 0 {
				low = mid + 1
			} else {
				high = mid
			}
		}
		step := mergeStep{from, low, k}
		if void[k] {
			step.fresh = -1
		}
		steps = append(steps, step)
		from = low
		if low < len(old) && compare(&old[low], low, oldIDs, &fresh[k], k, freshIDs) == 0 {
			from++
		}
	}
	return append(steps, mergeStep{from, len(old), -1})
}

// follow makes a new list by a plan; without one, and where nothing moved, the old list
// will do. move gives an old row its new numbers, nil: they are what they were.
func follow[T any](steps []mergeStep, old, fresh []T, move func(*T)) []T {
	if steps == nil {
		if move == nil || len(old) == 0 {
			return old
		}
		steps = []mergeStep{{0, len(old), -1}}
	}
	n := 0
	for _, s := range steps {
		n += s.to - s.from
		if s.fresh >= 0 {
			n++
		}
	}
	out := make([]T, 0, n)
	for _, s := range steps {
		was := len(out)
		out = append(out, old[s.from:s.to]...)
		if move != nil {
			for i := was; i < len(out); i++ {
				move(&out[i])
			}
		}
		if s.fresh >= 0 {
			out = append(out, fresh[s.fresh])
		}
	}
	return out
}

// moves are the numbers that things of before have now.
type moves struct{ printers, plates []int32 }

// by gives what renumbers a row; nil where nothing moved.
func by[T any](m *moves, row func(*moves, *T)) func(*T) {
	if m == nil {
		return nil
	}
	return func(x *T) { row(m, x) }
}

func (m *moves) plate(i *int32) {
	if *i >= 0 {
		*i = m.plates[*i]
	}
}

func (m *moves) start(s *exposure.Start) {
	s.Printer = m.printers[s.Printer]
	m.plate(&s.Plate)
}

func (m *moves) probe(p *exposure.Probe) {
	p.Printer = m.printers[p.Printer]
	m.plate(&p.Plate)
}

func (m *moves) cleaning(c *exposure.Cleaning) { m.plate(&c.Plate) }

func (m *moves) skip(s *exposure.Skip) { s.Printer = m.printers[s.Printer] }

func (m *moves) service(s *exposure.Service) { s.Printer = m.printers[s.Printer] }

func (m *moves) fitting(f *exposure.Fitting) {
	f.Printer = m.printers[f.Printer]
	m.plate(&f.Plate)
}

// moves tells where the things of one numbering stand in a later one, and whether
// any of them moved; ok is false where one is no longer there.
func (n numbering) moves(to numbering, things int) (moved []int32, any, ok bool) {
	moved = make([]int32, things)
	for id, i := range n {
		if i < 0 {
			continue
		}
		if id >= len(to) || to[id] < 0 {
			return nil, false, false
		}
		moved[i] = to[id]
		any = any || moved[i] != i
	}
	return moved, any, true
}

// pendingAct is an act that had a number and could not be seen.
type pendingAct struct {
	id     int64
	before int64 // transactions from this one on began after it was missed
	missed time.Time
}
