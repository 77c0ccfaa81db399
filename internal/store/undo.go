package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Undo takes back what one act at a page recorded, with a reason: records it
// created are voided; a record whose empty fields it filled (the release of a
// hold, the end of a fitting, the grade of a recorded start) is voided and
// replaced by one without them; a record it voided because another one replaces
// it (a correction) stands again as a copy; a plate it joined with another is in
// service again, and one it gave a provisional tag no longer. It tells how many records it took
// back; none when all were before. NotFound when there is no such act of a
// person at a page.
func (s *Store) Undo(ctx context.Context, act Act, wrong int64, reason string) (int, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	n := 0
	err := s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		var via string
		err := w.tx.QueryRow(ctx, `SELECT via FROM acts WHERE id = $1 AND id <> $2`, wrong, w.act).Scan(&via)
		if errors.Is(err, pgx.ErrNoRows) || err == nil && via != "page" {
			return fault.New(fault.NotFound, "there is no entry %d to undo", wrong)
		}
		if err != nil {
			return err
		}
		u := undoing{w: w, wrong: wrong, by: act.Person, reason: reason}
		if err := u.read(ctx); err != nil {
			return err
		}
		for _, back := range []func(context.Context) error{u.created, u.filled, u.replaced, u.plates} {
			if err := back(ctx); err != nil {
				return err
			}
		}
		n = u.n
		return nil
	})
	return n, wrap("store.Undo", err)
}

type undoing struct {
	w          *writer
	wrong      int64
	by, reason string
	n          int         // records taken back
	voided     []uuid.UUID // by the act
	copies     []uuid.UUID // what stands again for those after the undo

	atOnce map[uuid.UUID]bool // voided already by createdAtOnce
}

// again is the id of the record that stands for another after the undo.
func (u *undoing) again(id uuid.UUID) uuid.UUID {
	return uuid.NewV5(id, fmt.Sprintf("undo/%d", u.wrong))
}

// read finds what the act voided.
func (u *undoing) read(ctx context.Context) error {
	rows, err := u.w.tx.Query(ctx, `SELECT DISTINCT record FROM changes WHERE act = $1 AND field = 'voided_at' AND record IS NOT NULL ORDER BY record`, u.wrong)
	if err != nil {
		return err
	}
	if u.voided, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID]); err != nil {
		return err
	}
	for _, id := range u.voided {
		u.copies = append(u.copies, u.again(id))
	}
	return nil
}

// replaced lets stand again, as copies, what the act voided while it recorded
// what replaces it.
func (u *undoing) replaced(ctx context.Context) error {
	for _, id := range u.voided {
		if _, done, err := u.w.lockKnown(ctx, u.again(id)); err != nil {
			return err
		} else if done {
			continue
		}
		k, _, err := u.w.lockKnown(ctx, id)
		if err != nil {
			return err
		}
		l := layouts[k.kind]
		stored, err := u.w.stored(ctx, l, []known{k})
		if err != nil {
			return err
		}
		var by uuid.UUID // what replaced it in the act
		err = u.w.tx.QueryRow(ctx, `SELECT t.id FROM `+l.Name+` t JOIN records r ON r.id = t.id AND t.`+l.whenColumn()+` = r.happened_at
			WHERE r.act = $1 AND `+l.ownerMatch("r.owner")+` AND t.replaces = $2`, u.wrong, id).Scan(&by)
		if errors.Is(err, pgx.ErrNoRows) {
			continue // voided and nothing else: that is recorded again by hand
		}
		if err != nil {
			return err
		}
		if err := u.copy(ctx, l, stored[id], nil, farm.ID{UUID: by}); err != nil {
			return err
		}
	}
	return nil
}

// copy records what an event says, without some of its fields, in the place of
// another.
func (u *undoing) copy(ctx context.Context, l *layout, old any, without []string, instead farm.ID) error {
	again := l.New()
	for i := range l.Fields {
		if f := &l.Fields[i]; !f.Meta && !slices.Contains(without, f.Name) {
			f.Copy(again, old)
		}
	}
	newID := farm.ID{UUID: u.again(l.Fields[0].At(old).(*farm.ID).UUID)}
	*l.Fields[0].At(again).(*farm.ID) = newID
	*l.Fields[l.Field("replaces")].At(again).(*farm.ID) = instead
	*l.Fields[l.Field("noted_by")].At(again).(*string) = u.by
	_, err := u.w.event(ctx, intake.Item{Kind: l.Kind, ID: newID, Rec: again})
	return err
}

