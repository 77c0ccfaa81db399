package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// Removal is a person whose name has gone. Farm is the instant of the farm's first
// act in µs: numbers of people mean something in their own farm only.
type Removal struct {
	Farm   int64     `json:"farm"`
	Person int32     `json:"person"`
	At     time.Time `json:"removed_at"`
}

// RemoveLater sets when a leaver's name goes; the zero time: it does not. Only who
// is switched off leaves.
func (s *Store) RemoveLater(ctx context.Context, act Act, handle string, at time.Time) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		var off bool
		var was *time.Time
		err := w.tx.QueryRow(ctx, `SELECT disabled_at IS NOT NULL, remove_at FROM people WHERE person = $1 AND removed_at IS NULL FOR UPDATE`, handle).Scan(&off, &was)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.NotFound, "there is nobody by the handle %s", fault.Quote(handle))
		}
		if err != nil {
			return err
		}
		if !off {
			return fault.New(fault.Conflict, "%s may still sign in or record: switch them off first", handle)
		}
		text := func(t *time.Time) string {
			if t == nil {
				return ""
			}
			return t.UTC().Format(time.RFC3339)
		}
		var becomes *time.Time
		if !at.IsZero() {
			becomes = &at
		}
		w.changedThing(farm.KindPerson, handle, "remove_at", text(was), text(becomes))
		_, err = w.tx.Exec(ctx, `UPDATE people SET remove_at = $2 WHERE person = $1`, handle, becomes)
		return err
	})
	return wrap("store.RemoveLater", err)
}

// RemovePerson takes a person's name and handle, password, second factor,
// PIN, link with a sign-in provider, photos and former names away at once, and switches them off. What they recorded stays under
// their number. The last admin stays: a Conflict.
func (s *Store) RemovePerson(ctx context.Context, act Act, handle string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := s.write(ctx, act, func(w *writer) error {
		var id int32
		err := w.tx.QueryRow(ctx, `SELECT id FROM people WHERE person = $1 AND removed_at IS NULL FOR UPDATE`, handle).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.NotFound, "there is nobody by the handle %s", fault.Quote(handle))
		}
		if err != nil {
			return err
		}
		if err := w.anotherAdmin(ctx, handle); err != nil {
			return err
		}
		return w.remove(ctx, id, w.at)
	})
	return wrap("store.RemovePerson", err)
}

// remove takes a person's name away.
func (w *writer) remove(ctx context.Context, id int32, at time.Time) error {
	if err := needsNewest(ctx, w.tx); err != nil {
		return err
	}
	handle, err := w.leftHandle(ctx, id)
	if err != nil {
		return err
	}
	for _, sql := range []string{
		`SELECT set_config('basecourse.removal', 'on', true)`,
		`DELETE FROM changed_names WHERE person = $1`,
		`SELECT set_config('basecourse.removal', '', true)`,
		`DELETE FROM passwords WHERE person = $1`,
		`DELETE FROM pins WHERE person = $1`,
		`DELETE FROM photo_files x USING photos h WHERE h.id = x.photo AND h.person = $1`,
		`DELETE FROM recovery_codes WHERE person = $1`,
		`DELETE FROM second_factors WHERE person = $1`,
		`DELETE FROM sign_in_links WHERE person = $1`,
		`DELETE FROM calendar_keys WHERE person = $1`,
		`DELETE FROM deliveries WHERE person = $1`,
		`DELETE FROM mail_addresses WHERE person = $1`,
		`DELETE FROM notice_settings WHERE person = $1`,
		`DELETE FROM person_notices WHERE person = $1`,
		`DELETE FROM regrade_draws WHERE person = $1`,
	} {
		var args []any
		if sql[0] == 'D' {
			args = append(args, id)
		}
		if _, err := w.tx.Exec(ctx, sql, args...); err != nil {
			return err
		}
	}
	if _, err := w.tx.Exec(ctx, `UPDATE people SET person = $2, name = NULL, disabled_at = coalesce(disabled_at, $3), remove_at = NULL, removed_at = $3 WHERE id = $1`, id, handle, at); err != nil {
		return err
	}
	w.changedThing(farm.KindPerson, handle, "removed_at", "", at.UTC().Format(time.RFC3339))
	return nil
}

