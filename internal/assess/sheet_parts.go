package assess

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/stats"
	"basecourse/internal/store"
)

// SheetStrata is the comparison within the strata of one factor, restarts left out.
type SheetStrata struct {
	By          string    `json:"by"` // plate, printer, material, grader, week
	OddsRatio   figure    `json:"odds_ratio"`
	Low         figure    `json:"low"`
	High        figure    `json:"high"`
	P           figure    `json:"p_value"` // one-sided for harm
	Alike       figure    `json:"alike_p_value"`
	Strata      int       `json:"strata"`
	Informative int       `json:"informative"` // with layers and outcomes on both sides
	Largest     []Stratum `json:"largest"`     // people have none of their own
}

// Stratum is one two by two table.
type Stratum struct {
	Name          string `json:"name"`
	ExposedFailed int    `json:"exposed_failed"`
	ExposedHeld   int    `json:"exposed_held"`
	RestFailed    int    `json:"rest_failed"`
	RestHeld      int    `json:"rest_held"`
}

// mostStrata is how many strata are listed of a factor.
const mostStrata = 12

// Variant is the answer with something taken otherwise, the whole farm fitted again.
type Variant struct {
	Code    string `json:"code"`    // late_left_out, missing_skipped, missing_unknown, strict_left_out
	Changes int    `json:"changes"` // layers of the subject that count otherwise
	Farm    int    `json:"farm_changes"`
	Graders int    `json:"graders"` // left out
	Fitted  bool   `json:"fitted"`  // false: nothing of the farm counts otherwise, so the answer is the same
	SheetAnswer
}

// side of a layer in a comparison.
func side(l *layer, probing bool, split float64) (exposed, compared bool) {
	if probing {
		return l.skipped == exposure.Yes, l.skipped == exposure.Yes || l.state == exposure.StateValid
	}
	return float64(l.gap) > split, l.gap >= 0
}

// subjects fills in what is counted over the subject's layers: who is left out, the
// strata, the marks.
func (w *sheetWork) subjects(f *Finding, s *Sheet) {
	v := w.base
	subject, probing := v.index(f), f.Cause == "skipped_probing"
	first, _ := span(w.data.History.Starts, v.from.UnixMicro(), v.to.UnixMicro())
	other := "plate"
	if f.Kind == "plate" {
		other = "printer"
	}
	factors := []string{other, "material", "grader", "week"}
	tables := make([]map[string]*stats.Table, len(factors))
	for k := range tables {
		tables[k] = map[string]*stats.Table{}
	}
	var ungraded, unknownExposure, void, restarts, since int
	var marks [16]SheetMark
	names := make([]string, len(factors))
	for i := range v.layers {
		l := &v.layers[i]
		at := l.printer
		if f.Kind == "plate" {
			at = l.plate
		}
		if at != subject {
			continue
		}
		start := v.from.Add(time.Duration(l.at) * time.Second)
		if !start.Before(v.midnight) {
			since++
		}
		if !l.graded {
			ungraded++
			continue
		}
		exposed, compared := side(l, probing, v.gapSplit)
		switch {
		case probing && l.skipped == exposure.Unknown, !probing && l.gap < 0:
			unknownExposure++
		case !compared:
			void++
		}
		for k := range farm.Marks {
			if l.marks&(1<<k) == 0 || !compared {
				continue
			}
			switch m := &marks[k]; {
			case l.failed && exposed:
				m.FailedExposed++
			case l.failed:
				m.FailedRest++
			case exposed:
				m.GoodExposed++
			default:
				m.GoodRest++
			}
		}
		if !compared {
			continue
		}
		if l.restart {
			restarts++
			continue
		}
		names[0], names[1], names[2] = "none known", "none noted", "none noted"
		if f.Kind == "plate" {
			names[0] = v.printers[l.printer].Tag
		} else if l.plate >= 0 {
			names[0] = v.plates[l.plate].Tag
		}
		label := &w.data.Labels[first+i]
		if label.Material >= 0 && int(label.Material) < len(w.data.MaterialNames) {
			names[1] = w.data.MaterialNames[label.Material]
		}
		if label.Grader >= 0 {
			names[2] = fmt.Sprint(label.Grader)
		}
		year, week := start.In(w.zone).ISOWeek()
		names[3] = fmt.Sprintf("%d-W%02d", year, week)
		for k, name := range names {
			t := tables[k][name]
			if t == nil {
				t = &stats.Table{}
				tables[k][name] = t
			}
			switch {
			case exposed && l.failed:
				t.A++
			case exposed:
				t.B++
			case l.failed:
				t.C++
			default:
				t.D++
			}
		}
	}
	s.Exclusions = []Exclusion{{"ungraded", ungraded, "rates"}, {"unknown_exposure", unknownExposure, "comparison"}}
	if probing {
		s.Exclusions = append(s.Exclusions, Exclusion{"void_probe", void, "comparison"})
	}
	s.Exclusions = append(s.Exclusions, Exclusion{"restart", restarts, "adjusted"}, Exclusion{"since_midnight", since, "adjusted"})
	for k, mark := range farm.Marks {
		if m := marks[k]; m != (SheetMark{}) {
			m.Mark = mark
			s.Marks = append(s.Marks, m)
		}
	}
	for k, by := range factors {
		s.Stratified = append(s.Stratified, strataOf(by, tables[k]))
	}
}

