package store

import (
	"context"
	"encoding/json"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

// DrawLook writes down what the look list drew for a start: its chance, and lot, risk
// or no. What stands is never drawn again: a second draw of the same start, by another
// server at the same moment, is no error and changes nothing.
func (s *Store) DrawLook(ctx context.Context, x *RunningLayer, chance float64, drawn string) error {
	body, err := json.Marshal(map[string]any{"kind": farm.KindFirstLayer, "id": x.ID.String(), "printer": x.Printer, "started_at": x.At.UTC().Format(time.RFC3339Nano),
		"look_chance": chance, "look_drawn": drawn})
	if err != nil {
		return wrap("store.DrawLook", err)
	}
	_, err = s.Record(ctx, Act{Via: "program", Why: "the look list"}, intake.ParseRecord(body, "", s.Now()))
	if fault.Is(err, fault.Conflict) {
		return nil
	}
	return wrap("store.DrawLook", err)
}

// LookCounts are the starts of a time: how many were graded, for how many the look
// list drew, how many it put on the list, and how many of these were graded.
type LookCounts struct{ Started, Graded, Drawn, Listed, Looked int }

// LookCounts counts the starts with from <= start <= to.
func (s *Store) LookCounts(ctx context.Context, from, to time.Time) (c LookCounts, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT count(*), count(grade), count(look_drawn), count(*) FILTER (WHERE look_drawn <> 'no'), count(grade) FILTER (WHERE look_drawn <> 'no')
		FROM first_layers WHERE started_at >= $1 AND started_at <= $2 AND voided_at IS NULL`, from, to).Scan(&c.Started, &c.Graded, &c.Drawn, &c.Listed, &c.Looked)
	return c, wrap("store.LookCounts", err)
}
