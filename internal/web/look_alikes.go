package web

import (
	"context"
	"slices"
	"sync"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/internal/trial"
)

// ledgers keep what the farm's printers, and its plates, did by day: a reading of every
// layer of months, which the layers of a quarter of an hour do not move.
type ledgers struct {
	mu   sync.Mutex
	kept map[ledgerKey]*ledger
}

// ledgerKey names a block of days: a fix within it is weighed by the block before, itself
// and the next, whenever it is looked at.
type ledgerKey struct {
	kind  string
	block int64
}

// ledger is one kind's counts by UTC day.
type ledger struct {
	read    time.Time
	from    time.Time // when day 0 begins
	names   map[string]int
	daily   trial.Daily
	touched map[string][]time.Time // by tag: fixes as advised
}

const (
	day        = 24 * time.Hour
	ledgerFor  = 15 * time.Minute // what is promised by it is stored as it was shown
	blockDays  = 84
	mostBlocks = 6
	// touchedDays is for how long before a fix its look-alikes were left alone.
	touchedDays = 14
	mostTouched = 20_000
)

// ledgerAt gives the counts by which a fix of that time is weighed.
func (s *Server) ledgerAt(ctx context.Context, kind string, at time.Time) (*ledger, error) {
	const block = blockDays * day
	key := ledgerKey{kind, at.Unix() / int64(block/time.Second)}
	now, k := s.now(), &s.ledgers
	k.mu.Lock()
	l := k.kept[key]
	k.mu.Unlock()
	if l != nil {
		if age := now.Sub(l.read); age >= 0 && age < ledgerFor {
			return l, nil
		}
	}
	l = &ledger{read: now, from: time.Unix((key.block-1)*int64(block/time.Second), 0).UTC(), names: map[string]int{}, touched: map[string][]time.Time{}}
	bounds := []time.Time{l.from}
	for end := l.from; len(bounds) <= 3*blockDays && end.Before(now); {
		end = end.Add(day)
		bounds = append(bounds, end)
	}
	by := store.TrendPrinter
	if kind == "plate" {
		by = store.TrendPlate
	}
	if len(bounds) > 1 {
		t, err := s.store.Trends(ctx, store.TrendQuery{By: by, Bounds: bounds, Until: now, Zone: time.UTC, InBuckets: true})
		if err != nil {
			return nil, err
		}
		l.daily = trial.NewDaily(len(t.Groups), len(bounds)-1)
		for u, g := range t.Groups {
			if g.Name != "" {
				l.names[g.Name] = u
			}
			for d, c := range g.Buckets {
				l.daily.Count(u, d, c.Failures, c.Graded)
			}
		}
		l.daily.Sum()
	}
	fixes, err := s.store.AdviceDoneSince(ctx, l.from, now, mostTouched)
	if err != nil {
		return nil, err
	}
	for _, a := range fixes {
		if a.SubjectKind == kind && proved[a.Action] {
			l.touched[a.Subject] = append(l.touched[a.Subject], a.At)
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.kept == nil || len(k.kept) >= mostBlocks {
		k.kept = map[ledgerKey]*ledger{}
	}
	k.kept[key] = l
	return l, nil
}

func (l *ledger) day(at time.Time) int { return int(at.Sub(l.from) / day) }

// rate is how the rates of the farm's units spread over the window before a day.
func (l *ledger) rate(before int) stats.Beta {
	var failed, graded []int
	for _, u := range l.units() {
		x, n := l.daily.Between(u, before-blockDays, before)
		failed, graded = append(failed, x), append(graded, n)
	}
	return trial.FarmRate(failed, graded)
}

// units are those with a name, in the order of their tags: an estimate must not depend
// on the order of a map.
func (l *ledger) units() []int {
	out := make([]int, 0, len(l.names))
	for _, u := range l.names {
		out = append(out, u)
	}
	slices.Sort(out)
	return out
}

// alike finds the look-alikes of a subject at a fix.
func (l *ledger) alike(a *farm.AdviceDone, rate stats.Beta) trial.Alike {
	subject, known := l.names[a.Subject]
	if !known {
		return trial.Alike{}
	}
	left := map[int]bool{}
	for tag, times := range l.touched {
		for _, at := range times {
			if u, ok := l.names[tag]; ok && at.After(a.At.Add(-touchedDays*day)) && at.Before(a.At.Add(trial.ProofDays*day)) {
				left[u] = true
			}
		}
	}
	from := l.day(a.At)
	return l.daily.LookAlikes(subject, rate, l.rate(from), from, blockDays, func(u int) bool { return left[u] })
}
