package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// Analysis is the farm as of a time, in the columns that findings are computed
// from. Times are microseconds since 1970 UTC.
type Analysis struct {
	// History holds what counts; every list is in order of time, ties by id.
	// Its printers and plates are indexes into Printers and Plates.
	History exposure.History
	Labels  []StartLabel // beside History.Starts
	Past    *Past        // what its lists leave out, of KeptAnalysis alone; nil: nothing
	// Printers and Plates in the byte order of their tags.
	Printers, Plates   []AnalysisThing
	GraderIDs          []int32  // numbers of people, by index
	Materials, Graders int      // how many are named; numbered as they first appear
	MaterialNames      []string // by number
	Settings           farm.SettingValues
	Version            DataVersion
	// Until is the first instant after the time asked for at which something
	// that is recorded begins to count: before it the answer is the same.
	Until int64
}

// AnalysisThing is a printer or a plate. Zero times are unknown.
type AnalysisThing struct {
	Tag                      string
	InServiceFrom, RetiredAt time.Time
	all                      bool // a printer's probing_recorded
	later                    bool // became known after the time known
}

// StartLabel is what was recorded of a start beside its exposures. Severities
// are the strongest of their marks, 0 none.
type StartLabel struct {
	Material, Grader int32 // -1: not named
	// Marks has bit k set where mark k of farm.Marks was seen.
	Marks  uint16
	Graded bool
	Height uint8 // nozzle_low, nozzle_high
	Grip   uint8 // blobs, dragged, lifting
	Dirt   uint8 // contamination
	Else   uint8
	Look   Look
}

// Look is what a look list drew for a start.
type Look uint8

// Draws of a look list. A layer graded by lot or risk with a chance was on one,
// whoever kept it (LookSaid).
const (
	LookNone Look = iota
	LookListed
	LookLeft // drawn, and not on the list
	LookSaid
)

// DataVersion tells whether anything was written between two readings.
type DataVersion struct {
	last int64 // newest act
	lot  int64 // how many of the acts before it are visible: one may commit late
}

// IsZero tells whether the version was not read, or nothing was ever written.
func (v DataVersion) IsZero() bool { return v == DataVersion{} }

// Before tells whether acts came between the version and another.
func (v DataVersion) Before(other DataVersion) bool { return v.last < other.last }

// String names the version; two are alike when their names are.
func (v DataVersion) String() string { return fmt.Sprintf("%d-%d", v.last, v.lot) }

// dataVersionSQL looks at the newest acts; an act that takes longer than the
// next 5,000 would be noticed with the act after it. Every page asks, and counting
// more costs the pages of a busy farm milliseconds.
const dataVersionSQL = `SELECT coalesce(max(id), 0), count(*) FROM acts WHERE id > (SELECT coalesce(max(id), 0) FROM acts) - 5000`

// DataVersion reads the version of the farm's data.
func (s *Store) DataVersion(ctx context.Context) (DataVersion, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var v DataVersion
	err := s.pool.QueryRow(ctx, dataVersionSQL).Scan(&v.last, &v.lot)
	return v, wrap("store.DataVersion", err)
}

// noLater is an instant after all records.
const noLater = math.MaxInt64

// Analysis reads the farm as of a time: a record counts if it happened by then,
// a grade if it was given by then, a plate lies where it was put until it was
// taken off by then. Voided records are left out whenever they were voided.
// With knownAt, whatever arrived later is left out: records, voidings, fields
// filled and changes to things. All of it is read at one instant of the
// database.
func (s *Store) Analysis(ctx context.Context, at, knownAt time.Time) (*Analysis, error) {
	return s.analysis(ctx, at, knownAt, false)
}

// AnalysisOnTime is Analysis without the records that were noted late: more than a day
// after they happened.
func (s *Store) AnalysisOnTime(ctx context.Context, at, knownAt time.Time) (*Analysis, error) {
	return s.analysis(ctx, at, knownAt, true)
}

