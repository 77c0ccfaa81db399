package assess

import (
	"context"
	"encoding/json"
	"sync"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/planning"
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
	p, err := a.planner(ctx, v, q, confidence)
	if err != nil {
		return nil, err
	}
	_, plan := p.plan()
	a.plan.of, a.plan.plan = key, plan
	return plan, nil
}

// planner reads what there is to plan with.
func (a *Assessor) planner(ctx context.Context, v *view, q AsOf, confidence float64) (*planner, error) {
	rows, err := a.store.PlanRows(ctx, q.At, q.KnownAt)
	if err != nil {
		return nil, err
	}
	asks, err := a.planAsks(ctx, v, q)
	if err != nil {
		return nil, err
	}
	p := &planner{v: v, q: q, rows: rows, confidence: confidence, asks: asks, origin: q.At.Truncate(time.Minute)}
	if p.origin.Before(q.At) {
		p.origin = p.origin.Add(time.Minute)
	}
	return p, ctx.Err()
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

// planPage is the plan being worked out for pages.
type planPage struct {
	mu     sync.Mutex
	flight *planFlight
}

type planFlight struct {
	done chan struct{}
	plan *Plan
	err  error
}

// How long the plan in force stands while nothing is recorded; and for how long it
// stands in on a page for the next, at the least and as a multiple of what working
// it out took.
const (
	planFresh       = 10 * time.Minute
	planStands      = time.Minute
	planStandsTimes = 10
	planWaits       = 2 * time.Second // what takes no longer is waited for
	planSlack       = time.Minute     // pages ask as of the minute that began last
)

// fresh tells whether the plan in force answers at a time.
func (f *forced) fresh(version store.DataVersion, now time.Time, confidence float64) bool {
	return f != nil && f.row.Version == version && f.row.Confidence == confidence && !f.row.AsOf.After(now.Add(planSlack)) && now.Sub(f.row.AsOf) < planFresh
}

// LatestPlan is the plan in force, for pages and calendars. Where something was
// recorded since, it is made anew from what it was (see Replan of planning): where
// that takes longer than planWaits, the one before stands in while the next is on its
// way; AsOf says of when. With none to stand in it waits as long as ctx allows and is
// then Busy; the work goes on for those who ask later.
func (a *Assessor) LatestPlan(ctx context.Context, now time.Time, confidence float64) (*Plan, error) {
	k := &a.planPage
	version, err := a.store.DataVersion(context.WithoutCancel(ctx))
	if err != nil {
		return nil, err
	}
	old, err := a.planInForce(context.WithoutCancel(ctx))
	if err != nil {
		return nil, err
	}
	if old.fresh(version, now, confidence) {
		return old.plan, nil
	}
	if old != nil {
		age, took := now.Sub(old.row.AsOf), old.row.Took
		if old.row.Confidence != confidence || age < -planSlack || took <= planWaits || age > max(planStands, planStandsTimes*took) {
			old = nil
		} else if age < rest*took {
			return old.plan, nil
		}
	}
	k.mu.Lock()
	f := k.flight
	if f == nil {
		f = a.flyPlan(now, confidence)
	}
	k.mu.Unlock()
	if old != nil {
		return old.plan, nil
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
		f.plan, f.err = a.KeepPlan(ctx, now, confidence)
		k.mu.Lock()
		k.flight = nil
		k.mu.Unlock()
		close(f.done)
	}()
	return f
}

// KeepPlan makes the plan in force anew, as of now, and stores it. Of many servers
// one does so at a time; the others are given what there is, or work it out for
// themselves where there is nothing yet.
func (a *Assessor) KeepPlan(ctx context.Context, now time.Time, confidence float64) (*Plan, error) {
	mine, err := a.store.ClaimPlan(ctx)
	if err != nil {
		return nil, err
	}
	old, err := a.planInForce(ctx)
	if err != nil {
		return nil, err
	}
	if !mine {
		if old != nil && old.row.Confidence == confidence && !old.row.AsOf.After(now.Add(planSlack)) && now.Sub(old.row.AsOf) < planFresh {
			return old.plan, nil
		}
		return a.Plan(ctx, AsOf{At: now}, confidence)
	}
	kept := false
	defer func() {
		if !kept {
			_ = a.store.ReleasePlan(context.WithoutCancel(ctx))
		}
	}()
	begun := time.Now()
	v, q, err := a.view(ctx, AsOf{At: now})
	if err != nil {
		return nil, err
	}
	p, err := a.planner(ctx, v, q, confidence)
	if err != nil {
		return nil, err
	}
	var next *inForce
	var plan *Plan
	changed := ""
	if old != nil && old.row.Confidence == confidence && !old.row.AsOf.After(q.At.Add(planSlack)) {
		next, plan, changed = p.replan(old.kept)
	} else {
		var got *planning.Plan
		got, plan = p.plan()
		next = p.force(got, plan)
		p.name(next, plan)
	}
	body, err := json.Marshal(next)
	if err != nil {
		return nil, err
	}
	// v.version is of before the reading: what was written since is seen next time.
	if err := a.store.StorePlan(ctx, store.PlanInForce{AsOf: q.At, Confidence: confidence, Version: v.version, Took: time.Since(begun), Body: body}, changed); err != nil {
		return plan, nil // a full disk must not end reading
	}
	kept = true
	_ = a.freeze(ctx, p, plan) // what cannot be written down now is with the next plan
	return plan, nil
}

// readyPlan keeps the plan in force up with the records while they keep coming, so
// that nobody's tasks are those of yesterday.
func (a *Assessor) readyPlan(ctx context.Context, now time.Time) {
	frame, err := a.store.Frame(ctx, now)
	if err != nil || frame.LatestStart.IsZero() || now.Sub(frame.LatestStart) > planIdle {
		return
	}
	f, err := a.planInForce(ctx)
	if err != nil || f.fresh(frame.Version, now, Confidence) || f != nil && time.Since(f.row.AsOf) < rest*f.row.Took {
		return
	}
	_, _ = a.KeepPlan(ctx, now, Confidence)
}

// planIdle is how long without a start the plan is kept up with the records.
const planIdle = 2 * 24 * time.Hour
