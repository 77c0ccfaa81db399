package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Act says who writes, by what way and why. It is stored once a transaction,
// with the instant of the server at which it began: that is when what it writes
// arrives.
type Act struct {
	Via    string // import, api, page, command, program
	Person string // handle of who is signed in; "" nobody
	Token  int    // id of the token; 0 none
	Device string // name of the enrolled device
	Why    string
}

// Created is a thing that was made by name alone, because a record named it.
type Created struct {
	Kind farm.Kind `json:"kind"`
	Name string    `json:"name"`
}

type change struct {
	kind        farm.Kind
	record      uuid.UUID // of an event
	thing       string    // name of a thing
	field       string
	was, became string
}

type grid struct{ cols, rows int }

// writer is one transaction of one act.
type writer struct {
	tx      pgx.Tx
	act     int64
	at      time.Time // when the act's records arrive
	changes []change
	created []Created

	notedNow    bool               // what says nothing about it is noted at this moment
	touched     map[int64]struct{} // UTC days of first layers written, filled or voided
	lastTouched int64

	ids        map[farm.Kind]map[string]int32
	all        bool // ids knows every thing there is
	grids      map[int32]grid
	undersides map[int32]string // of jobs
}

// write is the one way in: it opens a transaction, notes the act, lets fn write,
// stores the changes fn noted and commits. When fn fails nothing is stored. A
// connection that breaks during COMMIT leaves it open whether the records are
// stored: the refusal is Busy with ErrUnknownOutcome beneath, never a failure.
func (s *Store) write(ctx context.Context, act Act, fn func(w *writer) error) error {
	tx, err := s.pool.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() {
		// Only matters where something went wrong; after a commit it does nothing.
		clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), callLimit)
		defer cancel()
		_ = tx.Rollback(clean)
	}()
	w := s.writer(tx)
	if err := w.begin(ctx, act); err != nil {
		return err
	}
	if err := fn(w); err != nil {
		return err
	}
	if err := w.storeChanges(ctx); err != nil {
		return err
	}
	if err := w.storeTouched(ctx); err != nil {
		return err
	}
	if err := committed(tx.Commit(ctx)); err != nil {
		return err
	}
	s.count(act)
	if act.Via == "page" || act.Via == "api" {
		s.tell()
	} else { // a command may end before anybody tells for it
		s.notifyChanges(context.WithoutCancel(ctx))
	}
	return nil
}

// count takes in what was stored by somebody. What the program draws or closes by itself
// follows from what was read, and whoever reads would have all read anew each time.
func (s *Store) count(act Act) {
	if act.Via != "program" {
		s.said.Add(1)
	}
}

// Said counts what was stored through this program otherwise than by machines whose
// records went together: while it stays, no person has done anything here.
func (s *Store) Said() int64 { return s.said.Load() }

func (s *Store) writer(tx pgx.Tx) *writer {
	return &writer{tx: tx, at: s.Now(), ids: map[farm.Kind]map[string]int32{}, grids: map[int32]grid{}, undersides: map[int32]string{}}
}

// committed is what the error of a COMMIT means.
func committed(err error) error {
	if err != nil && (sqlState(err) == "" || broken(err)) {
		return fault.Wrap(fault.Busy, errors.Join(ErrUnknownOutcome, err), "the database did not confirm; send the record again with the same id")
	}
	return err
}

func (w *writer) begin(ctx context.Context, act Act) error {
	var person *string
	if act.Person != "" {
		person = &act.Person
	}
	err := w.tx.QueryRow(ctx, `INSERT INTO acts (at, via, person, token, device, why)
		VALUES ($1, $2, (SELECT id FROM people WHERE person = $3), nullif($4, 0), nullif($5, ''), nullif($6, '')) RETURNING id`,
		w.at, act.Via, person, act.Token, act.Device, act.Why).Scan(&w.act)
	return err
}

// changed notes a change of an event's field.
func (w *writer) changed(kind farm.Kind, record uuid.UUID, field, was, became string) {
	w.changes = append(w.changes, change{kind: kind, record: record, field: field, was: was, became: became})
}

// changedThing notes a change of a thing's field.
func (w *writer) changedThing(kind farm.Kind, thing, field, was, became string) {
	w.changes = append(w.changes, change{kind: kind, thing: thing, field: field, was: was, became: became})
}

