package store

import (
	"context"
	"time"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// Policies lists the versions of policies that count: voided ones are left out. By
// name, each in the order in which they come into force, ties by id; versions yet to
// come into force are among them. With knownAt, what arrived later is left out,
// voidings too.
func (s *Store) Policies(ctx context.Context, knownAt time.Time) ([]*farm.Policy, error) {
	const rest = ` WHERE t.arrived_at <= coalesce($1::timestamptz, 'infinity') AND (t.voided_at IS NULL OR t.void_arrived_at > $1) ` + policyOrder
	var known *time.Time
	if !knownAt.IsZero() {
		known = &knownAt
	}
	return s.policies(ctx, "store.Policies", rest, known)
}

// PolicyVersions lists all versions of the policy of a name, voided ones too.
func (s *Store) PolicyVersions(ctx context.Context, name string) ([]*farm.Policy, error) {
	return s.policies(ctx, "store.PolicyVersions", ` WHERE t.name = $1 `+policyOrder, name)
}

const policyOrder = `ORDER BY t.name COLLATE "C", t.in_force_from, t.id`

func (s *Store) policies(ctx context.Context, name, rest string, args ...any) ([]*farm.Policy, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindPolicy, rest, args...)
	if err != nil {
		return nil, wrap(name, err)
	}
	out := make([]*farm.Policy, len(list))
	for i, r := range list {
		out[i] = r.(*farm.Policy)
	}
	return out, nil
}

// PolicyFact is what policies ask about beside the exposures of a printer's next
// start.
type PolicyFact struct {
	Printer   string
	JobPlates int  // plates the job of its last start needs, while that is open; 0 unknown
	Service   bool // since its last probe: a service other than a move
	Moved     bool
	Swap      bool // since its last probe: a fitting onto it, or a start with another plate than the probe named
	// Temperatures of the bed, °C, nil unknown: at its last probe, and what the
	// material of its last start asks for.
	ProbeBed, NextBed *float64
}

// PolicyFacts tells them of the printers of a list, or of all with nil, by tag in
// bytes' order.
func (s *Store) PolicyFacts(ctx context.Context, at time.Time, printers []string) ([]PolicyFact, error) {
	list, err := indexed[PolicyFact](ctx, s, policyFactsSQL, at, printers)
	return list, wrap("store.PolicyFacts", err)
}

// $1 at, $2 tags or NULL.
const policyFactsSQL = `
SELECT p.printer, coalesce(j.plates, 0) AS job_plates, sv.service, sv.moved, sw.swap, y.bed_temp_c AS probe_bed, m.bed_temp_c AS next_bed
FROM printers p
	LEFT JOIN LATERAL (
		SELECT f.job, f.material FROM first_layers f
		WHERE f.printer = p.id AND f.started_at <= $1 AND f.voided_at IS NULL ORDER BY f.started_at DESC, f.id DESC LIMIT 1) n ON true
	LEFT JOIN LATERAL (
		SELECT coalesce(j.plates_needed, j.quantity)::int AS plates FROM jobs j
		WHERE j.id = n.job AND (j.closed_at IS NULL OR j.closed_at > $1)) j ON true
	LEFT JOIN materials m ON m.id = n.material
	LEFT JOIN LATERAL (
		SELECT y.probed_at, y.bed_temp_c, y.plate FROM probes y
		WHERE y.printer = p.id AND y.probed_at <= $1 AND y.voided_at IS NULL AND y.extent IS DISTINCT FROM 'zero'
		ORDER BY y.probed_at DESC LIMIT 1) y ON true
	CROSS JOIN LATERAL (
		SELECT coalesce(bool_or(v.work <> 'moved'), false) AS service, coalesce(bool_or(v.work = 'moved'), false) AS moved FROM services v
		WHERE v.printer = p.id AND v.done_at <= $1 AND v.done_at > y.probed_at AND v.voided_at IS NULL) sv
	CROSS JOIN LATERAL (
		SELECT EXISTS (SELECT FROM fittings t WHERE t.printer = p.id AND t.fitted_at <= $1 AND t.fitted_at > y.probed_at AND t.voided_at IS NULL)
			OR EXISTS (SELECT FROM first_layers f WHERE f.printer = p.id AND f.started_at > y.probed_at AND f.started_at <= $1 AND f.voided_at IS NULL
				AND f.plate <> y.plate) AS swap) sw
WHERE $2::text[] IS NULL OR p.printer = ANY ($2)
ORDER BY p.printer COLLATE "C"`

// PlateSurfaces gives the surfaces of plates by tag.
func (s *Store) PlateSurfaces(ctx context.Context) (map[string]string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT plate, surface::text FROM plates`)
	if err != nil {
		return nil, wrap("store.PlateSurfaces", err)
	}
	out := map[string]string{}
	var tag, surface string
	_, err = pgx.ForEachRow(rows, []any{&tag, &surface}, func() error { out[tag] = surface; return nil })
	return out, wrap("store.PlateSurfaces", err)
}

// CareFacts is what has to be known beside starts to tell what policies would have
// asked for: services, and what materials ask of the bed (°C).
type CareFacts struct {
	Services []ServiceDone
	BedC     map[string]float64
}

// ServiceDone is a service; Moved tells a move from other work.
type ServiceDone struct {
	Printer string
	DoneAt  time.Time
	Moved   bool
}

// CareFacts reads them, services with from < done_at <= to.
func (s *Store) CareFacts(ctx context.Context, from, to time.Time) (*CareFacts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	out := &CareFacts{BedC: map[string]float64{}}
	batch := &pgx.Batch{}
	batch.Queue(`SELECT p.printer, v.done_at, v.work = 'moved' FROM services v JOIN printers p ON p.id = v.printer
		WHERE v.done_at > $1 AND v.done_at <= $2 AND v.voided_at IS NULL ORDER BY v.done_at, v.id`, from, to).Query(func(rows pgx.Rows) (err error) {
		out.Services, err = pgx.CollectRows(rows, pgx.RowToStructByPos[ServiceDone])
		return err
	})
	batch.Queue(`SELECT material, bed_temp_c FROM materials WHERE bed_temp_c IS NOT NULL`).Query(func(rows pgx.Rows) error {
		var material string
		var bed float64
		_, err := pgx.ForEachRow(rows, []any{&material, &bed}, func() error { out.BedC[material] = bed; return nil })
		return err
	})
	return out, wrap("store.CareFacts", s.pool.SendBatch(ctx, batch).Close())
}

// JobStart is a start of a job, and the plates the job needs.
type JobStart struct {
	Printer   string
	StartedAt time.Time
	Plates    int
}

// JobStarts lists the starts of jobs whose size is known, from < started_at <= to.
func (s *Store) JobStarts(ctx context.Context, from, to time.Time) ([]JobStart, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.printer, f.started_at, coalesce(j.plates_needed, j.quantity)::int FROM jobs j
		JOIN first_layers f ON f.job = j.id AND f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL JOIN printers p ON p.id = f.printer
		WHERE coalesce(j.plates_needed, j.quantity) IS NOT NULL`, from, to)
	if err != nil {
		return nil, wrap("store.JobStarts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[JobStart])
	return list, wrap("store.JobStarts", err)
}
