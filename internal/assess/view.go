package assess

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// view is the farm as of a time, reduced to what answers need.
type view struct {
	q        AsOf
	version  store.DataVersion
	until    time.Time // answers are the same before it
	midnight time.Time // last midnight in the farm's zone
	fitFrom  time.Time // window of the fit, where it is another view's
	fitTo    time.Time

	settings         farm.SettingValues
	printers, plates []store.AnalysisThing
	from, to         time.Time
	gapSplit         float64 // NaN: no layer has a known gap
	layers           []layer // of the window, by time
	total            tally
	byPrinter        []counts
	byPlate          []counts
	fit              *fit     // of the farm as it was at midnight
	chosen           *fit     // the same of all that was graded, where fit is of a look list; nil: none is in use
	lately           []tally  // by printer, over the last days of the window
	next             []ahead  // by printer
	materials        []string // by index
	cases            map[caseKey][]caseMark
	graders          []int32 // numbers of people, by index
	apart            bool    // its fit is of a midnight long ago, and not kept
	unthinned        bool    // its fit goes through all layers, as sheets of old did
	credulous        bool    // its fit knows of no grime, as sheets of old did

	once  sync.Once // makes the three below, which many callers share
	items []Finding
	byTag map[string]Lately
	risks []Risk

	lotted *lotted // nil: nothing was drawn
	shown  map[int]*LotShown

	advises sync.Once // makes the one below
	advice  *upkeep.Adviser

	looking sync.Mutex // makes the one below
	ahead   Outlook
}

// layer is one started first layer of the window.
type layer struct {
	printer, plate int32
	gap            int32  // prints since the plate was cleaned, -1 unknown
	at             uint32 // seconds since the window began
	sinceProbe     int16  // starts; of both -1 unknown
	sinceWash      int16  // prints
	material       int16  // -1 not noted, or more than there is room for
	marks          uint16
	graded, failed bool
	restart        bool
	skipped        exposure.Tri
	state          exposure.State
}

// tally counts started, graded and failed layers.
type tally struct{ started, graded, failures int }

func (t *tally) add(l *layer) {
	t.started++
	if l.graded {
		t.graded++
		if l.failed {
			t.failures++
		}
	}
}

// arm counts graded layers of one kind of exposure.
type arm struct{ n, failures int }

func (a *arm) add(l *layer) {
	a.n++
	if l.failed {
		a.failures++
	}
}

// counts of a printer or a plate; exposed and known by cause.
type counts struct {
	tally
	known, exposed [2]arm // graded
	void           arm    // probed, then swapped or serviced
}

// compute reads the farm and computes all of a view.
func (a *Assessor) compute(ctx context.Context, q AsOf) (*view, error) {
	if k := a.rows.Load(); k == nil || !k.Kept() || !light() {
		defer leanly()()
	}
	var data *store.Analysis
	var cases map[caseKey][]caseMark
	var err, casesErr error
	beside(func() { data, err = a.read(ctx, q.At, q.KnownAt) }, func() { cases, casesErr = a.casesKnown(ctx, q.KnownAt) })
	if err = cmp.Or(err, casesErr); err != nil {
		return nil, err
	}
	v, zone := begun(q, data)
	v.cases = cases
	v.until = nextMidnight(q.At, zone)
	if data.Until < v.until.UnixMicro() {
		v.until = time.UnixMicro(data.Until)
	}
	data, had := a.earlier(v, data)
	next := nextStarts(&data.History, q.At.UnixMicro(), had.plates())
	v.settle(data)
	v.graders = data.GraderIDs
	// The fit takes longest, and what it is made of is gathered first; all that is counted
	// is counted beside it.
	ex, coming, parted := exposure.WithThen(&data.History, next, v.midnight.UnixMicro())
	var taken sync.WaitGroup // what the fit is made of
	taken.Add(1)
	beside(func() {
		v.fill(data, ex)
		v.lookAhead(data, had, ex, next, coming)
		v.count()
		err = a.lot(ctx, v, data, had, ex)
		taken.Wait()
		*data = store.Analysis{} // nothing else of the reading is needed any more
	}, func() {
		was := before(data, v.midnight.UnixMicro())
		if was.ex = ex; !parted {
			was.ex = exposure.Of(was.h)
		}
		listed, all := gather(v, data, was, zone)
		was = known{}
		taken.Done()
		a.estimate(v, listed, all)
	})
	if err != nil {
		return nil, err
	}
	return v, ctx.Err()
}

// casesKnown reads what is known of cases by a time.
func (a *Assessor) casesKnown(ctx context.Context, knownAt time.Time) (map[caseKey][]caseMark, error) {
	marks, err := a.store.CaseMarks(ctx, knownAt)
	if err != nil {
		return nil, err
	}
	out := map[caseKey][]caseMark{}
	for _, m := range marks {
		k := caseKey{m.Kind, m.Subject, m.Cause}
		out[k] = append(out[k], caseMark{m.At, m.Step})
	}
	return out, nil
}

// begun gives a view of which nothing is counted yet, and the farm's zone.
func begun(q AsOf, data *store.Analysis) (*view, *time.Location) {
	zone := data.Settings.Zone()
	return &view{q: q, version: data.Version, settings: data.Settings, printers: data.Printers, plates: data.Plates, midnight: lastMidnight(q.At, zone)}, zone
}