func (w *writer) storeChanges(ctx context.Context) error {
	if len(w.changes) == 0 {
		return nil
	}
	if err := w.numberPeople(ctx); err != nil {
		return err
	}
	_, err := w.tx.CopyFrom(ctx, pgx.Identifier{"changes"}, []string{"act", "kind", "record", "thing", "field", "was", "became"},
		pgx.CopyFromSlice(len(w.changes), func(i int) ([]any, error) {
			c := w.changes[i]
			row := []any{w.act, string(c.kind), nil, nil, c.field, orNil(c.was), orNil(c.became)}
			if c.thing != "" {
				row[3] = c.thing
			} else {
				row[2] = c.record
			}
			return row, nil
		}))
	w.changes = w.changes[:0]
	return err
}

func orNil(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func (w *writer) remember(kind farm.Kind, name string, id int32) {
	m := w.ids[kind]
	if m == nil {
		m = map[string]int32{}
		w.ids[kind] = m
	}
	m[name] = id
}

// thing finds the number of a thing by its name; 0 when there is none.
func (w *writer) thing(ctx context.Context, kind farm.Kind, name string) (int32, error) {
	if id, ok := w.ids[kind][name]; ok || w.all {
		return id, nil
	}
	where := thingColumn[kind]
	var id int32
	var err error
	switch kind {
	case farm.KindPrinter:
		var g grid
		err = w.tx.QueryRow(ctx, `SELECT id, zone_cols, zone_rows FROM printers WHERE printer = $1`, name).Scan(&id, &g.cols, &g.rows)
		w.grids[id] = g
	case farm.KindJob:
		var underside string
		err = w.tx.QueryRow(ctx, `SELECT id, coalesce(underside::text, '') FROM jobs WHERE job = $1`, name).Scan(&id, &underside)
		w.undersides[id] = underside
	default:
		err = w.tx.QueryRow(ctx, fmt.Sprintf(`SELECT id FROM %s WHERE %s = $1`, where[0], where[1]), name).Scan(&id)
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	w.remember(kind, name, id)
	return id, nil
}

// loadThings reads all things' numbers at once, for writers of many records.
func (w *writer) loadThings(ctx context.Context) error {
	for kind, where := range thingColumn {
		rows, err := w.tx.Query(ctx, fmt.Sprintf(`SELECT id, %s FROM %s`, where[1], where[0]))
		if err != nil {
			return err
		}
		var id int32
		var name string
		if _, err := pgx.ForEachRow(rows, []any{&id, &name}, func() error {
			w.remember(kind, name, id)
			return nil
		}); err != nil {
			return err
		}
	}
	rows, err := w.tx.Query(ctx, `SELECT id, zone_cols, zone_rows FROM printers`)
	if err != nil {
		return err
	}
	var id int32
	var g grid
	if _, err := pgx.ForEachRow(rows, []any{&id, &g.cols, &g.rows}, func() error { w.grids[id] = g; return nil }); err != nil {
		return err
	}
	rows, err = w.tx.Query(ctx, `SELECT id, underside::text FROM jobs WHERE underside IS NOT NULL`)
	if err != nil {
		return err
	}
	var underside string
	if _, err := pgx.ForEachRow(rows, []any{&id, &underside}, func() error { w.undersides[id] = underside; return nil }); err != nil {
		return err
	}
	w.all = true
	return nil
}

// create makes a material, person, job or instrument by name alone.
func (w *writer) create(ctx context.Context, kind farm.Kind, name string) (int32, error) {
	where := thingColumn[kind]
	var id int32
	err := w.tx.QueryRow(ctx, fmt.Sprintf(`INSERT INTO %s (%s) VALUES ($1) ON CONFLICT DO NOTHING RETURNING id`, where[0], where[1]), name).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) { // somebody else made it just now
		err = w.tx.QueryRow(ctx, fmt.Sprintf(`SELECT id FROM %s WHERE %s = $1`, where[0], where[1]), name).Scan(&id)
		if err == nil {
			w.remember(kind, name, id)
		}
		return id, err
	}
	if err != nil {
		return 0, err
	}
	w.remember(kind, name, id)
	w.created = append(w.created, Created{kind, name})
	w.changedThing(kind, name, where[1], "", name)
	return id, nil
}