// strataOf analyses the tables of one factor.
func strataOf(by string, tables map[string]*stats.Table) SheetStrata {
	out := SheetStrata{By: by, Strata: len(tables), Largest: []Stratum{}}
	var list []stats.Table
	for name, t := range tables {
		if a, b := t.A+t.B, t.C+t.D; a > 0 && b > 0 && t.A+t.C > 0 && t.B+t.D > 0 {
			out.Informative++
		}
		out.Largest = append(out.Largest, Stratum{name, t.A, t.B, t.C, t.D})
	}
	size := func(x *Stratum) int { return x.ExposedFailed + x.ExposedHeld + x.RestFailed + x.RestHeld }
	slices.SortFunc(out.Largest, func(a, b Stratum) int { return cmp.Or(cmp.Compare(size(&b), size(&a)), cmp.Compare(a.Name, b.Name)) })
	for _, x := range out.Largest { // in one order, so that sums have the same digits
		list = append(list, stats.Table{A: x.ExposedFailed, B: x.ExposedHeld, C: x.RestFailed, D: x.RestHeld})
	}
	switch {
	case by == "grader": // people are never compared with each other
		out.Largest = []Stratum{}
	case by == "week":
		slices.SortFunc(out.Largest, func(a, b Stratum) int { return cmp.Compare(a.Name, b.Name) })
	case len(out.Largest) > mostStrata:
		out.Largest = out.Largest[:mostStrata]
	}
	m, b := stats.MantelHaenszelOf(list, 0.95), stats.BreslowDayOf(list)
	out.OddsRatio, out.Low, out.High, out.P, out.Alike = figure(m.OddsRatio), figure(m.Limits.Low), figure(m.Limits.High), figure(m.PGreater), figure(b.PTarone)
	return out
}

