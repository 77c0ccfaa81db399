package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// Things lists a kind's things as pointers to its struct in farm: those whose
// name has find in it, whatever the case, from a place on; and how many there
// are. By name; shifts and jobs newest first.
func (s *Store) Things(ctx context.Context, kind farm.Kind, find string, offset, limit int) (list []any, total int, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	l := layouts[kind]
	name := "t." + l.Fields[0].Name
	order := name + ` COLLATE "C"`
	switch kind {
	case farm.KindShift:
		order = "t.starts_at DESC, " + order
	case farm.KindJob:
		order = "t.closed_at IS NOT NULL, t.due NULLS LAST, t.id DESC"
	}
	where := ` WHERE strpos(lower(` + name + `), lower($1)) > 0`
	if err := s.pool.QueryRow(ctx, `SELECT count(*)::int FROM `+l.Name+` t`+where, find).Scan(&total); err != nil {
		return nil, 0, wrap("store.Things", err)
	}
	list, err = s.take(ctx, kind, fmt.Sprintf(where+` ORDER BY %s LIMIT %d OFFSET %d`, order, limit, offset), find)
	return list, total, wrap("store.Things", err)
}

// Thing gives one thing by its name; NotFound when there is none.
func (s *Store) Thing(ctx context.Context, kind farm.Kind, name string) (any, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	l := layouts[kind]
	list, err := s.take(ctx, kind, ` WHERE t.`+l.Fields[0].Name+` = $1`, name)
	if err != nil {
		return nil, wrap("store.Thing", err)
	}
	if len(list) != 1 {
		return nil, fault.New(fault.NotFound, "There is no %s %s.", strings.ReplaceAll(string(kind), "_", " "), fault.Quote(name))
	}
	return list[0], nil
}

// Screws lists a printer's screws by name.
func (s *Store) Screws(ctx context.Context, printer string) ([]*farm.Screw, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindScrew, ` WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) ORDER BY t.screw COLLATE "C"`, printer)
	if err != nil {
		return nil, wrap("store.Screws", err)
	}
	out := make([]*farm.Screw, len(list))
	for i, r := range list {
		out[i] = r.(*farm.Screw)
	}
	return out, nil
}

