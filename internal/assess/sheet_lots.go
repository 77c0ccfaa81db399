package assess

import (
	"cmp"
	"context"
	"slices"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
)

// SheetLots is what lots tell of the question.
type SheetLots struct {
	Starts *SheetDrawn `json:"starts"` // of the window, by the standing lot and planned tests; null: none
	Tests  []SheetTest `json:"planned_tests"`
}

// SheetDrawn is LotShown.
type SheetDrawn struct {
	Drawn    int      `json:"drawn"`
	Graded   int      `json:"graded"`
	Done     SheetArm `json:"done"`
	Left     SheetArm `json:"left"`
	Followed figure   `json:"followed_per_100"`
	Spared   figure   `json:"spared_per_100"`
	Low      figure   `json:"low"`
	High     figure   `json:"high"`
	Alone    bool     `json:"by_its_own"` // false: drawn towards the farm's other draws
}

// SheetArm counts graded starts as drawn.
type SheetArm struct {
	Graded   int `json:"graded"`
	Failures int `json:"failures"`
}

// SheetTest is a planned test of the finding as of the sheet's time.
type SheetTest struct {
	Test     string   `json:"test"`
	Task     string   `json:"task"`
	Begun    stamp    `json:"begun_at"`
	Ended    *stamp   `json:"ended_at"`
	EndIs    string   `json:"end_is"`
	Size     int      `json:"size"` // graded starts
	Share    figure   `json:"share"`
	Drawn    int      `json:"drawn"` // starts that its draws govern
	Done     SheetArm `json:"done"`
	Left     SheetArm `json:"left"`
	Spared   figure   `json:"spared_per_100"`
	Low      figure   `json:"low"`
	High     figure   `json:"high"`
	P        figure   `json:"p_value"`
	Crossed  int      `json:"honest_to_stop_after"` // graded starts; 0 not yet
	Standing string   `json:"standing"`             // shown, not_shown, too_little; running: not over
}

func armOf(a trial.Arm) SheetArm { return SheetArm{a.Starts, a.Failures} }

func lotsShown(l *LotShown) *SheetDrawn {
	if l == nil {
		return nil
	}
	return &SheetDrawn{l.Draws, l.Graded, armOf(l.Own.Do), armOf(l.Own.Leave), figure(l.Own.Followed), figure(l.Spared), figure(l.Low), figure(l.High), l.Alone}
}

// lots reads the draws, where the definitions know of them.
func (w *sheetWork) lots(ctx context.Context) error {
	if w.version < 2 {
		return nil
	}
	draws, err := w.a.store.AnalysisDraws(ctx, w.q.At, w.q.KnownAt)
	if err != nil {
		return err
	}
	w.draws = map[string][]store.AnalysisDraw{}
	for _, d := range draws {
		w.draws[d.Printer] = append(w.draws[d.Printer], d)
	}
	w.base.governed(w.draws, w.data, nil, w.ex)
	w.base.shown, w.base.lotted = w.base.lotted.shown(len(w.base.printers)), nil
	return nil
}

// tests are the planned tests of a finding; which starts their draws govern is told as
// store.TestStarts does, from what was known.
func (w *sheetWork) tests(ctx context.Context, about About) ([]SheetTest, error) {
	out := []SheetTest{}
	list, err := w.a.store.TestsKnown(ctx, about.Kind, about.Subject, about.Cause, w.q.At, w.q.KnownAt)
	if err != nil {
		return nil, err
	}
	for _, t := range list {
		out = append(out, w.test(t))
	}
	return out, nil
}

func (w *sheetWork) test(t *farm.PlannedTest) SheetTest {
	until, running := w.q.At, true
	if !t.EndedAt.IsZero() {
		until, running = t.EndedAt, false
	}
	from, to := t.BeginsAt.UnixMicro(), until.UnixMicro()
	type one struct {
		start int
		do    bool
	}
	var all []one
	starts := w.data.History.Starts
	for p := range w.base.printers {
		var draws []store.AnalysisDraw
		var drawn, started []int64
		var of []int
		mine := func(d store.AnalysisDraw) bool { return d.Why == t.ID.UUID.String() || d.Why == t.ID.Text() }
		for _, d := range w.draws[w.base.printers[p].Tag] {
			if d.Task == t.Task && d.At >= from && d.At <= to {
				draws, drawn = append(draws, d), append(drawn, d.At)
			}
		}
		if !slices.ContainsFunc(draws, mine) {
			continue
		}
		for i := range starts {
			if x := &starts[i]; int(x.Printer) == p && x.At >= from && x.At <= to {
				of, started = append(of, i), append(started, x.At)
			}
		}
		for k, s := range trial.Governs(drawn, started) {
			if s >= 0 && mine(draws[k]) {
				all = append(all, one{of[s], draws[k].Do})
			}
		}
	}
	slices.SortFunc(all, func(x, y one) int { return cmp.Compare(x.start, y.start) })
	var graded []trial.One
	for _, x := range all {
		if w.data.Labels[x.start].Graded {
			graded = append(graded, trial.One{Do: x.do, Failed: starts[x.start].Failed})
		}
	}
	n := trial.Count(graded, t.Starts, t.Share, uint64(t.BeginsAt.UnixMicro()))
	out := SheetTest{Test: t.ID.UUID.String(), Task: t.Task, Begun: stamp(t.BeginsAt.UTC()), EndIs: t.EndIs, Size: t.Starts, Share: figure(t.Share), Drawn: len(all), Done: armOf(n.Do), Left: armOf(n.Leave),
		Spared: figure(-100 * n.Result.Diff), Low: figure(-100 * n.Result.Limits.High), High: figure(-100 * n.Result.Limits.Low), P: figure(n.Result.P), Crossed: n.Crossed, Standing: standingOf(&n, running)}
	if !running {
		end := stamp(t.EndedAt.UTC())
		out.Ended = &end
	}
	return out
}

// standingOf says a test's standing by its rule.
func standingOf(n *trial.Counted, running bool) string {
	switch {
	case running:
		return "running"
	case n.Shown:
		return "shown"
	case n.Full:
		return "not_shown"
	}
	return "too_little"
}