// sensitivity answers the questions again with something taken otherwise.
func (w *sheetWork) sensitivity(ctx context.Context, sheets []*Sheet) error {
	// Records left out shift what is skipped after them: the farm is read anew.
	late, err := w.a.store.AnalysisOnTime(ctx, w.q.At, w.q.KnownAt)
	if err != nil {
		return err
	}
	missing := len(w.data.History.Starts) - len(late.History.Starts)
	h, l := &w.data.History, &late.History
	all := missing + len(h.Probes) - len(l.Probes) + len(h.Skips) - len(l.Skips) + len(h.Cleanings) - len(l.Cleanings) + len(h.Fittings) - len(l.Fittings) + len(h.Services) - len(l.Services)
	v := w.variant(late, all > 0)
	for _, s := range sheets {
		if s != nil {
			n := s.Coverage.Started - v.started(s)
			s.Exclusions = append(s.Exclusions, Exclusion{"late", n, "nothing"})
			s.Sensitivity = append(s.Sensitivity, w.answer(v, s, Variant{Code: "late_left_out", Changes: n, Farm: all, Fitted: all > 0}))
		}
	}
	for _, x := range []struct {
		code string
		all  bool
	}{{"missing_skipped", true}, {"missing_unknown", false}} {
		if err := ctx.Err(); err != nil {
			return err
		}
		other := *w.data
		other.History.RecordsAll = make([]bool, len(w.data.History.RecordsAll))
		changed := false
		for i, was := range w.data.History.RecordsAll {
			other.History.RecordsAll[i] = x.all
			changed = changed || was != x.all
		}
		v := w.variant(&other, changed)
		total := 0
		for i := range v.layers {
			if v.layers[i].skipped != w.base.layers[i].skipped {
				total++
			}
		}
		for _, s := range sheets {
			if s != nil {
				s.Sensitivity = append(s.Sensitivity, w.answer(v, s, Variant{Code: x.code, Changes: w.skipsChanged(v, s), Farm: total, Fitted: changed}))
			}
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	strict := strictGraders(w.fit.layers, w.data.Graders)
	other := *w.data
	other.Labels = slices.Clone(w.data.Labels)
	total := 0
	for i := range other.Labels {
		if g := &other.Labels[i]; g.Graded && g.Grader >= 0 && strict[g.Grader] {
			g.Graded = false
			total++
		}
	}
	graders := 0
	for _, is := range strict {
		if is {
			graders++
		}
	}
	v = w.variant(&other, total > 0)
	for _, s := range sheets {
		if s != nil {
			n := s.Coverage.Graded - v.graded(s)
			s.Sensitivity = append(s.Sensitivity, w.answer(v, s, Variant{Code: "strict_left_out", Changes: n, Farm: total, Graders: graders, Fitted: total > 0}))
		}
	}
	return nil
}

// variant is the farm counted and, where it is another, fitted over the same windows.
func (w *sheetWork) variant(data *store.Analysis, fitted bool) *view {
	if !fitted {
		return w.base
	}
	q := w.q
	q.From, q.To = w.base.from, w.base.to
	v, zone := begun(q, data)
	v.fitFrom, v.fitTo = w.fit.from, w.fit.to
	v.unthinned, v.credulous = w.base.unthinned, w.base.credulous
	ex := exposure.Of(&data.History)
	v.window(data, ex)
	v.count()
	g, all := gather(v, data, knownBefore(data, v.midnight, ex), zone)
	if v.fit = fitOnly(g); all != nil {
		v.chosen = fitOnly(all)
	}
	return v
}

// answer is a variant's answer to a sheet's question; too_little_data where it is not asked.
func (w *sheetWork) answer(v *view, s *Sheet, out Variant) Variant {
	i := v.asked(About{s.SubjectKind, s.Subject, s.Cause})
	if i < 0 {
		none := Finding{State: "too_little_data", OddsRatio: unknown, OddsLow: unknown, OddsHigh: unknown, P: unknown, Q: unknown, Avoidable: unknown, AvoidableLow: unknown, AvoidableHigh: unknown}
		out.SheetAnswer = answerOf(&none)
		return out
	}
	f := v.finding(i)
	out.SheetAnswer = answerOf(&f)
	return out
}

func (v *view) tallyOf(s *Sheet) *counts {
	at := v.index(&Finding{Kind: s.SubjectKind, Subject: s.Subject})
	switch {
	case at < 0:
		return &counts{}
	case s.SubjectKind == "plate":
		return &v.byPlate[at]
	}
	return &v.byPrinter[at]
}

func (v *view) started(s *Sheet) int { return v.tallyOf(s).started }
func (v *view) graded(s *Sheet) int  { return v.tallyOf(s).graded }

// skipsChanged counts the subject's layers whose missing probe counts otherwise.
func (w *sheetWork) skipsChanged(v *view, s *Sheet) int {
	at, n := w.base.index(&Finding{Kind: s.SubjectKind, Subject: s.Subject}), 0
	for i := range w.base.layers {
		l := &w.base.layers[i]
		subject := l.printer
		if s.SubjectKind == "plate" {
			subject = l.plate
		}
		if subject == at && l.skipped != v.layers[i].skipped {
			n++
		}
	}
	return n
}

// strictGraders tells who fails more layers of the same printers than the others do.
func strictGraders(l *findings.Layers, graders int) []bool {
	type pair struct{ printer, grader int32 }
	by, of := map[pair]*[2]int{}, map[int32]*[2]int{} // failed, held
	for i := range l.At {
		k := 1
		if l.Failed[i] {
			k = 0
		}
		if of[l.Printer[i]] == nil {
			of[l.Printer[i]] = &[2]int{}
		}
		of[l.Printer[i]][k]++
		if l.Grader[i] >= 0 {
			p := pair{l.Printer[i], l.Grader[i]}
			if by[p] == nil {
				by[p] = &[2]int{}
			}
			by[p][k]++
		}
	}
	pairs := make([]pair, 0, len(by))
	for p := range by {
		pairs = append(pairs, p)
	}
	slices.SortFunc(pairs, func(a, b pair) int { return cmp.Or(cmp.Compare(a.grader, b.grader), cmp.Compare(a.printer, b.printer)) })
	tables := make([][]stats.Table, graders)
	for _, p := range pairs {
		own, all := by[p], of[p.printer]
		tables[p.grader] = append(tables[p.grader], stats.Table{A: own[0], B: own[1], C: all[0] - own[0], D: all[1] - own[1]})
	}
	out := make([]bool, graders)
	for g, list := range tables {
		out[g] = stats.MantelHaenszelOf(list, 0.99).Limits.Low > 1
	}
	return out
}
