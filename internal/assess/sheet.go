package assess

import (
	"context"
	"encoding/json"
	"strconv"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/fault"
	"basecourse/internal/findings"
	"basecourse/internal/stats"
	"basecourse/internal/store"
)

// DefinitionsVersion numbers how an evidence sheet comes about: the definitions, the
// method and the words of its text. Whoever changes any of them counts it up, so that
// a sheet kept before says that it was worked out otherwise.
//
// A sheet that was kept is worked out anew by its own version: 1 had nothing of lots, up
// to 2 the model of a large farm was fitted to all its layers, up to 3 a plate was not
// known to get dull without harm.
const DefinitionsVersion = 4

// About names a question.
type About struct{ Kind, Subject, Cause string }

// Sheet is all that a finding rests on as of a time and as known at a time. Its JSON
// follows from the records alone, byte for byte.
type Sheet struct {
	Definitions SheetDefinitions `json:"definitions"`
	SubjectKind string           `json:"subject_kind"`
	Subject     string           `json:"subject"`
	Cause       string           `json:"cause"`
	AsOf        stamp            `json:"as_of"`
	KnownAt     stamp            `json:"known_at"`
	Window      SheetWindow      `json:"window"`
	FitWindow   SheetWindow      `json:"fit_window"`
	TimeZone    string           `json:"time_zone"`
	State       string           `json:"state"`
	Reverse     bool             `json:"reverse"`
	Case        *string          `json:"case"` // where it stood then; null: none
	CaseTrail   []SheetStep      `json:"case_trail"`
	Summary     string           `json:"summary"`
	Farm        SheetFarm        `json:"farm"`
	Coverage    SheetCoverage    `json:"coverage"`
	Exclusions  []Exclusion      `json:"exclusions"`
	GapSplit    figure           `json:"gap_split"`
	Counts      []SheetCell      `json:"counts"`
	Plain       SheetPlain       `json:"plain"`
	Adjusted    SheetAnswer      `json:"adjusted"`
	ByChoice    *SheetByChoice   `json:"by_choice"`              // null: no look list is in use
	Lots        *SheetLots       `json:"drawn_by_lot,omitempty"` // not in version 1
	Why         string           `json:"why_they_differ"`
	Stratified  []SheetStrata    `json:"stratified"`
	Curve       []SheetPoint     `json:"gap_curve"`
	Marks       []SheetMark      `json:"marks"`
	Sensitivity []Variant        `json:"sensitivity"`
	ChangeMind  ChangeMind       `json:"what_would_change_it"`
}

// SheetDefinitions is by what it was worked out.
type SheetDefinitions struct {
	Version int        `json:"version"`
	Words   []WordMean `json:"words"`
	Method  string     `json:"method"`
}

// WordMean is a word and what it means.
type WordMean struct {
	Word  string `json:"word"`
	Means string `json:"means"`
}

// SheetWindow is from < started_at <= to.
type SheetWindow struct {
	From stamp `json:"from"`
	To   stamp `json:"to"`
}

// SheetFarm counts the whole farm's layers of the window. Digest is the SHA-256 of all
// that the fit rests on: where it is the same and a figure is not, the method changed.
type SheetFarm struct {
	FirstLayers        int    `json:"first_layers"`
	Graded             int    `json:"graded"`
	Failures           int    `json:"failures"`
	FalseDiscoveryRate figure `json:"false_discovery_rate"`
	LeastAvoidable     figure `json:"least_avoidable"`
	Digest             string `json:"digest"`
}

// SheetCoverage is how many of the subject's started layers were graded.
type SheetCoverage struct {
	Started int    `json:"started"`
	Graded  int    `json:"graded"`
	Share   figure `json:"share"`
}

// Exclusion counts layers of the subject that are out of something: code is ungraded,
// unknown_exposure, void_probe, restart, late, since_midnight or voided.
type Exclusion struct {
	Code   string `json:"code"`
	Layers int    `json:"layers"`
	OutOf  string `json:"out_of"` // rates, comparison, adjusted, nothing, all
}

