package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// thingLoader stores printers, plates, people … : they are their own keys and
// may be changed, but only where the caller says so.
type thingLoader struct {
	*importer
	table  *intake.Table
	known  map[string]any // by key
	queue  *pgx.Batch     // inserts of this chunk, whose numbers come back together
	queued []func(pgx.Row) error
	byFold map[string]string // key by its lower case
}

// keyOf is what a thing is known by; a screw is known by its printer and name.
func keyOf(t *intake.Table, rec any) string {
	if s, ok := rec.(*farm.Screw); ok {
		return s.Printer + "\x00" + s.Screw
	}
	return *t.Fields[0].At(rec).(*string)
}

// keyColumns are the columns of keyOf.
func keyColumns(t *intake.Table) int {
	if t.Kind == farm.KindScrew {
		return 2
	}
	return 1
}

func (tl *thingLoader) load(ctx context.Context, c *chunk, file *FileReport) error {
	l := layouts[c.table.Kind]
	if tl.table != c.table {
		if err := tl.begin(ctx, l); err != nil {
			return err
		}
	}
	tl.queue, tl.queued = &pgx.Batch{}, nil
	for i := range c.n {
		row, rec := &c.rows[i], c.recs[i]
		problems := row.Problems
		if len(problems) == 0 {
			outcome, err := tl.one(ctx, l, rec)
			if err != nil {
				if problems, err = refusal(err); err != nil {
					return err
				}
			}
			switch outcome {
			case Recorded:
				file.Recorded++
			case AlreadyRecorded:
				file.AlreadyRecorded++
			}
		}
		if len(problems) > 0 {
			if err := tl.refused(c.file, row, problems); err != nil {
				return err
			}
		}
	}
	return tl.flush(ctx)
}

// flush sends the queued inserts in one go.
func (tl *thingLoader) flush(ctx context.Context) error {
	if tl.queue.Len() == 0 {
		return nil
	}
	results := tl.tx.SendBatch(ctx, tl.queue)
	for _, take := range tl.queued {
		if err := take(results.QueryRow()); err != nil {
			_ = results.Close()
			return err
		}
	}
	tl.queue, tl.queued = &pgx.Batch{}, nil
	return results.Close()
}

func (tl *thingLoader) begin(ctx context.Context, l *layout) error {
	tl.table, tl.known, tl.byFold = l.Table, map[string]any{}, map[string]string{}
	rows, err := tl.tx.Query(ctx, `SELECT `+l.readNames+` FROM `+l.Name+` t`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		rec := l.New()
		if err := l.takeRow(rows.RawValues(), rows.FieldDescriptions(), rec, nil); err != nil {
			return err
		}
		tl.remember(keyOf(l.Table, rec), rec)
	}
	return rows.Err()
}

func (tl *thingLoader) remember(key string, rec any) {
	tl.known[key] = rec
	tl.byFold[strings.ToLower(key)] = key
}

func (tl *thingLoader) one(ctx context.Context, l *layout, rec any) (Outcome, error) {
	key := keyOf(l.Table, rec)
	old := tl.known[key]
	if old == nil {
		if other, clash := tl.byFold[strings.ToLower(key)]; clash && (l.Kind == farm.KindPrinter || l.Kind == farm.KindPlate) {
			return "", fault.At(fault.Problem{Column: l.Fields[0].Name, Found: key, Expected: "a tag that differs from " + other + " by more than case"})
		}
		return Recorded, tl.insert(ctx, l, key, rec)
	}
	var changed []int
	var problems []fault.Problem
	for i := range l.Fields {
		f := &l.Fields[i]
		if f.Empty(rec) || f.Same(old, rec) {
			continue
		}
		changed = append(changed, i)
		problems = append(problems, fault.Problem{Column: f.Name, Found: f.Text(rec), Expected: orNothing(f.Text(old)) + ", as known here; --update changes it"})
	}
	if len(changed) == 0 {
		return AlreadyRecorded, nil
	}
	if !tl.opt.Update {
		return "", fault.At(problems...)
	}
	return Recorded, tl.update(ctx, l, key, old, rec, changed)
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return fault.Shorten(s)
}

// numbers finds, and where allowed creates, the things a thing names.
func (tl *thingLoader) numbers(ctx context.Context, l *layout, rec any) ([]int32, error) {
	numbers := make([]int32, len(l.Fields))
	pending, problems, err := tl.resolve(ctx, l, rec, numbers, tl.listed)
	if err != nil {
		return nil, err
	}
	if len(problems) > 0 {
		return nil, fault.At(problems...)
	}
	return numbers, tl.createPending(ctx, l, rec, numbers, pending)
}

