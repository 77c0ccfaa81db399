package store

import (
	"bytes"
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/findings"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// AdviceOn lists what was done about the advice a first layer got, taken back
// ones left out, the earliest first. What was said of a record that was voided
// since is found with the one that replaced it.
func (s *Store) AdviceOn(ctx context.Context, f *farm.FirstLayer) ([]*farm.AdviceDone, error) {
	texts := []string{f.ID.UUID.String(), f.ID.Text()}
	for k, old := 0, f; k < 16 && !old.Replaces.IsZero(); k++ {
		before, err := s.FirstLayer(ctx, old.Replaces)
		if err != nil {
			return nil, wrap("store.AdviceOn", err)
		}
		texts, old = append(texts, before.ID.UUID.String(), before.ID.Text()), before
	}
	return s.adviceDone(ctx, "store.AdviceOn", ` WHERE t.first_layer = ANY ($1) AND t.voided_at IS NULL ORDER BY t.at, t.id`, texts)
}

// AdviceDoneTo lists the latest advice that was done to a printer or plate as it
// said by a time, newest first, taken back ones left out; at most limit.
func (s *Store) AdviceDoneTo(ctx context.Context, of Thing, at time.Time, limit int) ([]*farm.AdviceDone, error) {
	column, id := of.column()
	return s.adviceDone(ctx, "store.AdviceDoneTo", ` WHERE t.`+column+` = $1 AND t.at <= $2 AND t.voided_at IS NULL AND t.answer = 'done' ORDER BY t.at DESC, t.id DESC LIMIT $3`, id, at, limit)
}

// AdviceDoneSince lists the latest advice that was done as it said after from up to a
// time, newest first, taken back ones left out; at most limit.
func (s *Store) AdviceDoneSince(ctx context.Context, from, at time.Time, limit int) ([]*farm.AdviceDone, error) {
	return s.adviceDone(ctx, "store.AdviceDoneSince", ` WHERE t.at > $1 AND t.at <= $2 AND t.voided_at IS NULL AND t.answer = 'done' ORDER BY t.at DESC, t.id DESC LIMIT $3`, from, at, limit)
}

func (s *Store) adviceDone(ctx context.Context, name, rest string, args ...any) ([]*farm.AdviceDone, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindAdviceDone, rest, args...)
	if err != nil {
		return nil, wrap(name, err)
	}
	out := make([]*farm.AdviceDone, len(list))
	for i, r := range list {
		out[i] = r.(*farm.AdviceDone)
	}
	return out, nil
}

// ProofStart is one start of a printer or plate after a fix.
type ProofStart struct {
	ID      uuid.UUID
	At      time.Time
	Printer string
	Grade   string
	Failed  bool
	Nudged  bool
}

