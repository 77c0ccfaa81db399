package assess

import (
	"context"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/upkeep"
)

// Effect is what was done and what failed in the scope of a policy before a version of
// it and since, and outside of the scope in the same times.
type Effect struct {
	Before, From, Until time.Time // Before <= start < From, and From <= start < Until
	Whole               bool      // four weeks since, or up to the next version
	Was, Is             upkeep.Tally
	OthersWas, OthersIs upkeep.Tally
}

// Effect tells what came of a version: four weeks from it, or up to when the next one
// came into force (zero: none), beside the four weeks before. covered is false where
// that lies outside of the care's window; then nothing is counted.
func (c *Care) Effect(ctx context.Context, p *farm.Policy, next time.Time) (e Effect, covered bool, err error) {
	e = Effect{Before: p.InForceFrom.Add(-Month), From: p.InForceFrom, Until: p.InForceFrom.Add(Month)}
	if !next.IsZero() && next.Before(e.Until) {
		e.Until = next
	}
	e.Whole = true
	// As of the view's own time: what starts later is not in it.
	if end := c.view.q.At; end.Before(e.Until) {
		e.Until, e.Whole = end, false
	}
	if e.Before.Before(c.view.from) || !e.Until.After(e.From) {
		return e, false, nil
	}
	x := PolicyOf(p)
	if e.Was, e.OthersWas, err = c.Count(ctx, &x.Scope, e.Before, e.From); err == nil {
		e.Is, e.OthersIs, err = c.Count(ctx, &x.Scope, e.From, e.Until)
	}
	return e, true, err
}

// CareAt gives the care of the farm as of a time. It reads the whole farm anew.
func (a *Assessor) CareAt(ctx context.Context, at time.Time) (*Care, error) {
	v, q, err := a.view(ctx, AsOf{At: at})
	if err != nil {
		return nil, err
	}
	return a.careOf(ctx, v, q)
}