// SheetCell is one group of what was counted; see Cell.
type SheetCell struct {
	Code     string `json:"code"`
	Low      *int   `json:"prints_since_clean_from"`
	High     *int   `json:"prints_since_clean_to"`
	Started  int    `json:"started"`
	Graded   int    `json:"graded"`
	Failures int    `json:"failures"`
	Rate     figure `json:"rate"`
	RateLow  figure `json:"rate_low"`
	RateHigh figure `json:"rate_high"`
}

// SheetPlain is the difference as counted, failures per 100: exposed less the others.
type SheetPlain struct {
	Difference figure `json:"difference_per_100"`
	Low        figure `json:"low"`
	High       figure `json:"high"`
}

// SheetAnswer is a question's answer.
type SheetAnswer struct {
	State           string `json:"state"`
	N               int    `json:"n"`
	Failures        int    `json:"failures"`
	NExposed        int    `json:"n_exposed"`
	FailuresExposed int    `json:"failures_exposed"`
	OddsRatio       figure `json:"odds_ratio"`
	OddsLow         figure `json:"odds_ratio_low"`
	OddsHigh        figure `json:"odds_ratio_high"`
	P               figure `json:"p_value"`
	Q               figure `json:"q_value"`
	Avoidable       figure `json:"avoidable_per_100"`
	AvoidableLow    figure `json:"avoidable_low"`
	AvoidableHigh   figure `json:"avoidable_high"`
}

// SheetStep is a step of the finding's case, known by then.
type SheetStep struct {
	At   stamp  `json:"at"`
	Step string `json:"step"`
}

// SheetByChoice is what all that was graded says, by choice too, where the answer itself
// rests on the layers that a look list drew.
type SheetByChoice struct {
	State          string `json:"state"`
	Avoidable      figure `json:"avoidable_per_100"`
	AvoidableLow   figure `json:"avoidable_low"`
	AvoidableHigh  figure `json:"avoidable_high"`
	Listed         int    `json:"listed"`
	ListedFailures int    `json:"listed_failures"`
	Disagree       bool   `json:"disagree"`
}

// SheetPoint is a point of the gap curve, failures per 100 with its 95 % band.
type SheetPoint struct {
	Gap  int    `json:"prints_since_clean"`
	At   figure `json:"per_100"`
	Low  figure `json:"low"`
	High figure `json:"high"`
}

// SheetMark counts the graded layers that show a mark, with and without the exposure.
type SheetMark struct {
	Mark          string `json:"mark"`
	FailedExposed int    `json:"failed_exposed"`
	FailedRest    int    `json:"failed_rest"`
	GoodExposed   int    `json:"good_exposed"`
	GoodRest      int    `json:"good_rest"`
}

// ChangeMind is what would change the answer: of further layers of one kind, spread over
// the window, the least number with which it is (no longer) raised; nil where even the
// most looked at would not, or where that is no way to change it.
type ChangeMind struct {
	MostHeld       int  `json:"looked_at_held"`
	MostFailed     int  `json:"looked_at_failed"`
	HeldExposed    *int `json:"held_though_exposed"`
	FailedRest     *int `json:"failed_without"`
	FailedExposed  *int `json:"failed_exposed"`
	HeldRest       *int `json:"held_without"`
	Needs          *int `json:"needs"`         // further graded layers until there is an answer at all
	LeastAvoidable bool `json:"few_avoidable"` // sure enough, but too few are avoidable
}

// figure is a number written with six significant digits; null where it is unknown.
type figure float64

// MarshalJSON writes it.
func (f figure) MarshalJSON() ([]byte, error) {
	return putNumber(nil, "", float64(f))[4:], nil // without ,"":
}

// UnmarshalJSON reads it.
func (f *figure) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*f = figure(unknown)
		return nil
	}
	x, err := strconv.ParseFloat(string(b), 64)
	*f = figure(x)
	return err
}

// stamp is an instant in UTC.
type stamp time.Time

// MarshalJSON writes it.
func (s stamp) MarshalJSON() ([]byte, error) { return putClock(nil, time.Time(s)), nil }

// UnmarshalJSON reads it.
func (s *stamp) UnmarshalJSON(b []byte) error {
	var t time.Time
	if string(b) == "null" {
		return nil
	}
	err := json.Unmarshal(b, &t)
	*s = stamp(t.UTC())
	return err
}