// StartsAfter gives a thing's starts after a time up to another, oldest first,
// voided ones left out; at most limit.
func (s *Store) StartsAfter(ctx context.Context, of Thing, after, to time.Time, limit int) ([]ProofStart, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column, id := of.column()
	rows, err := s.pool.Query(ctx, `SELECT f.id, f.started_at AS at, p.printer, coalesce(f.grade::text, '') AS grade, coalesce(`+failureSQL+`, false) AS failed,
			coalesce(f.nudge_mm, 0) <> 0 OR coalesce(f.decision = 'nudged', false) AS nudged
		FROM first_layers f JOIN printers p ON p.id = f.printer WHERE f.`+column+` = $1 AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL
		ORDER BY f.started_at, f.id LIMIT $4`, id, after, to, limit)
	if err != nil {
		return nil, wrap("store.StartsAfter", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[ProofStart])
	return list, wrap("store.StartsAfter", err)
}

// OpenEnd is a start of which nobody said yet what became of it.
type OpenEnd struct {
	ID       uuid.UUID
	At       time.Time
	Printer  string
	Bay      string
	Plate    string
	Job      string
	Material string
	Grade    string
	Decision string
	Followed bool // the printer has started another print since
}

// OpenEndCount is how many starts of a printer have no outcome yet.
type OpenEndCount struct {
	Printer string
	Bay     string
	Starts  int
}

// openEndsSQL are the starts f after $1 up to $2 whose outcome is not said.
const openEndsSQL = `f.started_at > $1 AND f.started_at <= $2 AND f.voided_at IS NULL AND f.outcome IS NULL AND f.unseen IS NULL`

// OpenEndCounts counts by printer the starts after from up to a time whose
// outcome is not said, voided ones left out, in no order.
func (s *Store) OpenEndCounts(ctx context.Context, from, to time.Time) ([]OpenEndCount, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.printer, coalesce(p.bay, ''), f.n FROM
			(SELECT f.printer, count(*)::int AS n FROM first_layers f WHERE `+openEndsSQL+` GROUP BY f.printer) f JOIN printers p ON p.id = f.printer`, from, to)
	if err != nil {
		return nil, wrap("store.OpenEndCounts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[OpenEndCount])
	return list, wrap("store.OpenEndCounts", err)
}

// OpenEnds lists those starts of some printers, oldest first.
func (s *Store) OpenEnds(ctx context.Context, from, to time.Time, printers []string) ([]OpenEnd, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT f.id, f.started_at AS at, p.printer, coalesce(p.bay, '') AS bay, coalesce(l.plate, '') AS plate, coalesce(j.job, '') AS job, coalesce(m.material, '') AS material,
			coalesce(f.grade::text, '') AS grade, coalesce(f.decision::text, '') AS decision,
			EXISTS (SELECT FROM first_layers n WHERE n.printer = f.printer AND n.started_at > f.started_at AND n.started_at <= $2 AND n.voided_at IS NULL) AS followed
		FROM first_layers f JOIN printers p ON p.id = f.printer LEFT JOIN plates l ON l.id = f.plate LEFT JOIN jobs j ON j.id = f.job LEFT JOIN materials m ON m.id = f.material
		WHERE `+openEndsSQL+` AND f.printer = ANY (ARRAY(SELECT id FROM printers WHERE printer = ANY ($3)))
		ORDER BY f.started_at, f.id`, from, to, printers)
	if err != nil {
		return nil, wrap("store.OpenEnds", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[OpenEnd])
	return list, wrap("store.OpenEnds", err)
}

// MostBecame is how many layers are counted by what became of them: the latest.
// More would hardly narrow a range and keep the page waiting.
const MostBecame = 50_000

// Became counts, by mark and severity, what became of the layers started after
// from up to a time about which something was decided. all is how many those
// are, open how many of them have no outcome yet.
func (s *Store) Became(ctx context.Context, from, to time.Time) (by findings.HeldByMark, all, open int, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	// One row for each decision and outcome: a row a layer would cost more than
	// counting them.
	rows, err := s.pool.Query(ctx, `SELECT decision::text, coalesce(outcome::text, ''), count(*)::int, string_agg(marks, ';') FROM (
			SELECT decision, outcome, marks FROM first_layers WHERE decision IS NOT NULL AND marks IS NOT NULL AND voided_at IS NULL
				AND started_at > $1 AND started_at <= $2 ORDER BY started_at DESC LIMIT $3) f GROUP BY decision, outcome`, from, to, MostBecame)
	if err != nil {
		return nil, 0, 0, wrap("store.Became", err)
	}
	counts := make([][3]findings.Held, len(farm.Marks))
	var decision, outcome string
	var n int
	var marks []byte
	_, err = pgx.ForEachRow(rows, []any{&decision, &outcome, &n, &marks}, func() error {
		all += n
		if decision != "stopped" && outcome == "" {
			open += n
			return nil
		}
		one := became(decision, outcome)
		for layer := range bytes.SplitSeq(marks, []byte{';'}) {
			for mark, severity := range strongest(layer) {
				if severity > 0 {
					counts[mark][severity-1].Add(one)
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, 0, 0, wrap("store.Became", err)
	}
	by = findings.HeldByMark{}
	for i, c := range counts {
		if c != [3]findings.Held{} {
			by[farm.Marks[i]] = c
		}
	}
	return by, all, open, nil
}

// became counts one layer by what was decided and what became of it.
func became(decision, outcome string) findings.Held {
	switch held := outcome == "finished"; {
	case decision == "stopped":
		return findings.Held{Stopped: 1}
	case decision == "nudged" && held:
		return findings.Held{NudgedHeld: 1}
	case decision == "nudged":
		return findings.Held{NudgedLost: 1}
	case held:
		return findings.Held{RanHeld: 1}
	}
	return findings.Held{RanLost: 1}
}

// strongest reads the highest severity of each mark, in the order of farm.Marks,
// from the text marks are stored as.
func strongest(marks []byte) (list [16]uint8) {
	for len(marks) > 3 {
		end := 3
		for end < len(marks) && marks[end] != ':' {
			end++
		}
		if end+1 >= len(marks) {
			return list
		}
		severity := marks[end+1] - '0'
		if i, ok := markNumbers[string(marks[3:end])]; ok && severity >= 1 && severity <= 3 {
			list[i] = max(list[i], severity)
		}
		marks = marks[min(len(marks), end+3):]
	}
	return list
}

var markNumbers = func() map[string]int {
	m := map[string]int{}
	for i, k := range farm.Marks {
		m[k] = i
	}
	return m
}()

// ThingOf finds a printer's or plate's number by its tag.
func (s *Store) ThingOf(ctx context.Context, kind, tag string) (Thing, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var of Thing
	column, to := "printer", &of.Printer
	if kind == "plate" {
		column, to = "plate", &of.Plate
	}
	err := s.pool.QueryRow(ctx, `SELECT id FROM `+column+`s WHERE `+column+` = $1`, tag).Scan(to)
	if errors.Is(err, pgx.ErrNoRows) {
		err = fault.New(fault.NotFound, "There is no %s %s.", column, fault.Quote(tag))
	}
	return of, wrap("store.ThingOf", err)
}
