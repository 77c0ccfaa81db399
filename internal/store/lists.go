package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// FirstLayerFilter narrows a list of first layers; its zero value is all.
type FirstLayerFilter struct {
	Printer, Plate string
	Since          time.Time // started_at >= Since
	ArrivedSince   time.Time // arrived_at >= ArrivedSince, or a field filled or a voiding arrived since
	After          Cursor    // by started_at and id, exclusive
	Limit          int
}

// FirstLayers lists first layers by started_at and id, voided ones too. A
// printer or plate nobody knows is an empty list's refusal: NotFound.
func (s *Store) FirstLayers(ctx context.Context, f FirstLayerFilter) ([]*farm.FirstLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
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
			return nil, wrap("store.FirstLayers", err)
		}
		add("t."+x.column+" = ?", id)
	}
	if !f.Since.IsZero() {
		add("t.started_at >= ?", f.Since)
	}
	if !f.ArrivedSince.IsZero() {
		add("greatest(t.arrived_at, t.filled_at, t.void_arrived_at) >= ?", f.ArrivedSince)
	}
	if !f.After.IsZero() {
		add("t.started_at >= ?", f.After.At)
		add("(t.started_at, t.id) > (?, ?)", f.After.At, f.After.ID)
	}
	condition := ""
	if len(where) > 0 {
		condition = " WHERE " + strings.Join(where, " AND ")
	}
	list, err := s.take(ctx, farm.KindFirstLayer, condition+fmt.Sprintf(" ORDER BY t.started_at, t.id LIMIT %d", f.Limit), args...)
	if err != nil {
		return nil, wrap("store.FirstLayers", err)
	}
	out := make([]*farm.FirstLayer, len(list))
	for i, r := range list {
		out[i] = r.(*farm.FirstLayer)
	}
	return out, nil
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

func things[T any](ctx context.Context, s *Store, kind farm.Kind, after string, limit int) ([]*T, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column := "t." + thingColumn[kind][1]
	// Bytes order tags, whatever the database's own order of text is.
	list, err := s.take(ctx, kind, fmt.Sprintf(` WHERE %s > $1 COLLATE "C" ORDER BY %s COLLATE "C" LIMIT %d`, column, column, limit), after)
	if err != nil {
		return nil, wrap("store.things", err)
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