// JSON writes the sheet: the same bytes for the same records and definitions.
func (s *Sheet) JSON() ([]byte, error) { return json.Marshal(s) }

// Sheets works out the evidence sheets of questions, all for one state of the farm: it
// is read as it was known, and fitted again for what the answers are sensitive to. An
// entry is nil where its question is not asked of that farm.
func (a *Assessor) Sheets(ctx context.Context, at, knownAt time.Time, about []About) ([]*Sheet, error) {
	return a.sheetsBy(ctx, DefinitionsVersion, at, knownAt, about)
}

// sheetsBy is Sheets by the definitions of a version.
func (a *Assessor) sheetsBy(ctx context.Context, version int, at, knownAt time.Time, about []About) ([]*Sheet, error) {
	q, err := a.normal(AsOf{At: at, KnownAt: knownAt})
	if err != nil {
		return nil, err
	}
	select {
	case a.busy <- struct{}{}:
		defer func() { <-a.busy }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	data, err := a.store.Analysis(ctx, q.At, q.KnownAt)
	if err != nil {
		return nil, err
	}
	w := &sheetWork{a: a, q: q, version: version, data: data, ex: exposure.Of(&data.History)}
	w.base, w.zone = begun(q, data)
	w.base.unthinned, w.base.credulous = version < 3, version < 4
	if w.base.cases, err = a.casesKnown(ctx, q.KnownAt); err != nil {
		return nil, err
	}
	w.base.window(data, w.ex)
	w.base.count()
	if err := w.lots(ctx); err != nil {
		return nil, err
	}
	g, all := gather(w.base, data, knownBefore(data, w.base.midnight, w.ex), w.zone)
	w.fit, w.digest = g, fingerprint(g)
	var weighed *findings.Weighed
	w.base.fit = &fit{}
	w.base.fit.questions, weighed = findings.Weigh(g.layers, g.printers, g.plates, g.split, g.opt)
	if all != nil {
		w.base.chosen = fitOnly(all)
	}
	out := make([]*Sheet, len(about))
	asked := make([]int, len(about))
	any := false
	for i, x := range about {
		if asked[i] = w.base.asked(x); asked[i] < 0 {
			continue
		}
		out[i], any = w.sheet(asked[i], weighed), true
	}
	weighed = nil // and with it what it keeps of every question
	if !any {
		return out, nil
	}
	if err := w.sensitivity(ctx, out); err != nil {
		return nil, err
	}
	for i, s := range out {
		if s == nil {
			continue
		}
		n, err := a.store.VoidedLayers(ctx, about[i].Kind, about[i].Subject, w.base.from, w.base.to, q.KnownAt)
		if err != nil {
			return nil, err
		}
		s.Exclusions = append(s.Exclusions, Exclusion{"voided", n, "all"})
		if s.Lots != nil {
			if s.Lots.Tests, err = w.tests(ctx, about[i]); err != nil {
				return nil, err
			}
		}
	}
	return out, ctx.Err()
}

// SheetOf is Sheets for one question; NotFound where it is not asked.
func (a *Assessor) SheetOf(ctx context.Context, at, knownAt time.Time, about About) (*Sheet, error) {
	return a.sheetBy(ctx, DefinitionsVersion, at, knownAt, about)
}

func (a *Assessor) sheetBy(ctx context.Context, version int, at, knownAt time.Time, about About) (*Sheet, error) {
	list, err := a.sheetsBy(ctx, version, at, knownAt, []About{about})
	if err != nil {
		return nil, err
	}
	if list[0] == nil {
		return nil, fault.New(fault.NotFound, "There was no question about %s of %s %s as of %s.", about.Cause, about.Kind, fault.Quote(about.Subject), clock(at))
	}
	return list[0], nil
}

// asked is the number of a question; -1 where it is not asked.
func (v *view) asked(x About) int {
	at := v.index(&Finding{Kind: x.Kind, Subject: x.Subject})
	switch {
	case at < 0:
	case x.Kind == "plate" && x.Cause == "cleaning_gap" && v.listed(&v.plates[at], &v.byPlate[at]):
		return 2*len(v.printers) + int(at)
	case x.Kind == "printer" && v.listed(&v.printers[at], &v.byPrinter[at]) && x.Cause == "skipped_probing":
		return 2 * int(at)
	case x.Kind == "printer" && v.listed(&v.printers[at], &v.byPrinter[at]) && x.Cause == "cleaning_gap":
		return 2*int(at) + 1
	}
	return -1
}

// fitOnly is a fit of which the answers alone are kept.
func fitOnly(g *gathered) *fit {
	return &fit{questions: findings.Evaluate(g.layers, g.printers, g.plates, g.split, g.opt)}
}

// sheetWork is what sheets of one state of the farm are worked out from.
type sheetWork struct {
	a       *Assessor
	q       AsOf
	version int                             // of the definitions
	draws   map[string][]store.AnalysisDraw // by printer, from version 2 on
	zone    *time.Location
	data    *store.Analysis
	ex      []exposure.Exposure
	base    *view
	fit     *gathered
	digest  [32]byte
}

// sheet fills in all of one but what it is sensitive to.
func (w *sheetWork) sheet(i int, weighed *findings.Weighed) *Sheet {
	v := w.base
	f := v.finding(i)
	e := v.evidence(&f, w.q)
	s := &Sheet{
		Definitions: SheetDefinitions{w.version, sheetWords(w.version), e.Method},
		SubjectKind: f.Kind, Subject: f.Subject, Cause: f.Cause, AsOf: stamp(w.q.At), KnownAt: stamp(w.q.KnownAt),
		Window: SheetWindow{stamp(v.from), stamp(v.to)}, FitWindow: SheetWindow{stamp(w.fit.from.UTC()), stamp(w.fit.to.UTC())}, TimeZone: w.zone.String(),
		State: f.State, Reverse: f.Reverse, Summary: f.Summary,
		Farm:     SheetFarm{v.total.started, v.total.graded, v.total.failures, FalseDiscoveryRate, figure(v.settings.Number("least_avoidable")), hexOf(w.digest)},
		Coverage: SheetCoverage{f.Starts, f.Graded, figure(float64(f.Graded) / float64(f.Starts))},
		GapSplit: figure(v.gapSplit), Plain: SheetPlain{figure(e.Plain), figure(e.PlainLow), figure(e.PlainHigh)},
		Adjusted: answerOf(&f), Why: e.Differ,
		Curve: []SheetPoint{}, Marks: []SheetMark{}, Counts: []SheetCell{},
	}
	for _, c := range e.Cells {
		s.Counts = append(s.Counts, cellOf(&c))
	}
	for _, p := range e.Curve {
		s.Curve = append(s.Curve, SheetPoint{p.Gap, figure(p.At), figure(p.Low), figure(p.High)})
	}
	s.CaseTrail = []SheetStep{}
	for _, m := range v.cases[caseKey{f.Kind, f.Subject, f.Cause}] {
		if !m.at.After(w.q.At) {
			s.CaseTrail = append(s.CaseTrail, SheetStep{stamp(m.at.UTC()), m.step})
			s.Case = &s.CaseTrail[len(s.CaseTrail)-1].Step
		}
	}
	if s.Case == nil && f.State == "raised" {
		suspected := "suspected"
		s.Case = &suspected
	}
	if c := f.Chosen; c != nil {
		s.ByChoice = &SheetByChoice{c.State, figure(c.Avoidable), figure(c.AvoidableLow), figure(c.AvoidableHigh), c.Listed, c.ListedFailures, c.Disagree}
	}
	if w.version > 1 {
		s.Lots = &SheetLots{Starts: lotsShown(f.Lot)}
	}
	w.subjects(&f, s)
	s.ChangeMind = ChangeMind{MostHeld: findings.TurnMostHeld, MostFailed: findings.TurnMostFailed}
	if f.Needs > 0 {
		s.ChangeMind.Needs = &f.Needs
	}
	s.ChangeMind.LeastAvoidable = f.State == "watching" && f.Q <= FalseDiscoveryRate
	if t, ok := weighed.Turn(i); ok && !f.Reverse && (f.Chosen == nil || !f.Chosen.Disagree) {
		some := func(n int) *int {
			if n == 0 {
				return nil
			}
			return &n
		}
		s.ChangeMind.HeldExposed, s.ChangeMind.FailedRest = some(t.HeldExposed), some(t.FailedRest)
		s.ChangeMind.FailedExposed, s.ChangeMind.HeldRest = some(t.FailedExposed), some(t.HeldRest)
	}
	return s
}

func answerOf(f *Finding) SheetAnswer {
	return SheetAnswer{f.State, f.N, f.Failures, f.NExposed, f.FailuresExposed, figure(odds(f.OddsRatio)), figure(odds(f.OddsLow)), figure(odds(f.OddsHigh)),
		figure(f.P), figure(f.Q), figure(f.Avoidable), figure(f.AvoidableLow), figure(f.AvoidableHigh)}
}

func cellOf(c *Cell) SheetCell {
	i := stats.Wilson(c.Failures, c.Graded, 0.95)
	out := SheetCell{Code: c.Code, Started: c.Started, Graded: c.Graded, Failures: c.Failures, Rate: figure(float64(c.Failures) / float64(c.Graded)), RateLow: figure(i.Low), RateHigh: figure(i.High)}
	if c.Code == "band" {
		low := c.Low
		out.Low = &low
		if c.High >= 0 {
			high := c.High
			out.High = &high
		}
	}
	return out
}

const hexDigits = "0123456789abcdef"

func hexOf(sum [32]byte) string {
	b := make([]byte, 0, 64)
	for _, x := range sum {
		b = append(b, hexDigits[x>>4], hexDigits[x&15])
	}
	return string(b)
}

// ReadSheet reads a sheet that was kept.
func ReadSheet(b []byte) (*Sheet, error) {
	var s Sheet
	err := json.Unmarshal(b, &s)
	return &s, err
}

// Time gives the instant.
func (s stamp) Time() time.Time { return time.Time(s) }

// sheetWords are the definitions by which it is worked out, in words.
func sheetWords(version int) []WordMean {
	words := []WordMean{
		{"failure", "graded failed; where the underside shows, graded marginal or failed"},
		{"exposed", "of probing: no probe since the printer's last start; of a cleaning gap: more prints since the plate was wiped or washed than the farm's middle"},
		{"compared", "graded layers of which it is known what they started under; a probe made void by a swap or a service is on neither side"},
		{"restart", "a start within 60 minutes of a failed layer on the same printer and plate; out of the adjusted and the stratified comparison"},
		{"late", "noted more than 24 hours after it happened; counted, and left out in one of the comparisons below"},
		{"plain", "failures per 100, exposed less not exposed, as counted; 95 % interval after Newcombe"},
		{"adjusted", "failures per 100 of the compared layers that a valid probe (a clean plate) at every start would have avoided, from the model of the whole farm; 95 % interval"},
		{"q", "of findings at least as strong as this, the share that would be false"},
		{"stratified", "common odds ratio of Mantel and Haenszel, 95 % limits of Robins, Breslow and Greenland; alike: test of Breslow and Day with Tarone's correction"},
		{"strict", "a grader who fails more layers of the same printers than the others do: Mantel and Haenszel over printers, lower 99 % limit above 1"},
		{"further layers", "spread over the window, like this subject's own in the mean; the farm's other answers stay as they are"},
	}
	if version > 1 {
		words = append(words,
			WordMean{"drawn by lot", "starts of the window, graded before the last midnight, before which a lot said whether the task was done; counted as drawn, whoever followed; above 0 doing it spared failures"},
			WordMean{"planned test", "starts from its beginning to its end, or to the time of this sheet, as drawn; the first graded ones up to its size count"})
	}
	if version > 2 {
		words = append(words, WordMean{"model of a large farm", "from 50,000 graded layers of the window on it is fitted to all that failed and to a share of those that held, each of which counts for as many as it stands for; a question's own figures rest on all its layers"})
	}
	if version > 3 {
		words[4].Means = "noted more than 24 hours after it happened; counted, and left out in one of the comparisons above" // where they stand
		words = append(words,
			WordMean{"near miss", "a layer that held, with marks of lines that did not grip the plate; another witness of cleaning gaps, where failures alone tell something too: it moves adjusted and q and raises nothing by itself"},
			WordMean{"grime", "near misses that grow with the gap where failures do not; how many plates have it is learned from all plates of the farm, and near misses it explains say nothing of harm"})
	}
	return words
}
