package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// RecordUntagged makes a plate under the next provisional tag and records what is known
// of it (its fitting, or that it is in use) in one transaction: every item of a kind
// that names a plate gets the tag. Sent again, it finds the plate it made before.
func (s *Store) RecordUntagged(ctx context.Context, act Act, plate farm.Plate, items []intake.Item) (b Batch, tag string, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		b = Batch{Act: w.act, Results: make([]Result, len(items))}
		// One at a time, so that no two plates get one number.
		if _, err := w.tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtext('untagged plates'))`); err != nil {
			return err
		}
		l := layouts[items[0].Kind]
		if k, found, err := w.lockKnown(ctx, items[0].ID.UUID); err != nil {
			return err
		} else if found {
			old, err := w.stored(ctx, l, []known{k})
			if err != nil {
				return err
			}
			tag = *l.Fields[l.Field("plate")].At(old[k.id]).(*string)
			b.Results[0] = Result{ID: items[0].ID, Outcome: AlreadyRecorded}
			return w.tx.QueryRow(ctx, `SELECT act FROM records WHERE id = $1`, k.id).Scan(&b.Act)
		}
		var last int
		if err := w.tx.QueryRow(ctx, `SELECT coalesce(max(substr(plate, $2)::int), 0) FROM plates WHERE plate ~ ('^' || $1 || '[1-9][0-9]{0,6}$')`,
			farm.UntaggedPrefix, len(farm.UntaggedPrefix)+1).Scan(&last); err != nil {
			return err
		}
		plate.Tag = farm.Untagged(last + 1)
		tag = plate.Tag
		if err := w.addThing(ctx, layouts[farm.KindPlate], &plate); err != nil {
			return err
		}
		for i := range items {
			if items[i].Err != nil {
				return items[i].Err
			}
			l := layouts[items[i].Kind]
			*l.Fields[l.Field("plate")].At(items[i].Rec).(*string) = tag
			var err error
			if b.Results[i], err = w.event(ctx, items[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return Batch{}, "", wrap("store.RecordUntagged", err)
	}
	return b, tag, nil
}

// joinable is how many records of a provisional plate are joined at once.
const joinable = 2000

// naming are the kinds of event that name a plate, with the column its number stands in.
var naming = func() (list []*layout) {
	for _, t := range intake.Tables {
		if !t.Event {
			continue
		}
		for i := range t.Fields {
			if f := &t.Fields[i]; f.Ref == farm.KindPlate || f.Ref == intake.Subject {
				list = append(list, layouts[t.Kind])
				break
			}
		}
	}
	return list
}()

// NamedBy counts the records in force that name a plate, by kind.
func (s *Store) NamedBy(ctx context.Context, plate string) (map[farm.Kind]int, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	out := map[farm.Kind]int{}
	for _, l := range naming {
		var n int
		if err := s.pool.QueryRow(ctx, `SELECT count(*) FROM `+l.Name+` WHERE plate = (SELECT id FROM plates WHERE plate = $1) AND voided_at IS NULL`, plate).Scan(&n); err != nil {
			return nil, wrap("store.NamedBy", err)
		}
		if n > 0 {
			out[l.Kind] = n
		}
	}
	return out, nil
}

// JoinPlates gives what is recorded of a plate with a provisional tag to the plate it
// turned out to be, which is made (with the other's surface and size) where there is no
// such tag yet: each record is voided and replaced by the same with the other plate, and the provisional
// plate is retired. All of it is one act, which Undo takes back. id is the form's own.
// Invalid where the plates can't be joined.
func (s *Store) JoinPlates(ctx context.Context, act Act, id uuid.UUID, from, into string, at time.Time) (Batch, error) {
	ctx, cancel := context.WithTimeout(ctx, 25*time.Second)
	defer cancel()
	var b Batch
	err := s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		b = Batch{Act: w.act}
		if k, found, err := w.lockKnown(ctx, id); err != nil {
			return err
		} else if found { // sent again
			return w.tx.QueryRow(ctx, `SELECT act FROM records WHERE id = $1`, k.id).Scan(&b.Act)
		}
		number, err := w.joined(ctx, from, into)
		if err != nil {
			return err
		}
		n := 0
		for _, l := range naming {
			if err := w.renamePlate(ctx, l, number, into, act.Person, &n); err != nil {
				return err
			}
		}
		_, err = w.event(ctx, intake.Item{Kind: farm.KindPlateState, ID: farm.ID{UUID: id}, Rec: &farm.PlateState{ID: farm.ID{UUID: id}, Plate: from, At: at, State: "retired",
			Reason: "joined with " + into, Person: act.Person, Meta: farm.Meta{NotedBy: act.Person}}})
		if err != nil {
			return err
		}
		l := layouts[farm.KindPlate]
		before, err := w.lockThing(ctx, l, &farm.Plate{Tag: from})
		if err != nil {
			return err
		}
		after := *before.(*farm.Plate)
		after.RetiredAt = at
		return w.changeThing(ctx, l, before, &after)
	})
	if err != nil {
		return Batch{}, wrap("store.JoinPlates", err)
	}
	return b, nil
}

// joined finds the provisional plate and sees that there is the other.
func (w *writer) joined(ctx context.Context, from, into string) (number int32, err error) {
	wrong := func(field, found, expected string) error {
		return fault.At(fault.Problem{Column: field, Found: found, Expected: expected})
	}
	if !farm.IsUntagged(from) {
		return 0, wrong("plate", from, "a plate with a provisional tag, "+farm.UntaggedPrefix+" and a number")
	}
	if farm.IsUntagged(into) {
		return 0, wrong("into", into, "the plate's own tag")
	}
	l := layouts[farm.KindPlate]
	old, err := w.lockThing(ctx, l, &farm.Plate{Tag: from})
	if fault.Is(err, fault.NotFound) {
		return 0, wrong("plate", from, "a plate of this farm")
	} else if err != nil {
		return 0, err
	}
	if p := old.(*farm.Plate); !p.RetiredAt.IsZero() {
		return 0, wrong("plate", from, "a plate that was not joined before")
	}
	if number, err = w.thing(ctx, farm.KindPlate, from); err != nil {
		return 0, err
	}
	real, err := w.lockThing(ctx, l, &farm.Plate{Tag: into})
	switch {
	case fault.Is(err, fault.NotFound):
		p := *old.(*farm.Plate)
		p.Tag = into
		return number, w.addThing(ctx, l, &p)
	case err != nil:
		return 0, err
	case !real.(*farm.Plate).RetiredAt.IsZero():
		return 0, wrong("into", into, "a plate in service; this one is retired")
	}
	return number, nil
}

// renamePlate voids what a kind's table says of a plate and records it anew of another.
func (w *writer) renamePlate(ctx context.Context, l *layout, plate int32, into, by string, n *int) error {
	rows, err := w.tx.Query(ctx, `SELECT `+knownColumns+` FROM records WHERE id IN (SELECT id FROM `+l.Name+` WHERE plate = $1 AND voided_at IS NULL) ORDER BY happened_at, id FOR UPDATE`, plate)
	if err != nil {
		return err
	}
	var list []known
	for rows.Next() {
		k, err := scanKnown(rows)
		if err != nil {
			rows.Close()
			return err
		}
		list = append(list, k)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if *n += len(list); *n > joinable {
		return fault.At(fault.Problem{Column: "plate", Found: strconv.Itoa(*n) + " records", Expected: fmt.Sprintf("at most %d to be joined at once", joinable)})
	}
	old, err := w.stored(ctx, l, list)
	if err != nil {
		return err
	}
	for _, k := range list {
		again, id := l.New(), farm.ID{UUID: uuid.NewV5(k.id, "join/"+into)}
		for i := range l.Fields {
			f := &l.Fields[i]
			switch {
			case f.Name == "plate" || f.Ref == intake.Subject:
				*f.At(again).(*string) = into
			case !f.Meta || f.Name == "noted_at" || f.Name == "noted_by": // noted then: it is no late entry
				f.Copy(again, old[k.id])
			}
		}
		*l.Fields[0].At(again).(*farm.ID) = id
		if _, err := w.event(ctx, intake.Item{Kind: l.Kind, ID: id, Rec: again}); err != nil {
			return err
		}
		if _, err := w.void(ctx, &intake.Void{Record: k.id.String(), VoidedAt: w.at, VoidedBy: by, VoidReason: "the plate is " + into, ReplacedBy: id.UUID.String()}); err != nil {
			return err
		}
	}
	return nil
}

// plates puts a plate that the act retired back into service, and retires one to which it
// gave a provisional tag.
func (u *undoing) plates(ctx context.Context) error {
	if u.n == 0 {
		return nil // all of it was taken back before
	}
	rows, err := u.w.tx.Query(ctx, `SELECT thing, field FROM changes WHERE act = $1 AND kind = $2 AND (field = 'retired_at' OR field = 'plate') AND was IS NULL ORDER BY thing`, u.wrong, string(farm.KindPlate))
	if err != nil {
		return err
	}
	type made struct{ Thing, Field string }
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[made])
	if err != nil {
		return err
	}
	l := layouts[farm.KindPlate]
	for _, m := range list {
		if m.Field == "plate" && !farm.IsUntagged(m.Thing) {
			continue // its records went, the plate is there
		}
		before, err := u.w.lockThing(ctx, l, &farm.Plate{Tag: m.Thing})
		if err != nil {
			return err
		}
		after := *before.(*farm.Plate)
		after.RetiredAt = time.Time{}
		if m.Field == "plate" {
			after.RetiredAt = u.w.at
		}
		if err := u.w.changeThing(ctx, l, before, &after); err != nil {
			return err
		}
	}
	return nil
}
