package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// EventFilter narrows a list of events of a kind; its zero value is all.
type EventFilter struct {
	Printer, Plate string
	Since, Until   time.Time // happened at or after Since, before Until
	ArrivedSince   time.Time // arrived_at >= ArrivedSince, or a field filled or a voiding arrived since
	After          Cursor    // by time and id, exclusive
	Limit          int
}

// Filters tells by which things a kind of event can be narrowed.
func Filters(t *intake.Table) (printer, plate bool) {
	for i := range t.Fields {
		switch t.Fields[i].Ref {
		case farm.KindPrinter:
			printer = true
		case farm.KindPlate:
			plate = true
		case intake.Subject:
			printer, plate = true, true
		}
	}
	return printer, plate
}

// Events lists events of a kind by the time they happened and id, voided ones
// too, as pointers to the kind's struct in farm. A printer or plate nobody knows
// is NotFound.
func (s *Store) Events(ctx context.Context, kind farm.Kind, f EventFilter) ([]any, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	l := layouts[kind]
	when := "t." + l.whenColumn()
	var where []string
	var args []any
	add := func(condition string, values ...any) {
		for _, v := range values {
			args = append(args, v)
			condition = strings.Replace(condition, "?", fmt.Sprintf("$%d", len(args)), 1)
		}
		where = append(where, condition)
	}
	for _, x := range []struct{ table, column, tag string }{{"printers", "printer", f.Printer}, {"plates", "plate", f.Plate}} {
		if x.tag == "" {
			continue
		}
		var id int32
		err := s.pool.QueryRow(ctx, `SELECT id FROM `+x.table+` WHERE `+x.column+` = $1`, x.tag).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil, fault.New(fault.NotFound, "there is no %s %s", x.column, fault.Quote(x.tag))
		}
		if err != nil {
			return nil, wrap("store.Events", err)
		}
		add("t."+x.column+" = ?", id)
	}
	if !f.Since.IsZero() {
		add(when+" >= ?", f.Since)
	}
	if !f.Until.IsZero() {
		add(when+" < ?", f.Until)
	}
	if !f.ArrivedSince.IsZero() {
		filled := ""
		if l.fills {
			filled = "t.filled_at, "
		}
		add("greatest(t.arrived_at, "+filled+"t.void_arrived_at) >= ?", f.ArrivedSince)
	}
	if !f.After.IsZero() {
		add(when+" >= ?", f.After.At)
		add("("+when+", t.id) > (?, ?)", f.After.At, f.After.ID)
	}
	condition := ""
	if len(where) > 0 {
		condition = " WHERE " + strings.Join(where, " AND ")
	}
	list, err := s.take(ctx, kind, condition+fmt.Sprintf(" ORDER BY %s, t.id LIMIT %d", when, f.Limit), args...)
	return list, wrap("store.Events", err)
}

// FirstLayer gives one first layer by its id, whichever way it is written;
// NotFound when there is none.
func (s *Store) FirstLayer(ctx context.Context, id farm.ID) (*farm.FirstLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindFirstLayer, ` JOIN records r ON r.id = t.id
		WHERE r.id = $1 AND t.started_at = r.happened_at AND t.printer = r.owner`, id.UUID)
	if err != nil {
		return nil, wrap("store.FirstLayer", err)
	}
	if len(list) != 1 {
		return nil, fault.New(fault.NotFound, "there is no first layer %s", fault.Quote(id.Text()))
	}
	return list[0].(*farm.FirstLayer), nil
}

// Printers lists printers by tag after a tag ("" the beginning).
func (s *Store) Printers(ctx context.Context, after string, limit int) ([]*farm.Printer, error) {
	return things[farm.Printer](ctx, s, farm.KindPrinter, after, limit)
}

// Plates lists plates by tag after a tag ("" the beginning).
func (s *Store) Plates(ctx context.Context, after string, limit int) ([]*farm.Plate, error) {
	return things[farm.Plate](ctx, s, farm.KindPlate, after, limit)
}

// ThingsAfter lists a kind's things by the bytes of their names after a name (""
// the beginning), as pointers to the kind's struct in farm.
func (s *Store) ThingsAfter(ctx context.Context, kind farm.Kind, after string, limit int) ([]any, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column := "t." + layouts[kind].Fields[0].Name
	// Bytes order tags, whatever the database's own order of text is.
	list, err := s.take(ctx, kind, fmt.Sprintf(` WHERE %s > $1 COLLATE "C" ORDER BY %s COLLATE "C" LIMIT %d`, column, column, limit), after)
	return list, wrap("store.ThingsAfter", err)
}

func things[T any](ctx context.Context, s *Store, kind farm.Kind, after string, limit int) ([]*T, error) {
	list, err := s.ThingsAfter(ctx, kind, after, limit)
	if err != nil {
		return nil, err
	}
	out := make([]*T, len(list))
	for i, r := range list {
		out[i] = r.(*T)
	}
	return out, nil
}

// PrinterByTag gives a printer by its tag; NotFound when there is none.
func (s *Store) PrinterByTag(ctx context.Context, tag string) (*farm.Printer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindPrinter, ` WHERE t.printer = $1`, tag)
	if err != nil {
		return nil, wrap("store.PrinterByTag", err)
	}
	if len(list) != 1 {
		return nil, fault.New(fault.NotFound, "there is no printer %s", fault.Quote(tag))
	}
	return list[0].(*farm.Printer), nil
}

// take reads records of a kind, as they were recorded, from the table under the
// alias t.
func (s *Store) take(ctx context.Context, kind farm.Kind, rest string, args ...any) ([]any, error) {
	l := layouts[kind]
	rows, err := s.pool.Query(ctx, `SELECT `+l.readNames+` FROM `+l.Name+` t`+rest, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []any
	for rows.Next() {
		rec := l.New()
		if err := l.takeRow(rows.RawValues(), rows.FieldDescriptions(), rec, nil); err != nil {
			return nil, err
		}
		list = append(list, rec)
	}
	return list, rows.Err()
}
