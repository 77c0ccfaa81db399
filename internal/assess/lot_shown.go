package assess

import (
	"context"
	"fmt"
	"slices"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/internal/upkeep"
)

// LotShown is what draws tell of a question: starts for which probing or wiping was
// drawn by lot, whoever followed. Figures are failures of 100 such starts that drawing it
// spared, so that above 0 leaving it does harm.
type LotShown struct {
	Draws, Graded     int // that governed a start in the window; of them graded
	Own               trial.Effect
	Spared, Low, High float64 // by its own draws, or drawn towards the farm's where they are few
	Alone             bool    // by its own alone
}

// Causes tells whether the interval excludes that leaving it does no harm.
func (l *LotShown) Causes() bool { return l != nil && l.Low > 0 }

// Clears tells whether it excludes that leaving it does harm.
func (l *LotShown) Clears() bool { return l != nil && l.High < 0 }

// lotted are the starts of the window that draws govern, known before the last midnight, of
// probing and of wiping: by printer and by plate.
type lotted struct {
	printers, plates [2][][]trial.Governed
	drawn            [2]map[int32]int // governed starts by printer, graded or not
	drawnPlates      map[int32]int
}

var lotTasks = [2]upkeep.Task{findings.SkippedProbing: upkeep.Probe, findings.CleaningGap: upkeep.Wipe}

// lot reads the draws and finds the starts they govern.
func (a *Assessor) lot(ctx context.Context, v *view, data *store.Analysis, had *earlier, ex []exposure.Exposure) error {
	draws, err := a.store.AnalysisDraws(ctx, v.q.At, v.q.KnownAt)
	if err != nil || len(draws) == 0 {
		return err
	}
	byTag := map[string][]store.AnalysisDraw{}
	for _, d := range draws {
		byTag[d.Printer] = append(byTag[d.Printer], d)
	}
	v.governed(byTag, data, had, ex)
	return nil
}

// governed finds the starts of the window that draws of printers govern.
func (v *view) governed(byTag map[string][]store.AnalysisDraw, data *store.Analysis, had *earlier, ex []exposure.Exposure) {
	if len(byTag) == 0 {
		return
	}
	starts := data.History.Starts
	of := map[int32][]int{} // starts of printers with draws, in order
	for i := range starts {
		if _, is := byTag[v.printers[starts[i].Printer].Tag]; is {
			of[starts[i].Printer] = append(of[starts[i].Printer], i)
		}
	}
	l := &lotted{drawn: [2]map[int32]int{{}, {}}, drawnPlates: map[int32]int{}}
	for k := range l.printers {
		l.printers[k], l.plates[k] = make([][]trial.Governed, len(v.printers)), make([][]trial.Governed, len(v.plates))
	}
	midnight, from, to := v.midnight.UnixMicro(), v.from.UnixMicro(), v.to.UnixMicro()
	for printer := range int32(len(v.printers)) { // in order: sums must not depend on a map's
		list := of[printer]
		started := make([]int64, len(list), len(list)+1)
		for n, i := range list {
			started[n] = starts[i].At
		}
		left := 0 // starts that were left out: the last of them governs no draw after it
		if had != nil && had.lastStart[printer] != 0 {
			left, started = 1, slices.Insert(started, 0, had.lastStart[printer])
		}
		for k, task := range lotTasks {
			var mine []store.AnalysisDraw
			var drawn []int64
			for _, d := range byTag[v.printers[printer].Tag] {
				if d.Task == string(task) {
					mine, drawn = append(mine, d), append(drawn, d.At)
				}
			}
			for n, s := range trial.Governs(drawn, started) {
				if s < left {
					continue
				}
				i := list[s-left]
				x, e := &starts[i], &ex[i]
				if x.At <= from || x.At > to || x.At >= midnight {
					continue
				}
				l.drawn[k][printer]++
				if task == upkeep.Wipe && e.Plate >= 0 {
					l.drawnPlates[e.Plate]++
				}
				if !data.Labels[i].Graded || x.GradedAt >= midnight {
					continue
				}
				g := trial.Governed{Do: mine[n].Do, Chance: mine[n].Chance, Did: e.PrintsSinceProbe == 0, Failed: x.Failed}
				if task == upkeep.Wipe {
					g.Did = e.PrintsSinceClean == 0
					if e.Plate >= 0 {
						l.plates[k][e.Plate] = append(l.plates[k][e.Plate], g)
					}
				}
				l.printers[k][printer] = append(l.printers[k][printer], g)
			}
		}
	}
	v.lotted = l
}

// shown gives what draws tell of every question that has some, by its number.
func (l *lotted) shown(printers int) map[int]*LotShown {
	out := map[int]*LotShown{}
	if l == nil {
		return out
	}
	put := func(lists [][]trial.Governed, at func(i int) int, drawn map[int32]int) {
		_, each := trial.Pool(lists, 0.95)
		for i, list := range lists {
			if drawn[int32(i)] == 0 {
				continue
			}
			s := &LotShown{Draws: drawn[int32(i)], Graded: len(list), Own: trial.Estimate(list, 0.95)}
			s.Spared, s.Low, s.High = each[i].Spared, each[i].Low, each[i].High
			if s.Own.Enough() {
				s.Alone = true
				s.Spared, s.Low, s.High = s.Own.Drawn, s.Own.Low, s.Own.High
			}
			out[at(i)] = s
		}
	}
	for k := range lotTasks {
		put(l.printers[k], func(i int) int { return 2*i + k }, l.drawn[k])
	}
	put(l.plates[findings.CleaningGap], func(i int) int { return 2*printers + i }, l.drawnPlates)
	return out
}

// lotWords says where what the lot shows and what was observed do not go together; "" where
// they do.
func (f *Finding) lotWords() string {
	task := "probing"
	if f.Cause == "cleaning_gap" {
		task = "wiping"
	}
	switch l := f.Lot; {
	case (f.State == "raised" || f.State == "watching") && !f.Reverse && l.Clears():
		return fmt.Sprintf("The lot contradicts what was observed: where %s was drawn by lot it spared no failures. The lot cannot be misled by who skips when; trust it, and look for what else goes with the skips. ", task)
	case (f.State == "quiet" || f.Reverse) && l.Causes():
		return fmt.Sprintf("The lot contradicts what was observed: where %s was drawn by lot it spared failures. The lot cannot be misled by who skips when. ", task)
	}
	return ""
}