// leftHandle is what a leaver is called from then on.
func (w *writer) leftHandle(ctx context.Context, id int32) (string, error) {
	for n := 0; ; n++ {
		handle := "left-" + strconv.Itoa(int(id))
		if n > 0 {
			handle += "-" + strconv.Itoa(n)
		}
		var taken bool
		if err := w.tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM people WHERE person = $1 AND id <> $2)`, handle, id).Scan(&taken); err != nil || !taken {
			return handle, err
		}
	}
}

// RemoveDue removes everybody whose time has come and tells how many; any replica
// may do it.
func (s *Store) RemoveDue(ctx context.Context) (int, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	if yes, err := isNewest(ctx, s.pool); err != nil || !yes {
		return 0, wrap("store.RemoveDue", err)
	}
	var due []int32
	rows, err := s.pool.Query(ctx, `SELECT id FROM people WHERE remove_at <= $1 LIMIT 100`, s.Now())
	if err == nil {
		due, err = pgx.CollectRows(rows, pgx.RowTo[int32])
	}
	if err != nil || len(due) == 0 {
		return 0, wrap("store.RemoveDue", err)
	}
	n := 0
	err = s.write(ctx, Act{Via: "program", Why: "the time set for a leaver's name has come"}, func(w *writer) error {
		for _, id := range due {
			var still bool
			if err := w.tx.QueryRow(ctx, `SELECT coalesce(remove_at <= $2, false) FROM people WHERE id = $1 FOR UPDATE`, id, w.at).Scan(&still); err != nil {
				return err
			}
			if !still {
				continue // another replica, or they stay after all
			}
			if err := w.remove(ctx, id, w.at); err != nil {
				return err
			}
			n++
		}
		return nil
	})
	return n, wrap("store.RemoveDue", err)
}

// Removals lists everybody whose name has gone, by number.
func (s *Store) Removals(ctx context.Context) ([]Removal, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	key, err := s.farmKey(ctx)
	if err != nil {
		return nil, wrap("store.Removals", err)
	}
	rows, err := s.pool.Query(ctx, `SELECT $1::bigint, id, removed_at FROM people WHERE removed_at IS NOT NULL ORDER BY id`, key)
	if err != nil {
		return nil, wrap("store.Removals", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Removal])
	return list, wrap("store.Removals", err)
}

func (s *Store) farmKey(ctx context.Context) (key int64, err error) {
	var first time.Time
	err = s.pool.QueryRow(ctx, `SELECT at FROM acts ORDER BY id LIMIT 1`).Scan(&first)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	return first.UnixMicro(), err
}

// ApplyRemovals removes everybody on a list again who is in this farm with a name,
// and tells how many they were; entries of other farms say nothing here.
func (s *Store) ApplyRemovals(ctx context.Context, list []Removal) (int, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	key, err := s.farmKey(ctx)
	if err != nil {
		return 0, wrap("store.ApplyRemovals", err)
	}
	var there []Removal
	for _, r := range list {
		var named bool
		err := s.pool.QueryRow(ctx, `SELECT removed_at IS NULL FROM people WHERE id = $1`, r.Person).Scan(&named)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return 0, wrap("store.ApplyRemovals", err)
		}
		if named && r.Farm == key && !slices.ContainsFunc(there, func(t Removal) bool { return t.Person == r.Person }) {
			there = append(there, r)
		}
	}
	if len(there) == 0 {
		return 0, nil
	}
	err = s.write(ctx, Act{Via: "program", Why: fmt.Sprintf("%d leavers removed again after a restore", len(there))}, func(w *writer) error {
		for _, r := range there {
			if err := w.remove(ctx, r.Person, r.At); err != nil {
				return err
			}
		}
		return nil
	})
	return len(there), wrap("store.ApplyRemovals", err)
}
