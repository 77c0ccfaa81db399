// Package assess is the farm as of a time: it loads the records once, computes
// findings and keeps the results, the same for pages, API and commands.
//
// Counts are of all that had happened by the time asked for. What is estimated
// (the fit and the states that follow from it) rests on what was started and
// graded before the last midnight in the farm's zone, so that a fit lasts a day
// and an answer does not change with every layer. Nothing in an answer depends
// on the clock, the process's time zone, the order in which rows lie or the
// number of cores.
package assess

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// FalseDiscoveryRate is the share of raised findings that may be false.
const FalseDiscoveryRate = 0.05

// Window is how long the usual window is.
const Window = 84 * 24 * time.Hour

// AsOf says for when an answer is asked. Zero times are not given.
type AsOf struct {
	At       time.Time // what had happened by then
	KnownAt  time.Time // leave out what arrived later, voidings too
	From, To time.Time // window: from < started_at <= to
}

// How many results are kept, and how many are computed at a time (a farm of a
// million first layers takes some hundred megabytes meanwhile).
const (
	keptViews = 4
	keptFits  = 8 // two of each where a look list is in use
	atATime   = 2
)

// Assessor computes answers about one farm and keeps the latest.
type Assessor struct {
	store *store.Store
	busy  chan struct{}                      // as many places as may compute
	rows  atomic.Pointer[store.KeptAnalysis] // nil: readings are not kept
	had   atomic.Pointer[earlier]            // what came of the starts that readings leave out

	sheets atomic.Int32 // how many work out sheets

	mu      sync.Mutex
	views   []*view // latest used last
	fits    []*fit  // latest used last
	flights map[flightKey]*flight
	page    *flight // the latest computation for pages, done or under way
	latest  *view   // the newest of the farm as it is, for pages
	took    time.Duration
	done    time.Time // when latest was computed
	work    work

	heights  heightsKeep
	plan     planKeep
	planPage planPage
	fleet    fleetKeep
	held     heldKeep
	care     careKeep

	draws  atomic.Bool // records what the lot decides
	secret []byte      // of the lot, once it was read
	said   saidKeep
}

// New makes an assessor over a store.
func New(s *store.Store) *Assessor {
	return &Assessor{store: s, busy: make(chan struct{}, atATime), flights: map[flightKey]*flight{}}
}

// Keep makes readings of the farm as it is keep their records in memory, so that the
// next takes only what changed (store.KeptAnalysis). Run does it; a command that
// answers once does not.
func (a *Assessor) Keep() { a.rows.CompareAndSwap(nil, a.store.KeepAnalysis(reach)) }

// read reads the farm as of a time, and as it was known by one (zero: now).
func (a *Assessor) read(ctx context.Context, at, knownAt time.Time) (*store.Analysis, error) {
	if k := a.rows.Load(); k != nil && knownAt.IsZero() {
		return k.Analysis(ctx, at)
	}
	return a.store.Analysis(ctx, at, knownAt)
}

// Findings answers every question of the farm as of a time.
func (a *Assessor) Findings(ctx context.Context, q AsOf) (*Findings, error) {
	v, q, err := a.view(ctx, q)
	if err != nil {
		return nil, err
	}
	return v.findings(q), nil
}

// slow is how long computing may take before pages stop waiting for it, and
// rest how many times that long the next computation is put off for pages.
const (
	slow = 100 * time.Millisecond
	rest = 5
)

// Latest answers as of now, for pages. On a farm so large that computing takes
// longer than slow it may be the answer of a moment ago; AsOf says of when.
// Until there is a first answer it waits for it as long as ctx allows; the
// computation goes on for those who ask later.
//
// seen is the version of the data the page goes by, when it has read that; its
// zero value is read here.
func (a *Assessor) Latest(ctx context.Context, now time.Time, seen store.DataVersion) (*Findings, error) {
	return a.latestWithin(ctx, now, seen, 0)
}

// fresh is how long pages about findings wait for what was recorded just now.
const fresh = time.Second

// Fresh is Latest for pages that are about findings: where the last computation took
// less than fresh, it waits so long for one of all that is recorded.
func (a *Assessor) Fresh(ctx context.Context, now time.Time, seen store.DataVersion) (*Findings, error) {
	return a.latestWithin(ctx, now, seen, fresh)
}

func (a *Assessor) latestWithin(ctx context.Context, now time.Time, seen store.DataVersion, patience time.Duration) (*Findings, error) {
	v, q, err := a.viewWithin(ctx, now, seen, patience)
	if err != nil {
		return nil, err
	}
	f := v.findings(q)
	f.Ahead, err = a.outlook(ctx, v)
	return f, err
}

