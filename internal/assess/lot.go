package assess

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/internal/upkeep"
)

// lots is what the standing lot of a farm goes by, as of a time.
type lots struct {
	at       time.Time
	limit    float64 // share of a failure's cost; 0: nothing new is drawn
	secret   []byte
	precious map[string]bool // printers whose next start may be worth more than is left to a lot
	drawn    map[string][]store.Drawn
	tests    []*farm.PlannedTest // running then
}

// lots reads it, for some printers or all (none named); st as of the same time.
func (a *Assessor) lots(ctx context.Context, set farm.SettingValues, q AsOf, st *store.Standing, printers ...string) (*lots, error) {
	l := &lots{at: q.At, drawn: st.Drawn}
	var err error
	if l.tests, err = a.store.RunningTests(ctx, q.At); err != nil {
		return nil, err
	}
	if !q.KnownAt.IsZero() {
		l.tests = slices.DeleteFunc(l.tests, func(t *farm.PlannedTest) bool { return t.ArrivedAt.After(q.KnownAt) })
	}
	off := set.Text("standing_lot") != "on" || set.Number("lot_limit") == 0
	if off && len(l.tests) == 0 {
		return l, nil // what was drawn already stands
	}
	if l.secret, err = a.lotSecret(ctx); err != nil || off {
		return l, err
	}
	l.limit = set.Number("lot_limit")
	l.precious, err = a.store.PrintersOfJobsAbove(ctx, q.At, set.Number("lot_job_value"), printers)
	return l, err
}

// lotSecret is the farm's secret, which never changes once it is made.
func (a *Assessor) lotSecret(ctx context.Context) ([]byte, error) {
	a.mu.Lock()
	secret := a.secret
	a.mu.Unlock()
	if secret != nil {
		return secret, nil
	}
	secret, err := a.store.LotSecret(ctx)
	if err == nil && secret != nil {
		a.mu.Lock()
		a.secret = secret
		a.mu.Unlock()
	}
	return secret, err
}

// madeSecret is the farm's secret, made where there is none yet.
func (a *Assessor) madeSecret(ctx context.Context) ([]byte, error) {
	secret, err := a.lotSecret(ctx)
	if err != nil || secret != nil {
		return secret, err
	}
	if err := a.store.EnsureLotSecret(ctx); err != nil {
		return nil, err
	}
	return a.lotSecret(ctx)
}

// tested is what planned tests drew or draw for a printer's next start, and whether there
// is a test that it belongs to. Such a start is left to no other lot: a draw of the standing
// lot, once known, would take the start away from the test.
func (l *lots) tested(tag, plate string, lastStart int64) (draws []store.TestDraw, tested bool) {
	if l == nil || len(l.tests) == 0 {
		return nil, false
	}
	p := store.TestPlace{Printer: tag, Plate: plate}
	if lastStart != 0 {
		p.Last = time.UnixMicro(lastStart)
	}
	return store.TestDrawsOf(l.tests, l.drawn[tag], l.secret, p, l.at), slices.ContainsFunc(l.tests, p.Concerns)
}

// of is the lot of a printer's next start; nil without one.
func (l *lots) of(tag, plate string, lastStart int64) *upkeep.Lot {
	if l == nil {
		return nil
	}
	out := &upkeep.Lot{Limit: l.limit, Number: func(t upkeep.Task) float64 { return trial.Number(l.secret, tag, lastStart, string(t)) }}
	draws, tested := l.tested(tag, plate, lastStart)
	if l.precious[tag] || tested {
		out.Limit = 0
	}
	for _, d := range draws {
		if !d.Kept {
			out.Held = append(out.Held, upkeep.Drawn{Task: upkeep.Task(d.Test.Task), Do: d.Do, Chance: d.Test.Share, Saves: farm.Unknown(), Why: d.Test.ID.UUID.String()})
		}
	}
	for _, task := range []upkeep.Task{upkeep.Probe, upkeep.Wipe} {
		var list []store.Drawn
		var times []int64
		for _, d := range l.drawn[tag] {
			if d.Task == string(task) {
				list, times = append(list, d), append(times, d.At.UnixMicro())
			}
		}
		if k := trial.Holds(times, lastStart, l.at.UnixMicro()); k >= 0 {
			d := upkeep.Drawn{Task: task, Do: list[k].Arm == "do", Chance: list[k].Chance, Saves: list[k].Saves}
			if list[k].Why != farm.DrawnLot {
				d.Why = list[k].Why
			}
			out.Held = append(out.Held, d)
		} else if slices.ContainsFunc(times, func(t int64) bool { return t > lastStart && t <= l.at.UnixMicro() }) {
			out.Spent = append(out.Spent, task) // it waited too long: nothing is drawn again
		}
	}
	return out
}

// fresh are the draws of a printer's next start that are not recorded yet, as records.
func (v *view) fresh(l *lots, st *store.Standing, n *ahead, drawn []upkeep.Drawn, at time.Time) (out []farm.Draw) {
	standing := v.standing(st, n)
	tag, plate := v.tags(n)
	tests, _ := l.tested(tag, plate, n.lastStart)
	for i := range tests {
		if x := &tests[i]; !x.Kept && standing.Free(upkeep.Task(x.Test.Task)) {
			if d, err := x.Record(at, ""); err == nil { // an id of the program's own making has its form
				out = append(out, d)
			}
		}
	}
	for _, x := range drawn {
		if x.Kept || !standing.Free(x.Task) {
			continue
		}
		id, err := farm.NewID(farm.KindDraw, trial.ID(tag, n.lastStart, string(x.Task)))
		if err != nil {
			continue // an id of the program's own making has its form
		}
		d := farm.Draw{ID: id, Printer: tag, Plate: plate, Task: string(x.Task), DrawnAt: at, Arm: "leave", Chance: x.Chance, Saves: x.Saves, Why: farm.DrawnLot}
		if x.Do {
			d.Arm = "do"
		}
		out = append(out, d)
	}
	return out
}

// record keeps draws before anybody is shown what they say, so that each start's stands
// whoever follows it. Commands that only look record nothing.
func (a *Assessor) record(ctx context.Context, draws []farm.Draw) error {
	if len(draws) == 0 || !a.draws.Load() {
		return nil
	}
	return a.store.KeepDraws(ctx, store.Act{Via: "program", Why: "drawn by lot"}, draws)
}

// Draws makes an assessor one that records what the lot decides, as a server's does.
func (a *Assessor) Draws(ctx context.Context) error {
	if err := a.store.EnsureLotSecret(ctx); err != nil {
		return err
	}
	a.draws.Store(true)
	return nil
}
