package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// PlanInForce is the plan that is carried out, as its maker wrote it.
type PlanInForce struct {
	AsOf       time.Time // zero: there is none
	Confidence float64
	Version    DataVersion // of the data it was made from
	Took       time.Duration
	Body       []byte // JSON
}

// PlanChange is what became of tasks when a plan was made anew.
type PlanChange struct {
	At   time.Time
	What string
}

// planClaim is how long one who plans is waited for, should it never come back;
// planChangesKept is how long changes are told.
const (
	planClaim       = 3 * time.Minute
	planChangesKept = 7 * 24 * time.Hour
)

// PlanInForce reads the plan in force.
func (s *Store) PlanInForce(ctx context.Context) (p PlanInForce, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var ms int
	err = s.pool.QueryRow(ctx, `SELECT as_of, confidence, version_last, version_lot, took_ms, plan::text::bytea FROM plan_in_force WHERE plan IS NOT NULL`).
		Scan(&p.AsOf, &p.Confidence, &p.Version.last, &p.Version.lot, &ms, &p.Body)
	if errors.Is(err, pgx.ErrNoRows) {
		return PlanInForce{}, nil
	}
	p.Took = time.Duration(ms) * time.Millisecond
	return p, wrap("store.PlanInForce", err)
}

// ClaimPlan asks to be the one of all servers that plans, until StorePlan or
// ReleasePlan; false: another is at it. A claim of longer than a claim is was made by a
// clock that was ahead.
func (s *Store) ClaimPlan(ctx context.Context) (mine bool, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `INSERT INTO plan_in_force AS p (claimed_until) VALUES (clock_timestamp() + $1)
		ON CONFLICT (one) DO UPDATE SET claimed_until = excluded.claimed_until WHERE p.claimed_until IS NULL OR p.claimed_until < clock_timestamp() OR p.claimed_until > clock_timestamp() + $1 RETURNING true`, planClaim).Scan(&mine)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	return mine, wrap("store.ClaimPlan", err)
}

// ReleasePlan gives a claim back without a plan.
func (s *Store) ReleasePlan(ctx context.Context) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE plan_in_force SET claimed_until = NULL`)
	return wrap("store.ReleasePlan", err)
}

// StorePlan puts a plan in force, with what changed by it ("" nothing), and gives
// the claim back. The plan follows from the records: no act is noted for it.
func (s *Store) StorePlan(ctx context.Context, p PlanInForce, changed string) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `UPDATE plan_in_force SET as_of = $1, confidence = $2, version_last = $3, version_lot = $4, took_ms = $5, plan = $6::text::jsonb, claimed_until = NULL`,
			p.AsOf, p.Confidence, p.Version.last, p.Version.lot, p.Took.Milliseconds(), string(p.Body)); err != nil || changed == "" {
			return err
		}
		if _, err := tx.Exec(ctx, `DELETE FROM plan_changes WHERE at < $1`, p.AsOf.Add(-planChangesKept)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO plan_changes (at, what) VALUES ($1, $2)`, p.AsOf, changed)
		return err
	})
	return wrap("store.StorePlan", err)
}

// PlanChanges lists what changed lately, newest first.
func (s *Store) PlanChanges(ctx context.Context, limit int) ([]PlanChange, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT at, what FROM plan_changes ORDER BY id DESC LIMIT $1`, limit)
	if err != nil {
		return nil, wrap("store.PlanChanges", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PlanChange])
	return list, wrap("store.PlanChanges", err)
}

// Handles gives people's handles by number.
func (s *Store) Handles(ctx context.Context, people []int32) (map[int32]string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	out := map[int32]string{}
	rows, err := s.pool.Query(ctx, `SELECT id, person FROM people WHERE id = ANY ($1)`, people)
	if err == nil {
		var id int32
		var handle string
		_, err = pgx.ForEachRow(rows, []any{&id, &handle}, func() error { out[id] = handle; return nil })
	}
	return out, wrap("store.Handles", err)
}
