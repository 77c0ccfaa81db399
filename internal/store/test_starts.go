package store

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/trial"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// TestStart is a start that a planned test's draw governs, as it was drawn.
type TestStart struct {
	Drawn    time.Time
	Do       bool
	ID       uuid.UUID
	Printer  string
	At       time.Time
	Graded   bool
	Failed   bool
	Followed bool // what was drawn is what the records show
}

// seenDone tells of a start f, whose printer started before at before, whether a task was
// done before it.
var seenDone = map[string]string{
	"probe": `(f.probed = 'yes' OR EXISTS (SELECT FROM probes x WHERE x.printer = f.printer AND x.probed_at > f.before AND x.probed_at <= f.started_at
		AND x.extent IS DISTINCT FROM 'zero' AND x.voided_at IS NULL))`,
	"wipe":       `EXISTS (SELECT FROM cleanings x WHERE x.plate = f.plate AND x.cleaned_at > f.before AND x.cleaned_at <= f.started_at AND x.method <> 'coat' AND x.voided_at IS NULL)`,
	"swap_plate": `coalesce(f.plate <> f.plate_before, false)`,
	"turn_plate": `coalesce(f.plate_turned <> f.turned_before, false)`,
}

// TestStarts lists the starts that draws of a planned test govern, up to a time, in their
// order (trial.Governs: of several draws for one start the first counts, whatever it was drawn
// for). waiting is how many of its draws no start followed.
func (s *Store) TestStarts(ctx context.Context, t *farm.PlannedTest, until time.Time) (list []TestStart, waiting int, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	names := []string{t.ID.UUID.String(), t.ID.Text()}
	type draw struct {
		printer string
		at      time.Time
		do      bool
		mine    bool
	}
	type start struct {
		printer string
		at      time.Time
		x       TestStart
		done    bool
	}
	batch := &pgx.Batch{}
	const mine = `(SELECT DISTINCT printer FROM draws WHERE why = ANY ($1) AND voided_at IS NULL)`
	draws, starts := map[string][]draw{}, map[string][]start{}
	var printers []string
	batch.Queue(`SELECT p.printer, d.drawn_at, d.arm = 'do', d.why = ANY ($1) FROM draws d JOIN printers p ON p.id = d.printer
		WHERE d.printer IN `+mine+` AND d.task::text = $2 AND d.drawn_at >= $3 AND d.drawn_at <= $4 AND d.voided_at IS NULL ORDER BY p.printer, d.drawn_at, d.id`,
		names, t.Task, t.BeginsAt, until).Query(func(rows pgx.Rows) error {
		var d draw
		_, err := pgx.ForEachRow(rows, []any{&d.printer, &d.at, &d.do, &d.mine}, func() error {
			if draws[d.printer] == nil {
				printers = append(printers, d.printer)
			}
			draws[d.printer] = append(draws[d.printer], d)
			return nil
		})
		return err
	})
	batch.Queue(`SELECT p.printer, f.id, f.started_at, f.grade IS NOT NULL, coalesce(`+failureSQL+`, false), coalesce(`+seenDone[t.Task]+`, false) FROM (
			SELECT f.*, coalesce(lag(f.started_at) OVER w, $2) AS before, lag(f.plate) OVER w AS plate_before, lag(f.plate_turned) OVER w AS turned_before FROM first_layers f
			WHERE f.printer IN `+mine+` AND f.started_at >= $2 AND f.started_at <= $3 AND f.voided_at IS NULL WINDOW w AS (PARTITION BY f.printer ORDER BY f.started_at, f.id)) f
		JOIN printers p ON p.id = f.printer ORDER BY p.printer, f.started_at, f.id`, names, t.BeginsAt, until).Query(func(rows pgx.Rows) error {
		var x start
		_, err := pgx.ForEachRow(rows, []any{&x.printer, &x.x.ID, &x.at, &x.x.Graded, &x.x.Failed, &x.done}, func() error {
			starts[x.printer] = append(starts[x.printer], x)
			return nil
		})
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, 0, wrap("store.TestStarts", err)
	}
	for _, p := range printers {
		var at, started []int64
		for _, d := range draws[p] {
			at = append(at, d.at.UnixMicro())
		}
		for _, x := range starts[p] {
			started = append(started, x.at.UnixMicro())
		}
		for i, k := range trial.Governs(at, started) {
			d := &draws[p][i]
			switch {
			case !d.mine:
			case k < 0:
				waiting++
			default:
				x := starts[p][k].x
				x.Drawn, x.Do, x.Printer, x.At, x.Followed = d.at, d.do, p, starts[p][k].at, starts[p][k].done == d.do
				list = append(list, x)
			}
		}
	}
	inOrderOfStart(list)
	return list, waiting, nil
}

func inOrderOfStart(list []TestStart) {
	slices.SortFunc(list, func(a, b TestStart) int {
		return cmp.Or(a.At.Compare(b.At), bytes.Compare(a.ID[:], b.ID[:]))
	})
}
