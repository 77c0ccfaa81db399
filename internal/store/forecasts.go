package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// JobOutcome is what was expected of a job when it was first planned, and what came of
// the starts made since, as many as were planned.
type JobOutcome struct {
	ID                              uuid.UUID
	Ref                             *string
	Job                             string
	At                              time.Time
	Needed, Starts                  int // needed: 0 unknown
	Failures                        float64
	FailuresLow, FailuresHigh       *float64 // nil unknown
	Enough                          *float64
	ExpectedCost, CostLow, CostHigh *float64
	Doubt                           *float64
	Chances                         string     // of each start, by spaces
	Came                            string     // a letter for each start made: see planning
	Last                            *time.Time // when the last of these was made
	Good                            int        // of the job since, until then
	More                            int        // starts made beyond the planned ones
	ClosedAt                        *time.Time // of the job
}

const jobOutcomesSQL = `
SELECT t.id, t.ref, j.job, t.at, coalesce(t.needed, 0), t.starts, t.expected_failures, t.failures_low, t.failures_high, t.enough, t.expected_cost, t.cost_low, t.cost_high, t.doubt, t.chances,
	o.came, o.last, n.good, n.more, j.closed_at
FROM job_forecasts t JOIN jobs j ON j.id = t.job
	CROSS JOIN LATERAL (SELECT coalesce(string_agg(CASE WHEN f.grade IS NULL THEN '.' WHEN ` + failureSQL + ` THEN 'f' ELSE 'g' END, '' ORDER BY f.started_at, f.id), '') AS came, max(f.started_at) AS last
		FROM (SELECT * FROM first_layers x WHERE x.job = t.job AND x.voided_at IS NULL AND x.started_at > t.at AND x.started_at <= $1 ORDER BY x.started_at, x.id LIMIT t.starts) f) o
	CROSS JOIN LATERAL (SELECT count(*) FILTER (WHERE f.grade IS NOT NULL AND NOT coalesce(` + failureSQL + `, false) AND f.started_at <= o.last AND (f.started_at > t.at OR f.graded_at > t.at))::int AS good,
			greatest(count(*) FILTER (WHERE f.started_at > t.at) - length(o.came), 0)::int AS more
		FROM first_layers f WHERE f.job = t.job AND f.voided_at IS NULL AND f.started_at <= $1) n
WHERE t.voided_at IS NULL `

// JobOutcomes lists what was expected of jobs beside what came by a time, the latest
// first, from a cursor on.
func (s *Store) JobOutcomes(ctx context.Context, at time.Time, before Cursor, limit int) ([]JobOutcome, error) {
	if before.IsZero() {
		before = Cursor{farFuture, lastID}
	}
	return s.jobOutcomes(ctx, jobOutcomesSQL+`AND (t.at, t.id) < ($2, $3) ORDER BY t.at DESC, t.id DESC LIMIT $4`, at, before.At, before.ID, limit)
}

// JobOutcomesAfter is JobOutcomes with the oldest first.
func (s *Store) JobOutcomesAfter(ctx context.Context, at time.Time, after Cursor, limit int) ([]JobOutcome, error) {
	return s.jobOutcomes(ctx, jobOutcomesSQL+`AND (t.at, t.id) > ($2, $3) ORDER BY t.at, t.id LIMIT $4`, at, after.At, after.ID, limit)
}

// JobOutcomesOf lists a job's own, the first first.
func (s *Store) JobOutcomesOf(ctx context.Context, at time.Time, job string) ([]JobOutcome, error) {
	return s.jobOutcomes(ctx, jobOutcomesSQL+`AND j.job = $2 ORDER BY t.at, t.id`, at, job)
}

func (s *Store) jobOutcomes(ctx context.Context, query string, args ...any) ([]JobOutcome, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, query, args...)
	if err != nil {
		return nil, wrap("store.JobOutcomes", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[JobOutcome])
	return list, wrap("store.JobOutcomes", err)
}

// JobsWithForecast gives the jobs of which it was written down what was expected, also
// where that was voided since.
func (s *Store) JobsWithForecast(ctx context.Context) (map[string]bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	out := map[string]bool{}
	rows, err := s.pool.Query(ctx, `SELECT DISTINCT j.job FROM job_forecasts t JOIN jobs j ON j.id = t.job`)
	if err == nil {
		var job string
		_, err = pgx.ForEachRow(rows, []any{&job}, func() error { out[job] = true; return nil })
	}
	return out, wrap("store.JobsWithForecast", err)
}

// FreezeForecast writes down what is expected of a job, with the way every record
// goes. Its id follows from the job, so that many servers write it once.
func (s *Store) FreezeForecast(ctx context.Context, f *farm.JobForecast) error {
	sum := sha256.Sum256([]byte(f.Job))
	r := map[string]any{"kind": farm.KindJobForecast, "id": "planned-" + hex.EncodeToString(sum[:16]), "job": f.Job, "at": f.At.UTC().Format(time.RFC3339Nano), "starts": f.Starts, "chances": f.Chances}
	if f.Needed > 0 {
		r["needed"] = f.Needed
	}
	for name, x := range map[string]float64{"expected_failures": f.Failures, "failures_low": f.FailuresLow, "failures_high": f.FailuresHigh, "enough": f.Enough,
		"expected_cost": f.ExpectedCost, "cost_low": f.CostLow, "cost_high": f.CostHigh, "doubt": f.Doubt} {
		if farm.Known(x) {
			r[name] = x
		}
	}
	body, err := json.Marshal(r)
	if err != nil {
		return wrap("store.FreezeForecast", err)
	}
	_, err = s.Record(ctx, Act{Via: "program", Why: "what is expected of a job"}, intake.ParseRecord(body, "", s.Now()))
	return wrap("store.FreezeForecast", err)
}
