package store

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/trial"
)

// TestPlace is a printer with what lies on it ("" nothing known) and when it started last
// (zero: never).
type TestPlace struct {
	Printer, Plate string
	Last           time.Time
}

func (p *TestPlace) last() int64 {
	if p.Last.IsZero() {
		return 0
	}
	return p.Last.UnixMicro()
}

// Concerns tells whether a test draws for the printer's next start.
func (p *TestPlace) Concerns(t *farm.PlannedTest) bool {
	return t.SubjectKind == "printer" && t.Subject == p.Printer || t.SubjectKind == "plate" && p.Plate != "" && t.Subject == p.Plate
}

// TestDraw is what a planned test drew for a printer's next start.
type TestDraw struct {
	Test  *farm.PlannedTest
	Place TestPlace
	Do    bool
	Kept  bool // it is recorded already
	At    time.Time
}

// Record is the draw as it is kept.
func (d *TestDraw) Record(at time.Time, person string) (farm.Draw, error) {
	id, err := farm.NewID(farm.KindDraw, trial.ID(d.Place.Printer, d.Place.last(), d.Test.Task))
	out := farm.Draw{ID: id, Printer: d.Place.Printer, Plate: d.Place.Plate, Task: d.Test.Task, DrawnAt: at, Arm: "leave", Chance: d.Test.Share, Saves: farm.Unknown(), Why: d.Test.ID.UUID.String(), Person: person}
	if d.Do {
		out.Arm = "do"
	}
	return out, err
}

// TestDrawsOf tells what running tests drew, or draw now, for a printer's next start: of
// each task one, that of the test that began first. held are the printer's latest draws. What
// was drawn for this start before, by the standing lot before the test began or for a test
// that is over, stays: that start is none of the test's, for its number is known by now.
// Without the farm's secret nothing new is drawn.
func TestDrawsOf(tests []*farm.PlannedTest, held []Drawn, secret []byte, p TestPlace, at time.Time) (out []TestDraw) {
	for i, t := range tests {
		first := func(o *farm.PlannedTest) bool { return o.Task == t.Task && p.Concerns(o) }
		if !p.Concerns(t) || slices.ContainsFunc(tests[:i], first) {
			continue
		}
		var of []Drawn
		var times []int64
		for _, d := range held {
			if d.Task == t.Task {
				of, times = append(of, d), append(times, d.At.UnixMicro())
			}
		}
		k := trial.Holds(times, p.last(), at.UnixMicro())
		spent := slices.ContainsFunc(times, func(x int64) bool { return x > p.last() && x <= at.UnixMicro() })
		switch {
		case k >= 0:
			for _, mine := range tests[i:] {
				if first(mine) && (of[k].Why == mine.ID.UUID.String() || of[k].Why == mine.ID.Text()) {
					out = append(out, TestDraw{Test: mine, Place: p, Do: of[k].Arm == "do", Kept: true, At: of[k].At})
				}
			}
		case !spent && secret != nil:
			out = append(out, TestDraw{Test: t, Place: p, Do: trial.Number(secret, p.Printer, p.last(), t.Task) < t.Share, At: at})
		}
	}
	return out
}

// TestDraws gives, by printer, what running tests drew for the next starts of places; what is
// not drawn yet is drawn and recorded now. It follows from the farm's secret and the
// printer's last start, so that looking again, or on another tablet, gives the same.
func (s *Store) TestDraws(ctx context.Context, act Act, person string, now time.Time, places []TestPlace) (map[string][]TestDraw, error) {
	tests, err := s.RunningTests(ctx, now)
	if err != nil {
		return nil, wrap("store.TestDraws", err)
	}
	places = slices.DeleteFunc(slices.Clone(places), func(p TestPlace) bool { return !slices.ContainsFunc(tests, p.Concerns) })
	if len(places) == 0 {
		return nil, nil
	}
	secret, err := s.LotSecret(ctx)
	if err == nil && secret == nil {
		if err = s.EnsureLotSecret(ctx); err == nil {
			secret, err = s.LotSecret(ctx)
		}
	}
	if err != nil {
		return nil, wrap("store.TestDraws", err)
	}
	read := func(secret []byte) (map[string][]TestDraw, []farm.Draw, error) {
		one, plate := "", ""
		if len(places) == 1 {
			one, plate = places[0].Printer, places[0].Plate
		}
		st, err := s.Standing(ctx, now, time.Time{}, one, plate)
		if err != nil {
			return nil, nil, err
		}
		out := map[string][]TestDraw{}
		var fresh []farm.Draw
		for _, p := range places {
			list := TestDrawsOf(tests, st.Drawn[p.Printer], secret, p, now)
			for i := range list {
				if !list[i].Kept {
					d, err := list[i].Record(now, person)
					if err != nil {
						return nil, nil, err
					}
					fresh = append(fresh, d)
				}
			}
			if len(list) > 0 {
				out[p.Printer] = list
			}
		}
		return out, fresh, nil
	}
	out, fresh, err := read(secret)
	if err == nil && len(fresh) > 0 {
		if err = s.KeepDraws(ctx, act, fresh); err == nil {
			// What another server drew for the same start at this moment stands.
			out, _, err = read(nil)
		}
	}
	return out, wrap("store.TestDraws", err)
}
