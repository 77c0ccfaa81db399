package store

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// LotSecret gives the farm's secret of the lot, by which nobody can tell a draw
// beforehand; nil as long as no server has run on the farm (EnsureLotSecret).
func (s *Store) LotSecret(ctx context.Context) ([]byte, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var b []byte
	err := s.pool.QueryRow(ctx, `SELECT value FROM lot_secret`).Scan(&b)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return b, wrap("store.LotSecret", err)
}

// EnsureLotSecret makes the farm's secret of the lot where there is none yet.
func (s *Store) EnsureLotSecret(ctx context.Context) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	b := make([]byte, 32)
	rand.Read(b)
	_, err := s.pool.Exec(ctx, `INSERT INTO lot_secret (value) VALUES ($1) ON CONFLICT DO NOTHING`, b)
	return wrap("store.EnsureLotSecret", err)
}

// KeepDraws records draws by the program, all in one transaction, unless there is one of
// an id already: that one stands (another server was faster), whatever it says.
func (s *Store) KeepDraws(ctx context.Context, act Act, draws []farm.Draw) error {
	items := make([]intake.Item, len(draws))
	for i := range draws {
		d := &draws[i]
		r := map[string]any{"kind": farm.KindDraw, "id": d.ID.Text(), "printer": d.Printer, "plate": d.Plate, "task": d.Task, "drawn_at": d.DrawnAt.UTC().Format(time.RFC3339Nano),
			"arm": d.Arm, "chance": d.Chance, "why": d.Why, "person": d.Person}
		if farm.Known(d.Saves) {
			r["saves"] = d.Saves
		}
		body, err := json.Marshal(r)
		if err != nil {
			return wrap("store.KeepDraws", err)
		}
		if items[i] = intake.ParseRecord(body, "", s.Now()); items[i].Err != nil {
			return wrap("store.KeepDraws", items[i].Err)
		}
	}
	return wrap("store.KeepDraws", s.write(ctx, act, func(w *writer) error {
		for _, item := range items {
			if _, err := w.one(ctx, item); err != nil && !fault.Is(err, fault.Conflict) {
				return err
			}
		}
		return nil
	}))
}

// PrintersOfJobsAbove gives the printers of a list, or of all with none, whose last start
// was of a job that is open and worth more than a value: their next start may be of it too.
func (s *Store) PrintersOfJobsAbove(ctx context.Context, at time.Time, value float64, printers []string) (map[string]bool, error) {
	list, err := indexed[struct{ Printer string }](ctx, s, jobsAboveSQL, at, value, printers)
	if err != nil {
		return nil, wrap("store.PrintersOfJobsAbove", err)
	}
	out := map[string]bool{}
	for _, x := range list {
		out[x.Printer] = true
	}
	return out, nil
}

// $1 at, $2 value, $3 tags or NULL. Where no job is worth so much no printer is looked at.
const jobsAboveSQL = `
SELECT p.printer FROM printers p CROSS JOIN LATERAL (
		SELECT f.job FROM first_layers f WHERE f.printer = p.id AND f.started_at <= $1 AND f.voided_at IS NULL ORDER BY f.started_at DESC, f.id DESC LIMIT 1) n
WHERE ($3::text[] IS NULL OR p.printer = ANY ($3)) AND EXISTS (SELECT FROM jobs WHERE value > $2)
	AND n.job IN (SELECT id FROM jobs WHERE value > $2 AND (closed_at IS NULL OR closed_at > $1))`

// Drawn is a draw of a printer in force.
type Drawn struct {
	Task, Arm, Why string
	At             time.Time
	Chance, Saves  float64 // saves: NaN not weighed
}

// latestDraws reads the latest draws of printers for Standing, the oldest first.
const latestDraws = `SELECT p.printer, x.task, x.arm, x.why, x.drawn_at, x.chance, x.saves FROM printers p CROSS JOIN LATERAL (
		SELECT id, task::text, arm::text, why, drawn_at, chance, coalesce(saves, 'nan') AS saves FROM draws WHERE printer = p.id AND drawn_at <= $1 AND %s ORDER BY drawn_at DESC, id DESC LIMIT 16) x
	WHERE $2 = '' OR p.printer = $2 ORDER BY x.drawn_at, x.id`

// AnalysisDraw is a draw for Analysis; At in microseconds since 1970.
type AnalysisDraw struct {
	Printer, Task, Why string
	At                 int64
	Do                 bool
	Chance             float64
}

// AnalysisDraws reads all draws made by a time, in order. With
// knownAt, what arrived later is left out, voidings too.
func (s *Store) AnalysisDraws(ctx context.Context, at, knownAt time.Time) ([]AnalysisDraw, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.AnalysisDraws", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	r := &analysisReader{knownAt: knownAt}
	rows, err := tx.Query(ctx, `SELECT p.printer, x.task::text, x.why, x.drawn_at, x.arm = 'do', x.chance FROM (SELECT * FROM draws WHERE drawn_at <= $1 AND `+r.visible()+`) x
		JOIN printers p ON p.id = x.printer ORDER BY x.drawn_at, x.id`, at)
	if err != nil {
		return nil, wrap("store.AnalysisDraws", err)
	}
	var out []AnalysisDraw
	var d AnalysisDraw
	var t time.Time
	_, err = pgx.ForEachRow(rows, []any{&d.Printer, &d.Task, &d.Why, &t, &d.Do, &d.Chance}, func() error {
		d.At = t.UnixMicro()
		out = append(out, d)
		return nil
	})
	return out, wrap("store.AnalysisDraws", err)
}