// normal fills in and checks what was asked.
func (a *Assessor) normal(q AsOf) (AsOf, error) {
	if q.At.IsZero() {
		q.At = a.store.Now()
	}
	for _, t := range []*time.Time{&q.At, &q.KnownAt, &q.From, &q.To} {
		*t = t.UTC().Truncate(time.Microsecond)
	}
	if !q.From.IsZero() && !q.To.IsZero() && !q.From.Before(q.To) {
		return q, fault.At(fault.Problem{Column: "from", Found: clock(q.From), Expected: "a time before to, which is " + clock(q.To)})
	}
	return q, nil
}

// view finds or computes the farm as asked.
func (a *Assessor) view(ctx context.Context, q AsOf) (*view, AsOf, error) {
	q, err := a.normal(q)
	if err != nil {
		return nil, q, err
	}
	version, err := a.store.DataVersion(ctx)
	if err != nil {
		return nil, q, err
	}
	if v := a.kept(version, q); v != nil {
		return v, q, nil
	}
	v, err := a.fly(ctx, flightKey{version, q})
	return v, q, err
}

// pageView is view for pages: where computing is slow, what was computed last
// will do while the new is on its way, over midnight too.
func (a *Assessor) pageView(ctx context.Context, now time.Time, version store.DataVersion) (*view, AsOf, error) {
	return a.viewWithin(ctx, now, version, 0)
}

// viewWithin is pageView that waits for the new one where it should be there in time.
func (a *Assessor) viewWithin(ctx context.Context, now time.Time, version store.DataVersion, patience time.Duration) (*view, AsOf, error) {
	q, err := a.normal(AsOf{At: now})
	if err != nil {
		return nil, q, err
	}
	if version.IsZero() {
		if version, err = a.store.DataVersion(ctx); err != nil {
			return nil, q, err
		}
	}
	if v := a.kept(version, q); v != nil {
		return v, q, nil
	}
	a.mu.Lock()
	old, took, done := a.latest, a.took, a.done
	a.mu.Unlock()
	if old != nil && took > slow && !old.q.At.After(q.At) {
		if took < patience {
			wait, cancel := context.WithTimeout(ctx, patience)
			v, as, err := a.await(wait, flightKey{version, q})
			late := wait.Err() != nil && ctx.Err() == nil
			cancel()
			if err == nil || !late {
				return v, as, err
			}
		} else if time.Since(done) > rest*took {
			a.refresh(flightKey{version, q})
		}
		q.At = old.q.At
		return old, q, nil
	}
	return a.await(ctx, flightKey{version, q})
}

// await waits for a computation for pages: the one under way when it sees all
// that key does, else one after it.
func (a *Assessor) await(ctx context.Context, key flightKey) (*view, AsOf, error) {
	for {
		f := a.refresh(key)
		select {
		case <-f.done:
		case <-ctx.Done():
			return nil, key.q, ctx.Err()
		}
		switch {
		case f.err != nil:
			return nil, key.q, f.err
		case f.v.answers(key.version, key.q):
			return f.v, key.q, nil
		case f.key == key || f.v.version == key.version && f.v.q.At.After(key.q.At):
			return f.v, f.v.q, nil
		}
	}
}

// refresh begins a computation for pages, or joins the one under way: there is
// one at a time, and it goes on when those who wait for it leave.
func (a *Assessor) refresh(key flightKey) *flight {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.page != nil {
		select {
		case <-a.page.done:
		default:
			return a.page
		}
	}
	a.page = a.begin(key)
	return a.page
}

// kept gives a view that answers q, if there is one.
func (a *Assessor) kept(version store.DataVersion, q AsOf) *view {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i, v := range a.views {
		if v.answers(version, q) {
			a.views = append(append(a.views[:i:i], a.views[i+1:]...), v)
			return v
		}
	}
	return nil
}

// flightKey is a computation that several callers may wait for.
type flightKey struct {
	version store.DataVersion
	q       AsOf
}

type flight struct {
	key     flightKey
	done    chan struct{}
	cancel  context.CancelFunc
	waiting int // callers; at none it is given up
	v       *view
	err     error
}

// fly computes a view, once for all who ask for it at the same time, and waits.
func (a *Assessor) fly(ctx context.Context, key flightKey) (*view, error) {
	f := a.start(key)
	select {
	case <-f.done:
		return f.v, f.err
	case <-ctx.Done():
		a.mu.Lock()
		f.waiting--
		last := f.waiting == 0
		a.mu.Unlock()
		if last {
			f.cancel()
			<-f.done // reading ends at once: the store may be closed now
		}
		return nil, ctx.Err()
	}
}