// value is a field as a parameter of a statement.
func value(f *intake.Field, rec any, number int32) any {
	switch p := f.At(rec).(type) {
	case *string:
		if f.Ref != "" {
			return number
		}
		return *p
	case *float64:
		return *p
	case *int:
		return *p
	case *time.Time:
		return *p
	}
	return nil
}

func (tl *thingLoader) insert(ctx context.Context, l *layout, key string, rec any) error {
	numbers, err := tl.numbers(ctx, l, rec)
	if err != nil {
		return err
	}
	sql, args := insertOf(l, rec, numbers)
	kept := l.New()
	for i := range l.Fields {
		l.Fields[i].Copy(kept, rec)
	}
	withDefaults(kept)
	if _, numbered := thingColumn[l.Kind]; numbered {
		sql += ` RETURNING id`
	} else {
		sql += ` RETURNING 0`
	}
	tl.queue.Queue(sql, args...)
	tl.queued = append(tl.queued, func(row pgx.Row) error {
		var id int32
		if err := row.Scan(&id); err != nil || id == 0 {
			return err
		}
		tl.importer.writer.remember(l.Kind, key, id)
		tl.note(id, kept)
		return nil
	})
	tl.remember(key, kept)
	tl.changedThing(l.Kind, thingNameOf(l.Table, rec), l.Fields[0].Name, "", l.Fields[0].Text(rec))
	return nil
}

// note keeps what events are checked and completed with.
func (tl *thingLoader) note(id int32, rec any) {
	switch r := rec.(type) {
	case *farm.Printer:
		tl.grids[id] = grid{r.ZoneCols, r.ZoneRows}
	case *farm.Job:
		tl.undersides[id] = r.Underside
	}
}

// withDefaults sets what the database sets where a new thing's column is empty.
func withDefaults(rec any) {
	switch r := rec.(type) {
	case *farm.Printer:
		if r.ZoneCols == 0 {
			r.ZoneCols = farm.DefaultZones
		}
		if r.ZoneRows == 0 {
			r.ZoneRows = farm.DefaultZones
		}
		if !farm.Known(r.ZStepMM) {
			r.ZStepMM = farm.DefaultZStepMM
		}
		if r.ProbingRecorded == "" {
			r.ProbingRecorded = "all"
		}
	case *farm.Person:
		if r.Role == "" {
			r.Role = "operator"
		}
	}
}

func (tl *thingLoader) update(ctx context.Context, l *layout, key string, old, rec any, changed []int) error {
	if err := tl.flush(ctx); err != nil { // it may be of this chunk
		return err
	}
	merged := l.New()
	for i := range l.Fields {
		l.Fields[i].Copy(merged, old)
	}
	for _, i := range changed {
		l.Fields[i].Copy(merged, rec)
	}
	if problems := l.Problems(merged); len(problems) > 0 {
		return fault.At(problems...)
	}
	numbers, err := tl.numbers(ctx, l, merged)
	if err != nil {
		return err
	}
	if p, ok := merged.(*farm.Printer); ok {
		if err := tl.zonesStay(ctx, p, tl.ids[l.Kind][key]); err != nil {
			return err
		}
	}
	if p, ok := merged.(*farm.Person); ok && old.(*farm.Person).Role == "admin" && p.Role != "admin" {
		if err := tl.anotherAdmin(ctx, p.Handle); err != nil {
			return err
		}
	}
	if err := tl.updateThing(ctx, l, old, merged, numbers, changed); err != nil {
		return err
	}
	tl.remember(key, merged)
	if id := tl.ids[l.Kind][key]; id != 0 {
		tl.note(id, merged)
	}
	return nil
}

// zonesStay refuses a smaller zone grid while first layers speak of zones that
// would be outside: they would name zones that are not there.
func (w *writer) zonesStay(ctx context.Context, p *farm.Printer, id int32) error {
	g := w.grids[id]
	if p.ZoneCols >= g.cols && p.ZoneRows >= g.rows {
		return nil
	}
	var zone *string
	err := w.tx.QueryRow(ctx, `SELECT max(z[1]) FROM first_layers t,
		regexp_matches(concat_ws(' ', t.marks, t.readings, t.covered), '([A-I][1-9])', 'g') AS z
		WHERE t.printer = $1 AND (ascii(z[1]) - 64 > $2 OR right(z[1], 1)::int > $3)`, id, p.ZoneCols, p.ZoneRows).Scan(&zone)
	if err != nil || zone == nil {
		return err
	}
	column, found := "zone_cols", p.ZoneCols
	if p.ZoneCols >= g.cols {
		column, found = "zone_rows", p.ZoneRows
	}
	return fault.At(fault.Problem{Column: column, Found: fmt.Sprint(found),
		Expected: fmt.Sprintf("a grid that has zone %s, of which first layers of %s speak", *zone, p.Tag)})
}
