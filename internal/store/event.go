package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// known is what the id table says of an id.
type known struct {
	id         uuid.UUID
	happenedAt time.Time
	digest     int64
	owner      int32
	kind       farm.Kind
}

const knownColumns = `id, happened_at, digest, owner, kind::text`

func scanKnown(row pgx.CollectableRow) (known, error) {
	var k known
	var kind string
	err := row.Scan(&k.id, &k.happenedAt, &k.digest, &k.owner, &kind)
	k.kind = farm.Kind(kind)
	return k, err
}

// resolve finds the numbers of the things an event names, by field. pending are
// the fields whose thing is not there and may be created by name alone; problems
// are those that may not. A subject that is a plate is given as a negative
// number, because its field may name a printer too.
func (w *writer) resolve(ctx context.Context, l *layout, rec any, things []int32, listed map[farm.Kind]bool) (pending []int, problems []fault.Problem, err error) {
	for i := range l.Fields {
		f := &l.Fields[i]
		things[i] = 0
		if f.Ref == "" {
			continue
		}
		name := *f.At(rec).(*string)
		if name == "" {
			continue
		}
		kind := f.Ref
		if kind == intake.Subject {
			kind = rec.(intake.Subjected).KindOfSubject()
		}
		id, err := w.thing(ctx, kind, name)
		switch {
		case err != nil:
			return nil, nil, err
		case id != 0 && f.Ref == intake.Subject && kind == farm.KindPlate:
			things[i] = -id
		case id != 0:
			things[i] = id
		case kind == farm.KindPrinter || kind == farm.KindPlate:
			problems = append(problems, fault.Problem{Column: f.Name, Found: name, Expected: knownTag + string(kind)})
		case listed[kind]:
			problems = append(problems, fault.Problem{Column: f.Name, Found: name, Expected: "a name in " + intake.TableOf(kind).File + ", which is in the bundle, or one already known"})
		default:
			pending = append(pending, i)
		}
	}
	if f, ok := rec.(*farm.FirstLayer); ok && len(problems) == 0 {
		problems = append(problems, w.outside(f, l.ownerOf(things))...)
	}
	return pending, problems, nil
}

// knownTag begins what is expected where a printer or plate is not known.
const knownTag = "the tag of a known "

// outside finds zones that are not on the printer's grid.
func (w *writer) outside(f *farm.FirstLayer, printer int32) []fault.Problem {
	if len(f.Marks) == 0 && len(f.Readings) == 0 && len(f.Covered) == 0 {
		return nil
	}
	g := w.grids[printer]
	var problems []fault.Problem
	check := func(field string, z farm.Zone) bool {
		if z.In(g.cols, g.rows) {
			return true
		}
		last := farm.Zone{Col: uint8(g.cols - 1), Row: uint8(g.rows - 1)}
		problems = append(problems, fault.Problem{Column: field, Found: z.Text(),
			Expected: fmt.Sprintf("a zone of printer %s, whose %d × %d zones go from A1 to %s", f.Printer, g.cols, g.rows, last.Text())})
		return false
	}
	for _, m := range f.Marks {
		if !check("marks", m.Zone) {
			break
		}
	}
	for _, r := range f.Readings {
		if !check("readings", r.Zone) {
			break
		}
	}
	for _, z := range f.Covered {
		if !check("covered", z) {
			break
		}
	}
	return problems
}

// createPending creates the things resolve found missing.
func (w *writer) createPending(ctx context.Context, l *layout, rec any, things []int32, pending []int) error {
	for _, i := range pending {
		name := *l.Fields[i].At(rec).(*string)
		id, err := w.thing(ctx, l.Fields[i].Ref, name) // a field before may have made it
		if err == nil && id == 0 {
			id, err = w.create(ctx, l.Fields[i].Ref, name)
		}
		if err != nil {
			return err
		}
		things[i] = id
	}
	return nil
}

// complete sets what the store adds to a new event: the job's underside frozen
// at grading, and the times that were left empty. It gives the time at which a
// voiding that came with the event became known.
func (w *writer) complete(l *layout, rec any, things []int32) (voidArrived time.Time) {
	if f, ok := rec.(*farm.FirstLayer); ok && f.Grade != "" && f.Underside == "" && f.Job != "" {
		f.Underside = w.undersides[things[l.job]]
	}
	noted := l.Fields[l.noted].At(rec).(*time.Time)
	arrived := l.Fields[l.arrived].At(rec).(*time.Time)
	if noted.IsZero() && w.notedNow {
		*noted = w.at
	}
	if noted.IsZero() {
		*noted = *l.Fields[l.When].At(rec).(*time.Time)
	}
	if arrived.IsZero() {
		*arrived = w.at
	}
	voided := *l.Fields[l.voided].At(rec).(*time.Time)
	if voided.IsZero() {
		return time.Time{}
	}
	if voided.Before(*arrived) {
		return *arrived
	}
	return voided
}

// putRecord writes the row of the id table.
func (w *writer) putRecord(b []byte, l *layout, rec any, owner int32, digest int64) []byte {
	b = binary.BigEndian.AppendUint16(b, 7)
	b = putUUID(b, l.Fields[0].At(rec).(*farm.ID).UUID)
	b = putTime(b, *l.Fields[l.When].At(rec).(*time.Time))
	b = putTime(b, *l.Fields[l.arrived].At(rec).(*time.Time))
	b = putInt8(b, digest)
	b = putInt8(b, w.act)
	b = putInt4(b, max(owner, -owner))
	return putText(b, string(l.Kind))
}

