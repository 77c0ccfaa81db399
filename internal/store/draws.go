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

// KeepDraws records draws by the program, each in its own transaction, unless there is
// one of its id already: that one stands (another server was faster), whatever it says.
func (s *Store) KeepDraws(ctx context.Context, act Act, draws []farm.Draw) error {
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
		if _, err := s.Record(ctx, act, intake.ParseRecord(body, "", s.Now())); err != nil && !fault.Is(err, fault.Conflict) {
			return wrap("store.KeepDraws", err)
		}
	}
	return nil
}

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
