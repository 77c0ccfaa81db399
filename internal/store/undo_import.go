package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// UndoImport takes back what one import recorded, as Undo does for an act at a
// page: records it created are voided, those it filled stand again without what
// it filled. Printers, plates, people and other things stay as they are: other
// records may name them. It tells how many records it took back.
func (s *Store) UndoImport(ctx context.Context, act Act, wrong int64, reason string) (int, error) {
	n := 0
	err := s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		var via string
		err := w.tx.QueryRow(ctx, `SELECT via FROM acts WHERE id = $1 AND id <> $2`, wrong, w.act).Scan(&via)
		if errors.Is(err, pgx.ErrNoRows) || err == nil && via != "import" {
			return fault.New(fault.NotFound, "there is no import %d to undo", wrong)
		}
		if err != nil {
			return err
		}
		// As many records as an import had take longer than an ordinary call.
		if _, err := w.tx.Exec(ctx, `SET LOCAL statement_timeout = 0; SET LOCAL lock_timeout = 0; SET LOCAL idle_in_transaction_session_timeout = 0`); err != nil {
			return err
		}
		u := undoing{w: w, wrong: wrong, by: act.Person, reason: reason, atOnce: map[uuid.UUID]bool{}}
		if err := u.read(ctx); err != nil {
			return err
		}
		for _, back := range []func(context.Context) error{u.createdAtOnce, u.created, u.filled, u.replaced} {
			if err := back(ctx); err != nil {
				return err
			}
		}
		n = u.n
		w.changedThing(kindImport, strconv.FormatInt(wrong, 10), "undone_at", "", intake.Stamp(w.at))
		return nil
	})
	return n, wrap("store.UndoImport", err)
}

// kindImport is what the trail calls an import that was undone: its thing is the
// number of the import's act.
const kindImport farm.Kind = "import"

// undoneImports are the acts of imports that were undone.
func (w *writer) undoneImports(ctx context.Context) ([]int64, error) {
	rows, err := w.tx.Query(ctx, `SELECT DISTINCT thing::bigint FROM changes WHERE kind = $1 AND thing IS NOT NULL`, string(kindImport))
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}

// anew gives rows of a log that an undone import had recorded the next id, so
// that the log can come in again once its mapping is put right; rows whose records it
// had filled get the id of the record that stands there since without what was filled.
// What somebody voided by hand keeps its id, and stays voided. Rows of a bundle bring
// ids of their own: those are counted, and said.
func (im *importer) anew(ctx context.Context, l *layout, c *chunk, file *FileReport) error {
	if len(im.undone) == 0 {
		return nil
	}
	if err := im.copier.wait(); err != nil {
		return err
	}
	ask := map[uuid.UUID][]*farm.ID{}
	for i := range c.n {
		if len(c.rows[i].Problems) == 0 {
			id := l.Fields[0].At(c.recs[i]).(*farm.ID)
			ask[id.UUID] = append(ask[id.UUID], id)
		}
	}
	for len(ask) > 0 {
		ids := slices.Collect(maps.Keys(ask))
		rows, err := im.tx.Query(ctx, `SELECT id FROM records WHERE id = ANY ($1) AND act = ANY ($2)`, ids, im.undone)
		if err != nil {
			return err
		}
		used, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil {
			return err
		}
		if im.log == nil {
			file.TakenBack += len(used)
			return nil
		}
		next := map[uuid.UUID][]*farm.ID{}
		move := func(id, to uuid.UUID) {
			for _, p := range ask[id] {
				*p = farm.ID{UUID: to}
				next[to] = append(next[to], p)
			}
			delete(ask, id)
		}
		for _, id := range used {
			move(id, uuid.NewV5(id, "undone"))
		}
		emptied, err := im.emptied(ctx, slices.Collect(maps.Keys(ask)))
		if err != nil {
			return err
		}
		for id, to := range emptied {
			move(id, to)
		}
		ask = next
	}
	return nil
}

// emptied tells which records stand in the place of those that an undone import had
// filled.
func (im *importer) emptied(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]uuid.UUID, error) {
	rows, err := im.tx.Query(ctx, `SELECT DISTINCT record, act FROM changes WHERE record = ANY ($1) AND act = ANY ($2)`, ids, im.undone)
	if err != nil {
		return nil, err
	}
	instead := map[uuid.UUID]uuid.UUID{} // what would stand there: what it would stand for
	var record uuid.UUID
	var act int64
	if _, err := pgx.ForEachRow(rows, []any{&record, &act}, func() error {
		u := undoing{wrong: act}
		instead[u.again(record)] = record
		return nil
	}); err != nil || len(instead) == 0 {
		return nil, err
	}
	if rows, err = im.tx.Query(ctx, `SELECT id FROM records WHERE id = ANY ($1)`, slices.Collect(maps.Keys(instead))); err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	out := map[uuid.UUID]uuid.UUID{}
	for _, id := range list {
		out[instead[id]] = id
	}
	return out, err
}

// createdAtOnce voids, kind by kind, what the act recorded and still stands; for
// what has been replaced since there is created.
func (u *undoing) createdAtOnce(ctx context.Context) error {
	if _, err := u.w.tx.Exec(ctx, `SELECT FROM records WHERE act = $1 ORDER BY id FOR UPDATE`, u.wrong); err != nil {
		return err
	}
	var by *int32
	if u.by != "" {
		id, err := u.w.thing(ctx, farm.KindPerson, u.by)
		if err != nil {
			return err
		}
		by = &id
	}
	rows, err := u.w.tx.Query(ctx, `SELECT DISTINCT kind::text FROM records WHERE act = $1 ORDER BY 1`, u.wrong)
	if err != nil {
		return err
	}
	kinds, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	for _, kind := range kinds {
		if err := u.voidKind(ctx, layouts[farm.Kind(kind)], by); err != nil {
			return fmt.Errorf("%s: %w", kind, err)
		}
	}
	return nil
}

func (u *undoing) voidKind(ctx context.Context, l *layout, by *int32) error {
	rows, err := u.w.tx.Query(ctx, `UPDATE `+l.Name+` t SET voided_at = $3, void_arrived_at = $3, voided_by = $4, void_reason = $5
		FROM records r WHERE r.act = $1 AND r.kind::text = $2 AND t.id = r.id AND t.`+l.whenColumn()+` = r.happened_at AND `+l.ownerMatch("r.owner")+` AND t.voided_at IS NULL
		RETURNING t.id, t.`+l.whenColumn(), u.wrong, string(l.Kind), u.w.at, by, u.reason)
	if err != nil {
		return err
	}
	at := l.Fields[l.voided]
	rec := l.New()
	*at.At(rec).(*time.Time) = u.w.at
	voidedAt := at.Text(rec)
	var id uuid.UUID
	var happened time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &happened}, func() error {
		u.n++
		u.atOnce[id] = true
		u.w.changed(l.Kind, id, "voided_at", "", voidedAt)
		if u.by != "" {
			u.w.changed(l.Kind, id, "voided_by", "", u.by)
		}
		u.w.changed(l.Kind, id, "void_reason", "", u.reason)
		if l.Kind == farm.KindFirstLayer {
			u.w.touch(happened)
		}
		return nil
	})
	return err
}