func (s *Store) analysis(ctx context.Context, at, knownAt time.Time, onTime bool) (*Analysis, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.Analysis", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	r := &analysisReader{ctx: ctx, tx: tx, knownAt: knownAt, onTime: onTime, a: &Analysis{}, rows: &analysisRows{}}
	if err := r.readThings(); err != nil {
		return nil, wrap("store.Analysis", err)
	}
	if err := r.readAll(s); err != nil {
		return nil, wrap("store.Analysis", err)
	}
	r.asOf(at.UnixMicro(), true)
	r.leaveLater()
	return r.a, nil
}

type analysisReader struct {
	ctx     context.Context
	tx      pgx.Tx
	knownAt time.Time
	onTime  bool      // late records are left out
	since   *changed  // nil: all is read; else what these changed
	past    *pastRows // what the answer leaves out; nil: nothing
	a       *Analysis
	rows    *analysisRows

	printers, plates numbering
	unfilled         map[[16]byte][]string // fields that were filled later than known
	materialNames    map[int32]string
}

// analysisRows are all records that count, whatever their time; every list is in
// order of time, ties by id. Labels have the database's numbers of materials and
// people. Lists are not changed once they are read: others may read them too.
type analysisRows struct {
	h      exposure.History // its lists alone
	labels []StartLabel

	fittingIDs, cleaningIDs, skipIDs, serviceIDs [][16]byte
	latest                                       int64 // of all their instants
}

// numbering gives a thing's index by its number in the database; -1 none.
type numbering []int32

func (n numbering) of(id int32) (int32, error) {
	if id < 0 || int(id) >= len(n) || n[id] < 0 {
		return 0, fmt.Errorf("thing number %d is named and not there", id)
	}
	return n[id], nil
}

// readAll reads all rows, whole tables.
func (r *analysisReader) readAll(s *Store) error {
	if !r.knownAt.IsZero() {
		if err := r.readUnfilled(); err != nil {
			return err
		}
	}
	// Two connections read at the same instant of the database: the server's work
	// is the greater part. One begins with what is not a first layer; of these
	// each takes the next piece of the table until there is none.
	var snapshot string
	var pages int64
	if err := r.tx.QueryRow(r.ctx, `SELECT pg_export_snapshot(), pg_relation_size('first_layers') / current_setting('block_size')::bigint`).Scan(&snapshot, &pages); err != nil {
		return err
	}
	var probes probePiece
	pieces := &startPieces{pages: pages, read: make([]startPiece, min(16, 1+pages/64))}
	err := r.both(s, snapshot, func(p *part) error {
		if err := p.whole(); err != nil {
			return err
		}
		return p.readStarts(pieces)
	}, func(p *part) error {
		if err := p.whole(); err != nil {
			return err
		}
		if err := p.readProbes(&probes); err != nil {
			return err
		}
		if err := p.readEvents(); err != nil {
			return err
		}
		return p.readStarts(pieces)
	})
	if err != nil {
		return err
	}
	r.rows.h.Probes = probes.probes
	pieces.join(r.rows)
	r.rows.order()
	return nil
}

// part is what one connection reads.
type part struct {
	*analysisReader
	ctx    context.Context
	tx     pgx.Tx
	latest int64 // of the instants it read
	share  share // of the rows that changed
}

// both lets a piece of reading run over the transaction there is and another
// over a connection of its own, at the same snapshot.
func (r *analysisReader) both(s *Store, snapshot string, mine, beside func(p *part) error) error {
	ctx, cancel := context.WithCancel(r.ctx)
	defer cancel()
	ended := make(chan error, 1)
	second := part{analysisReader: r, ctx: ctx, latest: math.MinInt64}
	go func() {
		err := second.over(s, snapshot, beside)
		if err != nil {
			cancel()
		}
		ended <- err
	}()
	first := part{analysisReader: r, ctx: ctx, tx: r.tx, latest: math.MinInt64}
	err := mine(&first)
	if err != nil {
		cancel()
	}
	other := <-ended
	if err == nil || other != nil && errors.Is(err, context.Canceled) {
		err = other // what the first of the two was ended for
	}
	r.rows.latest = max(first.latest, second.latest)
	return err
}