// ThingNames lists the names of a kind's things that are in use at a time, for
// choosing from; at most limit.
func (s *Store) ThingNames(ctx context.Context, kind farm.Kind, at time.Time, limit int) ([]string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	where := thingColumn[kind]
	inUse := "$1::timestamptz IS NOT NULL"
	switch kind {
	case farm.KindPrinter, farm.KindPlate, farm.KindMaterial, farm.KindInstrument:
		inUse = "(retired_at IS NULL OR retired_at > $1)"
	case farm.KindPerson:
		inUse = "(disabled_at IS NULL OR disabled_at > $1)"
	case farm.KindJob:
		inUse = "(closed_at IS NULL OR closed_at > $1)"
	}
	rows, err := s.pool.Query(ctx, fmt.Sprintf(`SELECT %[1]s FROM %[2]s WHERE `+inUse+` ORDER BY %[1]s COLLATE "C" LIMIT %[3]d`, where[1], where[0], limit), at)
	if err != nil {
		return nil, wrap("store.ThingNames", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return list, wrap("store.ThingNames", err)
}

// AccountState tells how a person may sign in.
type AccountState struct {
	HasPassword bool
	Since       *time.Time // when the password was set, or sessions ended
	DisabledAt  *time.Time
	Factor      bool       // a second factor is asked for
	RemoveAt    *time.Time // when their name goes
	RemovedAt   *time.Time // when it went
	PinAt       *time.Time // when their PIN was set; nil: they have none
	LinkedAt    *time.Time // when they were linked with a sign-in provider; nil: they are not
}

// AccountStates gives the states of people by handle.
func (s *Store) AccountStates(ctx context.Context, handles []string) (map[string]AccountState, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.person, w.person IS NOT NULL, w.changed_at, p.disabled_at,
			EXISTS (SELECT FROM second_factors f WHERE f.person = p.id AND f.confirmed_at IS NOT NULL), p.remove_at, p.removed_at, n.changed_at, (SELECT max(l.linked_at) FROM sign_in_links l WHERE l.person = p.id)
		FROM people p LEFT JOIN passwords w ON w.person = p.id LEFT JOIN pins n ON n.person = p.id WHERE p.person = ANY ($1)`, handles)
	if err != nil {
		return nil, wrap("store.AccountStates", err)
	}
	out := map[string]AccountState{}
	var handle string
	var a AccountState
	_, err = pgx.ForEachRow(rows, []any{&handle, &a.HasPassword, &a.Since, &a.DisabledAt, &a.Factor, &a.RemoveAt, &a.RemovedAt, &a.PinAt, &a.LinkedAt}, func() error {
		out[handle] = a
		a = AccountState{}
		return nil
	})
	return out, wrap("store.AccountStates", err)
}

// TokenRow is a token as Setup lists it.
type TokenRow struct {
	Name       string
	Role       string
	CreatedAt  time.Time
	ExpiresAt  *time.Time
	LastUsedAt *time.Time
	RevokedAt  *time.Time
}

// Tokens lists every token: those in force first, newest first.
func (s *Store) Tokens(ctx context.Context) ([]TokenRow, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT name, role::text, created_at, expires_at, last_used_at, revoked_at FROM tokens
		ORDER BY revoked_at IS NOT NULL OR coalesce(expires_at <= $1, false), created_at DESC, id DESC LIMIT 1000`, s.Now())
	if err != nil {
		return nil, wrap("store.Tokens", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TokenRow])
	return list, wrap("store.Tokens", err)
}

// JobCount is what became of a job's starts.
// Open ones are not graded and may still be good: not stopped, lost or thrown away.
type JobCount struct{ Started, Graded, Failures, Open int }

// JobCounts counts the starts of jobs, by name.
func (s *Store) JobCounts(ctx context.Context, jobs []string) (map[string]JobCount, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT j.job, count(f.started_at)::int, count(f.grade)::int,
			count(*) FILTER (WHERE `+failureSQL+`)::int,
			count(*) FILTER (WHERE f.grade IS NULL AND `+mayBeGoodSQL+`)::int
		FROM jobs j JOIN first_layers f ON f.job = j.id AND f.voided_at IS NULL
		WHERE j.job = ANY ($1) GROUP BY j.job`, jobs)
	if err != nil {
		return nil, wrap("store.JobCounts", err)
	}
	out := map[string]JobCount{}
	var job string
	var n JobCount
	_, err = pgx.ForEachRow(rows, []any{&job, &n.Started, &n.Graded, &n.Failures, &n.Open}, func() error { out[job] = n; return nil })
	return out, wrap("store.JobCounts", err)
}

// JobGrades counts a job's starts by grade; "" is not graded.
func (s *Store) JobGrades(ctx context.Context, job string) (map[string]int, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT coalesce(f.grade::text, ''), count(*)::int FROM first_layers f
		WHERE f.job = (SELECT id FROM jobs WHERE job = $1) AND f.voided_at IS NULL GROUP BY f.grade`, job)
	if err != nil {
		return nil, wrap("store.JobGrades", err)
	}
	out := map[string]int{}
	var grade string
	var n int
	_, err = pgx.ForEachRow(rows, []any{&grade, &n}, func() error { out[grade] = n; return nil })
	return out, wrap("store.JobGrades", err)
}

// JobLayers lists a job's first layers, newest first, before a cursor.
func (s *Store) JobLayers(ctx context.Context, job string, failed bool, before Cursor, limit int) ([]*farm.FirstLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	where, args := ` WHERE t.job = (SELECT id FROM jobs WHERE job = $1) AND t.voided_at IS NULL`, []any{job}
	if failed {
		where += ` AND (t.grade = 'failed' OR t.underside = 'shown' AND t.grade = 'marginal')`
	}
	if !before.IsZero() {
		where += ` AND t.started_at <= $2 AND (t.started_at, t.id) < ($2, $3)`
		args = append(args, before.At, before.ID)
	}
	list, err := s.take(ctx, farm.KindFirstLayer, where+fmt.Sprintf(` ORDER BY t.started_at DESC, t.id DESC LIMIT %d`, limit), args...)
	if err != nil {
		return nil, wrap("store.JobLayers", err)
	}
	out := make([]*farm.FirstLayer, len(list))
	for i, r := range list {
		out[i] = r.(*farm.FirstLayer)
	}
	return out, nil
}
