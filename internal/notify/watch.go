package notify

import (
	"context"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/store"

	"github.com/gofrs/uuid/v5"
)

// Farm tells how findings and jobs stand. Both may take long; they are asked in
// the background.
type Farm interface {
	// Findings lists every finding of the answer that is kept, and of when it is.
	Findings(ctx context.Context, now time.Time) (asOf time.Time, list []FindingState, err error)
	// Jobs lists every open job as planned, of when the plan is, and how sure it
	// asks to be of enough good ones.
	Jobs(ctx context.Context, now time.Time) (asOf time.Time, list []notices.JobState, asked float64, err error)
}

// FindingState is a finding and whether it is raised.
type FindingState struct {
	Kind, Tag, Cause string
	Raised           bool
}

// How often it is looked, and how old a hold may be to be news.
const (
	holdsEvery    = 5 * time.Second
	findingsEvery = time.Minute
	jobsEvery     = 5 * time.Minute
	jobsRest      = 50 // times what planning took
	sweepEvery    = time.Hour
	newsFor       = 24 * time.Hour
)

func (n *Notifier) watch(ctx context.Context) {
	var findings, jobs, sweep time.Time
	for ctx.Err() == nil {
		n.say(ctx, "watching holds", n.LookAtHolds(ctx))
		if now := time.Now(); n.cfg.Farm != nil && now.After(findings) {
			n.say(ctx, "watching findings", n.LookAtFindings(ctx))
			findings = now.Add(findingsEvery)
		}
		if now := time.Now(); n.cfg.Farm != nil && now.After(jobs) {
			n.say(ctx, "watching jobs", n.LookAtJobs(ctx))
			jobs = time.Now().Add(max(jobsEvery, jobsRest*time.Since(now)))
		}
		if now := time.Now(); now.After(sweep) {
			n.say(ctx, "removing old notices", n.cfg.Store.SweepNotices(ctx))
			sweep = now.Add(sweepEvery)
		}
		pause(ctx, holdsEvery)
	}
}

func (n *Notifier) zone(ctx context.Context) (*time.Location, error) {
	settings, err := n.cfg.Store.Settings(ctx)
	return settings.Zone(), err
}

// LookAtHolds tells holds placed within a day that are still in force.
func (n *Notifier) LookAtHolds(ctx context.Context) error {
	zone, err := n.zone(ctx)
	if err != nil {
		return err
	}
	list, err := n.cfg.Store.PlacedHolds(ctx, n.cfg.Store.Now().Add(-newsFor), zone)
	if err != nil {
		return err
	}
	_, err = n.cfg.Store.Tell(ctx, list, zone)
	return err
}

// LookAtFindings tells findings that have turned raised since the last look.
func (n *Notifier) LookAtFindings(ctx context.Context) error {
	asOf, list, err := n.cfg.Farm.Findings(ctx, n.cfg.Store.Now())
	if err != nil {
		return err
	}
	seen := make([]store.Sighting, 0, 16)
	for _, f := range list {
		if f.Raised { // whatever is not listed is clear
			seen = append(seen, store.Sighting{What: f.Kind + "/" + f.Tag + "/" + f.Cause, Is: true, Notice: notices.Finding(f.Kind, f.Tag, f.Cause, asOf), Sheet: sheetWhenRaised(f, asOf)})
		}
	}
	return n.look(ctx, "finding", asOf, notices.CalmFinding, seen)
}

// sheetWhenRaised is the evidence sheet that is kept where a finding has turned raised;
// its id follows from the finding and the time, so that replicas ask for one.
func sheetWhenRaised(f FindingState, asOf time.Time) *store.SheetWanted {
	asOf = asOf.UTC().Truncate(time.Microsecond)
	id := uuid.NewV5(uuid.NamespaceOID, f.Kind+"/"+f.Tag+"/"+f.Cause+"/"+asOf.Format(time.RFC3339Nano))
	return &store.SheetWanted{ID: id, SubjectKind: f.Kind, Tag: f.Tag, Cause: f.Cause, At: asOf, Because: "raised", Via: "program"}
}

// LookAtJobs tells jobs that have turned at risk since the last look, unless
// another replica has just looked.
func (n *Notifier) LookAtJobs(ctx context.Context) error {
	now := n.cfg.Store.Now()
	last, err := n.cfg.Store.LookedAt(ctx, "job")
	if err != nil || !last.After(now) && now.Sub(last) < jobsEvery/2 {
		return err
	}
	asOf, list, asked, err := n.cfg.Farm.Jobs(ctx, now)
	if err != nil {
		return err
	}
	seen := make([]store.Sighting, 0, len(list))
	for _, j := range list {
		is, clear := j.Risk(asked)
		seen = append(seen, store.Sighting{What: j.Job, Is: is, Clear: clear, Notice: notices.Job(j, asked, asOf)})
	}
	return n.look(ctx, "job", asOf, notices.CalmJob, seen)
}

func (n *Notifier) look(ctx context.Context, source string, asOf time.Time, calm time.Duration, seen []store.Sighting) error {
	zone, err := n.zone(ctx)
	if err != nil {
		return err
	}
	_, err = n.cfg.Store.Look(ctx, source, asOf, calm, seen, zone)
	return err
}