func (p *part) over(s *Store, snapshot string, read func(p *part) error) error {
	at := *s
	at.snapshot = snapshot
	tx, err := at.long(p.ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(p.ctx)) }()
	p.tx = tx
	return read(p)
}

// whole says that tables are read once through, in the order they lie in.
func (p *part) whole() error {
	_, err := p.tx.Exec(p.ctx, `SET LOCAL jit = off; SET LOCAL enable_seqscan = on; SET LOCAL enable_indexscan = off; SET LOCAL enable_bitmapscan = off;
		SET LOCAL max_parallel_workers_per_gather = 0`)
	return err
}

// visible is the condition that a record counts whatever its time.
func (r *analysisReader) visible() string {
	if r.knownAt.IsZero() {
		return "voided_at IS NULL"
	}
	k := sqlTime(r.knownAt)
	return "arrived_at <= " + k + " AND (void_arrived_at IS NULL OR void_arrived_at > " + k + ")"
}

// noted is the further condition where late records are left out; when is the column
// of when they happened.
func (r *analysisReader) noted(when string) string {
	if !r.onTime {
		return ""
	}
	return " AND noted_at <= " + when + " + interval '" + lateAfter + "'"
}

// sqlTime is an instant as a literal: COPY takes no parameters.
func sqlTime(t time.Time) string {
	return "timestamptz '" + t.UTC().Format("2006-01-02 15:04:05.999999") + "+00'"
}

// copyOut streams a query's rows in COPY's binary form through take; "": there are none.
func (r *part) copyOut(query string, take func(row *copyRow) error) error {
	if query == "" {
		return nil
	}
	_, err := r.tx.Conn().PgConn().CopyTo(r.ctx, &copyRows{take: take}, "COPY ("+query+") TO STDOUT (FORMAT binary)")
	return err
}

// saw takes note of an instant.
func (p *part) saw(t int64) { p.latest = max(p.latest, t) }

// from is the query for a list's rows: all that count, or those that changed.
func (p *part) from(list int, columns, where string) string {
	l := layouts[listKinds[list]]
	if p.since != nil {
		return p.since.from(list, l, columns, p.share)
	}
	return "SELECT " + columns + " FROM " + l.Name + " WHERE " + p.visible() + p.noted(l.whenColumn()) + where
}

// void reads what is said beside a row that changed: whether it counts no more.
func (p *part) void(list int, row *copyRow) bool {
	if p.since == nil {
		return false
	}
	void, known := row.next(), row.next()
	if len(void) != 1 || len(known) != 1 {
		row.bad = true
		return false
	}
	if known[0] != 0 {
		p.since.found[list]++
	}
	return void[0] != 0
}

// note takes down what void said of the row that was added to a list.
func (p *part) note(list int, void bool) {
	if p.since != nil {
		p.since.void[list] = append(p.since.void[list], void)
	}
}

// probePiece is what one reading gave of the probes, in the order they lie in.
type probePiece struct {
	probes []exposure.Probe
	void   []bool // beside them, of what changed: they count no more
}

func (r *part) readProbes(piece *probePiece) error {
	return r.copyOut(r.from(listProbes, `id, probed_at, printer, plate, plate_side, plate_turned, extent`, ""), func(row *copyRow) error {
		p := exposure.Probe{Plate: exposure.None}
		copy(p.ID[:], row.next())
		p.At = row.time()
		printer, plate, side, turned, extent := row.next(), row.next(), row.next(), row.next(), row.next()
		void := r.void(listProbes, row)
		if row.bad || len(printer) != 4 {
			return errCopyRow
		}
		r.saw(p.At)
		var err error
		if p.Printer, err = r.printers.of(int4(printer)); err != nil {
			return err
		}
		if plate != nil {
			if p.Plate, err = r.plates.of(int4(plate)); err != nil {
				return err
			}
		}
		p.Side, p.Turned = exposure.ParseSide(string(side)), exposure.ParseTri(string(turned))
		p.Ends = string(extent) != "zero"
		piece.probes = append(piece.probes, p)
		if r.since != nil {
			piece.void = append(piece.void, void)
		}
		return nil
	})
}