const copyRecords = "COPY records (id, happened_at, arrived_at, digest, act, owner, kind) FROM STDIN BINARY"

// stored reads events that are in the farm by what the id table knows of them.
func (w *writer) stored(ctx context.Context, l *layout, list []known) (map[uuid.UUID]any, error) {
	ids, owners, times := make([]uuid.UUID, len(list)), make([]int32, len(list)), make([]time.Time, len(list))
	for i, k := range list {
		ids[i], owners[i], times[i] = k.id, k.owner, k.happenedAt
	}
	rows, err := w.tx.Query(ctx, `SELECT `+l.readNames+` FROM unnest($1::uuid[], $2::int[], $3::timestamptz[]) AS k(id, owner, at)
		JOIN `+l.Name+` t ON `+l.ownerMatch("k.owner")+` AND t.`+l.whenColumn()+` = k.at AND t.id = k.id`, ids, owners, times)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	found := make(map[uuid.UUID]any, len(list))
	for rows.Next() {
		rec := l.New()
		if err := l.takeRow(rows.RawValues(), rows.FieldDescriptions(), rec, nil); err != nil {
			return nil, err
		}
		found[l.Fields[0].At(rec).(*farm.ID).UUID] = rec
	}
	return found, rows.Err()
}

// again handles an event whose id is known: nothing new (false), a fill
// (true), or a refusal that says what stands there. old is changed to what
// stands there afterwards.
func (w *writer) again(ctx context.Context, l *layout, old, rec any, things []int32, listed map[farm.Kind]bool) (filled bool, err error) {
	var fills []int
	refused := &fault.Error{Kind: fault.Conflict}
	for i := range l.Fields {
		f := &l.Fields[i]
		switch {
		case i == 0 || f.Empty(rec) || f.Same(old, rec):
		case f.Fill && f.Empty(old):
			fills = append(fills, i)
		case f.Empty(old):
			refused.Problems = append(refused.Problems, fault.Problem{Column: f.Name, Found: f.Text(rec),
				Expected: "nothing, as recorded under this id: void that record and send a new one with a new id"})
		default:
			refused.Problems = append(refused.Problems, fault.Problem{Column: f.Name, Found: f.Text(rec),
				Expected: fault.Shorten(f.Text(old)) + ", as recorded under this id: void that record and send a new one with a new id"})
		}
	}
	if len(refused.Problems) > 0 {
		refused.Detail = "other content is recorded under this id"
		return false, refused
	}
	if len(fills) == 0 {
		return false, nil
	}
	return true, w.fill(ctx, l, old, rec, fills, things, listed)
}

// fill sets fields of a stored event that were empty.
func (w *writer) fill(ctx context.Context, l *layout, old, rec any, fills []int, things []int32, listed map[farm.Kind]bool) error {
	graded := false
	for _, i := range fills {
		graded = graded || l.Fields[i].Name == "grade"
		l.Fields[i].Copy(old, rec)
	}
	if problems := l.Problems(old); len(problems) > 0 {
		return fault.At(problems...)
	}
	pending, problems, err := w.resolve(ctx, l, old, things, listed)
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		return fault.At(problems...)
	}
	if err := w.createPending(ctx, l, old, things, pending); err != nil {
		return err
	}
	if f, ok := old.(*farm.FirstLayer); ok && graded && f.Underside == "" && f.Job != "" {
		if f.Underside = w.undersides[things[l.job]]; f.Underside != "" {
			fills = append(fills, l.Field("underside"))
		}
	}
	if f, ok := old.(*farm.FirstLayer); ok {
		w.touch(f.StartedAt)
	}
	id := l.Fields[0].At(old).(*farm.ID).UUID
	owner := l.ownerOf(things)
	args := []any{max(owner, -owner), *l.Fields[l.When].At(old).(*time.Time), id}
	var sets []string
	set := func(column string, value any, cast string) {
		args = append(args, value)
		sets = append(sets, fmt.Sprintf("%s = $%d%s", column, len(args), cast))
	}
	plain := false
	for _, i := range fills {
		f := &l.Fields[i]
		plain = plain || !f.Meta
		w.changed(l.Kind, id, f.Name, "", f.Text(old))
		if f.Name == "voided_at" {
			set("void_arrived_at", later(w.at, *f.At(old).(*time.Time)), "")
		}
		switch p := f.At(old).(type) {
		case *string:
			if f.Ref != "" {
				set(f.Name, things[i], "")
			} else {
				set(f.Name, *p, "")
			}
		case *float64:
			set(f.Name, *p, "")
		case *time.Time:
			set(f.Name, *p, "")
		default:
			set(f.Name, f.Text(old), "::text")
		}
	}
	if plain {
		set("filled_at", w.at, "")
	}
	tag, err := w.tx.Exec(ctx, `UPDATE `+l.Name+` t SET `+strings.Join(sets, ", ")+
		` WHERE `+l.ownerMatch("$1")+` AND t.`+l.whenColumn()+` = $2 AND t.id = $3`, args...)
	if err != nil {
		return err
	}
	if tag.RowsAffected() != 1 {
		return fmt.Errorf("%s %s stands in records and %d times in %s", l.Kind, id, tag.RowsAffected(), l.Name)
	}
	return nil
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// errGone is a record the id table knows and its own table does not.
var errGone = errors.New("the id table knows a record that its own table does not have")
