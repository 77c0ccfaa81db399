package assess

import (
	"context"
	"sync"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
)

// Plan places the starts that open jobs still need, and the prep before them.
func (a *Assessor) Plan(ctx context.Context, q AsOf, confidence float64) (*Plan, error) {
	v, q, err := a.view(ctx, q)
	if err != nil {
		return nil, err
	}
	key := planKey{v.version, q, confidence}
	a.plan.mu.Lock()
	defer a.plan.mu.Unlock() // one at a time: those who ask for the same wait for it
	if a.plan.of == key && a.plan.plan != nil {
		return a.plan.plan, nil
	}
	rows, err := a.store.PlanRows(ctx, q.At, q.KnownAt)
	if err != nil {
		return nil, err
	}
	p := &planner{v: v, q: q, rows: rows, confidence: confidence, origin: q.At.Truncate(time.Minute)}
	if p.origin.Before(q.At) {
		p.origin = p.origin.Add(time.Minute)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	a.plan.of, a.plan.plan = key, p.plan()
	return a.plan.plan, nil
}

// planKeep keeps the latest plan, which page and table ask for one after the
// other; nobody may change it.
type planKeep struct {
	mu   sync.Mutex
	of   planKey
	plan *Plan
}

type planKey struct {
	version    store.DataVersion
	q          AsOf
	confidence float64
}

// planPage is the latest plan for pages, and the one being worked out.
type planPage struct {
	mu         sync.Mutex
	plan       *Plan
	confidence float64
	took       time.Duration
	done       time.Time
	flight     *planFlight
}

type planFlight struct {
	done chan struct{}
	plan *Plan
	err  error
}

// How long a plan stands in for the next on a page, at the least and as a
// multiple of what working it out took.
const (
	planStands      = time.Minute
	planStandsTimes = 10
)

// LatestPlan is Plan as of now, for pages. Where working one out takes longer than
// slow, the last one stands in while the next is on its way; AsOf says of when.
// With none to stand in it waits as long as ctx allows and is then Busy; the work
// goes on for those who ask later.
func (a *Assessor) LatestPlan(ctx context.Context, now time.Time, confidence float64) (*Plan, error) {
	k := &a.planPage
	k.mu.Lock()
	old, age := k.plan, time.Since(k.done)
	if old != nil {
		age = max(age, now.Sub(old.AsOf))
		if k.confidence != confidence || old.AsOf.After(now) || k.took <= slow || age > max(planStands, planStandsTimes*k.took) {
			old = nil
		}
	}
	if old != nil && age < rest*k.took {
		k.mu.Unlock()
		return old, nil
	}
	f := k.flight
	if f == nil {
		f = a.flyPlan(now, confidence)
	}
	k.mu.Unlock()
	if old != nil {
		return old, nil
	}
	select {
	case <-f.done:
		return f.plan, f.err
	case <-ctx.Done():
		return nil, fault.New(fault.Busy, "The plan is still being worked out. Look again in a minute.")
	}
}

// flyPlan begins to work a plan out; a.planPage.mu is held.
func (a *Assessor) flyPlan(now time.Time, confidence float64) *planFlight {
	f := &planFlight{done: make(chan struct{})}
	k := &a.planPage
	k.flight = f
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		defer cancel()
		begun := time.Now()
		f.plan, f.err = a.Plan(ctx, AsOf{At: now}, confidence)
		k.mu.Lock()
		k.flight = nil
		if f.err == nil {
			k.plan, k.confidence, k.took, k.done = f.plan, confidence, time.Since(begun), time.Now()
		}
		k.mu.Unlock()
		close(f.done)
	}()
	return f
}