// answers tells whether the view answers another question of its version.
func (v *view) answers(version store.DataVersion, q AsOf) bool {
	return v.version == version && v.q.KnownAt.Equal(q.KnownAt) && v.q.From.Equal(q.From) && v.q.To.Equal(q.To) &&
		!q.At.Before(v.q.At) && (q.At.Equal(v.q.At) || q.At.Before(v.until))
}

// lastMidnight is when the day began in a zone; where the clocks left midnight
// out, when they did.
func lastMidnight(at time.Time, zone *time.Location) time.Time {
	y, m, d := at.In(zone).Date()
	return dayBegins(y, m, d, zone)
}

func nextMidnight(at time.Time, zone *time.Location) time.Time {
	y, m, d := at.In(zone).Date()
	return dayBegins(y, m, d+1, zone)
}

func dayBegins(y int, m time.Month, d int, zone *time.Location) time.Time {
	t := time.Date(y, m, d, 0, 0, 0, 0, zone)
	if t.Hour() == 23 { // the hour before the gap
		_, t = t.ZoneBounds()
	}
	return t
}

// window settles the window and gathers its layers.
func (v *view) window(data *store.Analysis, ex []exposure.Exposure) {
	v.settle(data)
	v.fill(data, ex)
}

// settle settles the window.
func (v *view) settle(data *store.Analysis) {
	starts := data.History.Starts
	v.from, v.to = v.q.From, v.q.To
	if v.to.IsZero() {
		v.to = v.q.At // a farm without a start: nothing else can end its window
		if n := len(starts); n > 0 {
			v.to = time.UnixMicro(starts[n-1].At).UTC()
		} else {
			v.until = v.q.At
		}
	}
	if v.from.IsZero() {
		v.from = v.to.Add(-Window)
	}
}

// fill gathers the window's layers.
func (v *view) fill(data *store.Analysis, ex []exposure.Exposure) {
	starts := data.History.Starts
	first, end := span(starts, v.from.UnixMicro(), v.to.UnixMicro())
	recent, _ := span(starts, v.to.Add(-LatelyWindow).UnixMicro(), v.to.UnixMicro())
	v.lately = make([]tally, len(v.printers))
	v.layers = make([]layer, 0, end-first)
	for i := first; i < end; i++ {
		l, e := &data.Labels[i], &ex[i]
		v.layers = append(v.layers, layer{printer: starts[i].Printer, plate: e.Plate, gap: e.PrintsSinceClean, marks: l.Marks,
			at: uint32(starts[i].At/1e6 - v.from.Unix()), sinceProbe: short(e.PrintsSinceProbe), sinceWash: short(e.PrintsSinceWash), material: named(l.Material),
			graded: l.Graded, failed: starts[i].Failed, restart: e.Restart, skipped: e.Skipped, state: e.State})
		if i >= recent {
			v.lately[starts[i].Printer].add(&v.layers[len(v.layers)-1])
		}
	}
}

// span gives the starts with from < start <= to of a list in order of time.
func span(starts []exposure.Start, from, to int64) (first, end int) {
	after := func(t int64) int {
		i, _ := slices.BinarySearchFunc(starts, t, func(s exposure.Start, t int64) int {
			if s.At <= t {
				return -1
			}
			return 1
		})
		return i
	}
	first, end = after(from), after(to)
	return first, max(first, end)
}

// count does the plain counting.
func (v *view) count() {
	v.gapSplit = median(len(v.layers), func(i int) (int32, bool) { l := &v.layers[i]; return l.gap, l.graded && l.gap >= 0 })
	v.byPrinter, v.byPlate = make([]counts, len(v.printers)), make([]counts, len(v.plates))
	for i := range v.layers {
		l := &v.layers[i]
		v.total.add(l)
		p := &v.byPrinter[l.printer]
		p.add(l)
		if l.plate >= 0 {
			v.byPlate[l.plate].add(l)
		}
		if !l.graded {
			continue
		}
		if l.skipped != exposure.Unknown {
			p.known[findings.SkippedProbing].add(l)
			switch {
			case l.skipped == exposure.Yes:
				p.exposed[findings.SkippedProbing].add(l)
			case l.state == exposure.StateVoid:
				p.void.add(l)
			}
		}
		if l.gap < 0 {
			continue
		}
		exposed := float64(l.gap) > v.gapSplit
		for _, c := range [...]*counts{p, plateOf(v.byPlate, l.plate)} {
			if c == nil {
				continue
			}
			c.known[findings.CleaningGap].add(l)
			if exposed {
				c.exposed[findings.CleaningGap].add(l)
			}
		}
	}
}

func plateOf(list []counts, plate int32) *counts {
	if plate < 0 {
		return nil
	}
	return &list[plate]
}

// median of the values that count; halfway between the middle two.
func median(n int, at func(i int) (int32, bool)) float64 {
	var hist []int
	total := 0
	for i := range n {
		v, ok := at(i)
		if !ok {
			continue
		}
		for int(v) >= len(hist) {
			hist = append(hist, make([]int, 64+len(hist))...)
		}
		hist[v]++
		total++
	}
	if total == 0 {
		return unknown
	}
	rank := func(k int) float64 {
		for v, c := range hist {
			if k -= c; k < 0 {
				return float64(v)
			}
		}
		return unknown
	}
	return (rank((total-1)/2) + rank(total/2)) / 2
}