// created voids what the act recorded, or what has replaced it since.
func (u *undoing) created(ctx context.Context) error {
	rows, err := u.w.tx.Query(ctx, `SELECT `+knownColumns+` FROM records WHERE act = $1 ORDER BY id FOR UPDATE`, u.wrong)
	if err != nil {
		return err
	}
	list, err := pgx.CollectRows(rows, scanKnown)
	if err != nil {
		return err
	}
	for _, k := range list {
		if u.atOnce[k.id] {
			continue
		}
		id, err := u.standing(ctx, k)
		if err != nil {
			return err
		}
		if id == uuid.Nil {
			continue
		}
		if err := u.void(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

// standing gives the record that is in force for k: itself, the one that
// replaced it, or none.
func (u *undoing) standing(ctx context.Context, k known) (uuid.UUID, error) {
	l := layouts[k.kind]
	id := k.id
	for {
		if slices.Contains(u.copies, id) {
			return uuid.Nil, nil // the same undo made it before
		}
		var voided bool
		err := u.w.tx.QueryRow(ctx, `SELECT t.voided_at IS NOT NULL FROM `+l.Name+` t WHERE `+l.ownerMatch("$1")+` AND t.`+l.whenColumn()+` = $2 AND t.id = $3`,
			k.owner, k.happenedAt, id).Scan(&voided)
		if err != nil {
			return uuid.Nil, err
		}
		if !voided {
			return id, nil
		}
		err = u.w.tx.QueryRow(ctx, `SELECT t.id FROM `+l.Name+` t WHERE `+l.ownerMatch("$1")+` AND t.`+l.whenColumn()+` = $2 AND t.replaces = $3`,
			k.owner, k.happenedAt, id).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return uuid.Nil, nil
		}
		if err != nil {
			return uuid.Nil, err
		}
	}
}

func (u *undoing) void(ctx context.Context, id uuid.UUID) error {
	_, err := u.w.void(ctx, &intake.Void{Record: id.String(), VoidedAt: u.w.at, VoidedBy: u.by, VoidReason: u.reason})
	if err == nil {
		u.n++
	}
	return err
}

// filled replaces what the act filled by the same without it.
func (u *undoing) filled(ctx context.Context) error {
	rows, err := u.w.tx.Query(ctx, `SELECT record, array_agg(field) FROM changes
		WHERE act = $1 AND record IS NOT NULL AND field NOT IN ('voided_at', 'voided_by', 'void_reason', 'replaces') GROUP BY record ORDER BY record`, u.wrong)
	if err != nil {
		return err
	}
	fields := map[uuid.UUID][]string{}
	var order []uuid.UUID
	var id uuid.UUID
	var names []string
	if _, err := pgx.ForEachRow(rows, []any{&id, &names}, func() error {
		fields[id] = slices.Clone(names)
		order = append(order, id)
		return nil
	}); err != nil {
		return err
	}
	for _, id := range order {
		if err := u.unfill(ctx, id, fields[id]); err != nil {
			return err
		}
	}
	return nil
}

func (u *undoing) unfill(ctx context.Context, id uuid.UUID, fields []string) error {
	k, found, err := u.w.lockKnown(ctx, id)
	if err != nil || !found {
		return errors.Join(err, errGone)
	}
	l := layouts[k.kind]
	stored, err := u.w.stored(ctx, l, []known{k})
	if err != nil {
		return err
	}
	old := stored[id]
	if old == nil {
		return fmt.Errorf("%w: %s %s", errGone, k.kind, id)
	}
	if !(*l.Fields[l.voided].At(old).(*time.Time)).IsZero() {
		return nil
	}
	if err := u.void(ctx, id); err != nil {
		return err
	}
	return u.copy(ctx, l, old, fields, *l.Fields[0].At(old).(*farm.ID))
}