// readEvents reads all that is neither a start nor a probe.
func (r *part) readEvents() error {
	h := &r.rows.h
	err := r.copyOut(r.from(listCleanings, `id, cleaned_at, plate, method`, ""), func(row *copyRow) error {
		var id [16]byte
		copy(id[:], row.next())
		c := exposure.Cleaning{At: row.time()}
		plate, method := row.next(), string(row.next())
		void := r.void(listCleanings, row)
		if row.bad || len(plate) != 4 {
			return errCopyRow
		}
		r.saw(c.At)
		c.Clears, c.Washes = method != "coat", method == "wash" || method == "deep"
		var err error
		if c.Plate, err = r.plates.of(int4(plate)); err == nil {
			h.Cleanings, r.rows.cleaningIDs = append(h.Cleanings, c), append(r.rows.cleaningIDs, id)
			r.note(listCleanings, void)
		}
		return err
	})
	if err != nil {
		return err
	}
	printerEvent := func(list int, columns string, add func(id [16]byte, at int64, printer int32, void bool)) error {
		return r.copyOut(r.from(list, columns, ""), func(row *copyRow) error {
			var id [16]byte
			copy(id[:], row.next())
			at, printer := row.time(), row.next()
			void := r.void(list, row)
			if row.bad || len(printer) != 4 {
				return errCopyRow
			}
			r.saw(at)
			i, err := r.printers.of(int4(printer))
			if err == nil {
				add(id, at, i, void)
			}
			return err
		})
	}
	err = printerEvent(listSkips, "id, at, printer", func(id [16]byte, at int64, printer int32, void bool) {
		h.Skips, r.rows.skipIDs = append(h.Skips, exposure.Skip{At: at, Printer: printer}), append(r.rows.skipIDs, id)
		r.note(listSkips, void)
	})
	if err != nil {
		return err
	}
	err = printerEvent(listServices, "id, done_at, printer", func(id [16]byte, at int64, printer int32, void bool) {
		h.Services, r.rows.serviceIDs = append(h.Services, exposure.Service{At: at, Printer: printer}), append(r.rows.serviceIDs, id)
		r.note(listServices, void)
	})
	if err != nil {
		return err
	}
	return r.copyOut(r.from(listFittings, `id, fitted_at, removed_at, plate, printer, plate_side, plate_turned`, ""), func(row *copyRow) error {
		var id [16]byte
		copy(id[:], row.next())
		f := exposure.Fitting{At: row.time()}
		removed, plate, printer, side, turned := row.next(), row.next(), row.next(), row.next(), row.next()
		void := r.void(listFittings, row)
		if row.bad || len(printer) != 4 || len(plate) != 4 {
			return errCopyRow
		}
		r.saw(f.At)
		for _, field := range r.unfilled[id] {
			switch field {
			case "removed_at":
				removed = nil
			case "plate_side":
				side = nil
			case "plate_turned":
				turned = nil
			}
		}
		if removed != nil {
			f.Removed = int8Micros(removed)
			r.saw(f.Removed)
		}
		f.Side, f.Turned = exposure.ParseSide(string(side)), exposure.ParseTri(string(turned))
		var err error
		if f.Plate, err = r.plates.of(int4(plate)); err != nil {
			return err
		}
		if f.Printer, err = r.printers.of(int4(printer)); err != nil {
			return err
		}
		h.Fittings, r.rows.fittingIDs = append(h.Fittings, f), append(r.rows.fittingIDs, id)
		r.note(listFittings, void)
		return nil
	})
}