// limit bounds a computation that pages went on without.
const limit = 10 * time.Minute

// start begins a computation, or joins one under way.
func (a *Assessor) start(key flightKey) *flight {
	a.mu.Lock()
	defer a.mu.Unlock()
	if f := a.flights[key]; f != nil && f.waiting > 0 {
		f.waiting++
		return f
	}
	return a.begin(key)
}

// begin begins a computation; a.mu is held.
func (a *Assessor) begin(key flightKey) *flight {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	f := &flight{key: key, done: make(chan struct{}), cancel: cancel, waiting: 1}
	a.flights[key] = f
	usual := key.q.KnownAt.IsZero() && key.q.From.IsZero() && key.q.To.IsZero()
	go func() {
		defer cancel()
		begun := time.Now()
		select {
		case a.busy <- struct{}{}:
			f.v, f.err = a.compute(ctx, key.q)
			<-a.busy
		case <-ctx.Done():
			f.err = ctx.Err()
		}
		a.mu.Lock()
		if a.flights[key] == f {
			delete(a.flights, key)
		}
		a.work.note(f.err, time.Since(begun))
		if f.err == nil {
			// Nobody can be answered by one from before something was written.
			a.views = slices.DeleteFunc(a.views, func(v *view) bool { return v.version.Before(f.v.version) })
			a.views = append(a.views, f.v)
			if len(a.views) > keptViews {
				a.views = append([]*view(nil), a.views[1:]...)
			}
			if usual && (a.latest == nil || !f.v.q.At.Before(a.latest.q.At)) {
				a.latest, a.took, a.done = f.v, time.Since(begun), time.Now()
			}
		}
		a.mu.Unlock()
		close(f.done)
		a.markFits()
		if usual && f.err == nil {
			a.moveUp(ctx, f.v)
		}
		tidy()
	}()
	return f
}

// fit is what was estimated from one set of layers.
type fit struct {
	size      [2]int    // of what it was made of
	made      *gathered // that, until its fingerprint is taken
	key       [32]byte  // its fingerprint
	questions []findings.Question
	ahead     *upkeep.Forecast // of starts to come
	graders   []findings.Grader

	once    sync.Once // makes what is learned of the starts, which go then
	starts  []upkeep.Past
	learned *upkeep.Learned
}

// learn gives what runs of starts tell beyond the model. It is learned when it is
// first asked for: findings do without.
func (f *fit) learn() *upkeep.Learned {
	f.once.Do(func() { f.learned, f.starts = upkeep.Learn(f.ahead, f.starts), nil })
	return f.learned
}

// fitOf gives the kept fit of a set of layers; nil where there is none.
func (a *Assessor) fitOf(key [32]byte) *fit {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i, f := range a.fits {
		if f.made == nil && f.key == key {
			a.fits = append(append(a.fits[:i:i], a.fits[i+1:]...), f)
			return f
		}
	}
	return nil
}

// Run keeps the latest answer ready until ctx ends, so that no page need wait for
// a fit, and then ends what is being computed for pages.
func (a *Assessor) Run(ctx context.Context) {
	const least, most = 10 * time.Second, time.Minute
	a.Keep()
	for {
		if !a.draws.Load() {
			_ = a.Draws(ctx) // until then the lot decides nothing that is kept; told when it is asked for
		}
		begun := time.Now()
		// What goes wrong here goes wrong again, and is told, when it is asked for.
		a.ready(ctx)
		_, _ = a.Heights(ctx, a.store.Now(), store.DataVersion{})
		_ = a.readyFleet(ctx, a.store.Now())
		a.readyPlan(ctx, a.store.Now())
		a.keepSaid(ctx, a.store.Now())
		pause := min(max(least, 20*time.Since(begun)), most)
		select {
		case <-ctx.Done():
			a.mu.Lock()
			f := a.page
			a.mu.Unlock()
			if f != nil {
				f.cancel()
				<-f.done // reading ends at once: the store may be closed now
			}
			return
		case <-time.After(pause):
		}
	}
}

// ready computes the answer as of now, and what is due, unless they are kept.
func (a *Assessor) ready(ctx context.Context) {
	q, err := a.normal(AsOf{})
	if err != nil {
		return
	}
	version, err := a.store.DataVersion(ctx)
	if err != nil {
		return
	}
	v := a.kept(version, q)
	if v == nil {
		v, _, _ = a.await(ctx, flightKey{version, q})
	}
	if v != nil {
		_, _ = a.outlook(ctx, v)
	}
}
