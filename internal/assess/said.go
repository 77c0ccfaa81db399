package assess

import (
	"context"
	"sync"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/upkeep"
)

// What was said of risks is laid beside what came day by day, out of sample: the fit of
// the midnight before a day says the chance of each of its starts, with what was recorded
// by then; what came is what was graded by the end of the day after. A day is worked out
// once, when the day after it is over, and kept. Days before a server first ran are made
// up for one at a time, the latest first, from the records as they are now. Where a look
// list says which starts to look at, those graded outside it are left out: they were
// graded because they looked bad.
const (
	saidBack  = 28  // days that are made up for
	saidShown = 182 // days that are reckoned with
)

// saidKeep is the latest reckoning.
type saidKeep struct {
	mu   sync.Mutex
	r    *upkeep.Reckoned
	made time.Time // the day it is of
	read time.Time // when the days were read
}

// Said gives what was said of the risks of the last half year beside what came.
func (a *Assessor) Said(ctx context.Context, now time.Time) (*upkeep.Reckoned, error) {
	today := dateOf(now, time.UTC)
	a.said.mu.Lock()
	r, made := a.said.r, a.said.made
	a.said.mu.Unlock()
	if r != nil && made.Equal(today) {
		return r, nil
	}
	return a.reckon(ctx, today)
}

// saidFresh is how long a server that keeps answers ready goes by one reckoning: other
// replicas write days too.
const saidFresh = 10 * time.Minute

// reckon reads the days anew.
func (a *Assessor) reckon(ctx context.Context, today time.Time) (*upkeep.Reckoned, error) {
	days, err := a.store.RiskDays(ctx, today.AddDate(0, 0, -saidShown))
	if err != nil {
		return nil, err
	}
	got := upkeep.Reckon(days)
	a.said.mu.Lock()
	if got.Graded > 0 {
		a.said.r, a.said.made, a.said.read = &got, today, time.Now()
	}
	a.said.mu.Unlock()
	return &got, nil
}

// keepSaid works out a day that is over, and keeps the reckoning ready.
func (a *Assessor) keepSaid(ctx context.Context, now time.Time) {
	_, _ = a.readySaid(ctx, now)
	a.said.mu.Lock()
	old := time.Since(a.said.read) > saidFresh
	a.said.mu.Unlock()
	if old {
		_, _ = a.reckon(ctx, dateOf(now, time.UTC))
	}
}

// dateOf is the date in a zone, as midnight UTC.
func dateOf(at time.Time, zone *time.Location) time.Time {
	y, m, d := at.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// readySaid works out one day that is over and not kept yet, the latest first. It tells
// whether there was one.
func (a *Assessor) readySaid(ctx context.Context, now time.Time) (bool, error) {
	settings, err := a.store.Settings(ctx)
	if err != nil {
		return false, err
	}
	zone := settings.Zone()
	last := dateOf(now, zone).AddDate(0, 0, -2)
	first := last.AddDate(0, 0, 1-saidBack)
	frame, err := a.store.Frame(ctx, now)
	if err != nil || frame.LatestStart.IsZero() {
		return false, err
	}
	kept, err := a.store.RiskDays(ctx, first)
	if err != nil {
		return false, err
	}
	have := map[time.Time]bool{}
	for i := range kept {
		have[kept[i].Day] = true
	}
	for day := last; !day.Before(first); day = day.AddDate(0, 0, -1) {
		if have[day] {
			continue
		}
		d, err := a.saidOf(ctx, day, zone)
		if err != nil {
			return false, err
		}
		if err := a.store.KeepRiskDay(ctx, zone.String(), d); err != nil {
			return false, err
		}
		a.said.mu.Lock()
		a.said.r = nil
		a.said.mu.Unlock()
		return true, nil
	}
	return false, nil
}

// saidOf works out one day of a zone.
func (a *Assessor) saidOf(ctx context.Context, day time.Time, zone *time.Location) (*upkeep.SaidDay, error) {
	y, m, n := day.Date()
	begins, ends, graded := dayBegins(y, m, n, zone), dayBegins(y, m, n+1, zone), dayBegins(y, m, n+2, zone)
	select {
	case a.busy <- struct{}{}:
		defer func() { <-a.busy }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	data, err := a.read(ctx, graded.Add(-time.Microsecond), time.Time{})
	if err != nil {
		return nil, err
	}
	data = data.Whole()
	ex := exposure.Of(&data.History)
	first, end := span(data.History.Starts, begins.UnixMicro()-1, ends.UnixMicro()-1)
	byHand := byChoice(data.Labels, first, end, data.Settings.Number("look_share"))
	starts, labels, printers, materials := data.History.Starts, data.Labels, data.Printers, data.MaterialNames
	v := &view{q: AsOf{At: begins}, settings: data.Settings, midnight: begins, apart: true}
	listed, all := gather(v, data, knownBefore(data, v.midnight, ex), zone)
	a.estimate(v, listed, all)
	type last struct {
		failed bool
		known  int64
	}
	ofPrinter, ofPlate := map[int32]last{}, map[int32]last{}
	var said []upkeep.Said
	made := 0
	for i := range starts {
		s, e := &starts[i], &ex[i]
		if s.At >= ends.UnixMicro() {
			break
		}
		if s.At >= begins.UnixMicro() {
			made++
			if s.GradedAt != 0 && (byHand == nil || !byHand(i)) {
				p, j := ofPrinter[s.Printer], ofPlate[e.Plate]
				x := upkeep.Said{Printer: printers[s.Printer].Tag, Failed: s.Failed}
				if k := labels[i].Material; k >= 0 {
					x.Material = materials[k]
				}
				x.P = v.fit.ahead.Chance(upkeep.Next{Printer: s.Printer, Plate: e.Plate, Material: labels[i].Material, Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean,
					PrinterFailed: p.failed && p.known <= s.At, PlateFailed: e.Plate >= 0 && j.failed && j.known <= s.At})
				said = append(said, x)
			}
		}
		ofPrinter[s.Printer] = last{s.Failed, s.GradedAt}
		if e.Plate >= 0 {
			ofPlate[e.Plate] = last{s.Failed, s.GradedAt}
		}
	}
	d := upkeep.SumDay(day, made, said)
	return &d, nil
}
