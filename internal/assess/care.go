package assess

import (
	"context"
	"math"
	"sync"
	"time"

	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// named is a material's number in 16 bits; of more materials than that none is known.
func named(material int32) int16 {
	if material > math.MaxInt16 {
		return -1
	}
	return int16(material)
}

// Month is the time by which policies are judged: what one would have asked for, and
// what became of one.
const Month = 28 * 24 * time.Hour

// Care is how the farm was looked after in the window of a view, ready to be asked
// what policies would have made of it. It goes by one view and may be used by many.
type Care struct {
	At      time.Time // as of when
	Costs   upkeep.Costs
	season  upkeep.Season
	adviser *upkeep.Adviser
	view    *view
	store   *store.Store

	once    sync.Once // makes the next
	advised []Advised

	mu   sync.Mutex // over the season's jobs, which are read when a policy asks
	jobs bool
}

// startAt finds a start: its printer, and the second it was made.
type startAt struct {
	printer string
	second  int64
}

// careKeep keeps what was worked out of the latest view.
type careKeep struct {
	mu   sync.Mutex
	of   *view
	care *Care
}

// Care gives the care of the farm as of now, for pages: of the view they go by. The
// first to ask for a view's waits for it to be put together.
func (a *Assessor) Care(ctx context.Context, now time.Time) (*Care, error) {
	v, q, err := a.pageView(ctx, now, store.DataVersion{})
	if err != nil {
		return nil, err
	}
	a.care.mu.Lock()
	defer a.care.mu.Unlock()
	if a.care.of == v {
		return a.care.care, nil
	}
	c, err := a.careOf(ctx, v, q)
	if err == nil {
		a.care.of, a.care.care = v, c
	}
	return c, err
}

func (a *Assessor) careOf(ctx context.Context, v *view, q AsOf) (*Care, error) {
	surfaces, err := a.store.PlateSurfaces(ctx)
	if err != nil {
		return nil, err
	}
	more, err := a.store.CareFacts(ctx, v.from, v.to)
	if err != nil {
		return nil, err
	}
	c := v.care(surfaces, more)
	c.At, c.store = q.At, a.store
	return c, nil
}

func (v *view) care(surfaces map[string]string, more *store.CareFacts) *Care {
	c := &Care{view: v, adviser: v.adviser(), Costs: costsOf(v.settings)}
	s := &c.season
	s.Starts = make([]upkeep.Ran, 0, len(v.layers))
	type key struct{ printer, plate, material int32 }
	grounds := map[key]int32{}
	from := v.from.Unix()
	for i := range v.layers {
		l := &v.layers[i]
		k := key{l.printer, l.plate, int32(l.material)}
		g, ok := grounds[k]
		if !ok {
			g = int32(len(s.Grounds))
			grounds[k] = g
			x := upkeep.Ground{Place: upkeep.Place{Printer: v.printers[l.printer].Tag, Material: v.material(k.material)}, BedC: unknown,
				Next: upkeep.Next{Printer: l.printer, Plate: l.plate, Material: k.material}}
			if l.plate >= 0 {
				x.Place.Plate = v.plates[l.plate].Tag
				x.Surface = surfaces[x.Place.Plate]
			}
			if t, ok := more.BedC[x.Place.Material]; ok {
				x.BedC = t
			}
			s.Grounds = append(s.Grounds, x)
		}
		at := from + int64(l.at)
		s.Starts = append(s.Starts, upkeep.Ran{At: at * 1e6, Ground: g, SinceProbe: int32(l.sinceProbe), SinceWash: int32(l.sinceWash), Gap: l.gap,
			Probing: findings.Probing(l.state), Graded: l.graded, Failed: l.failed})
	}
	for _, w := range more.Services {
		if i := numbered(v.printers, w.Printer); i >= 0 {
			s.Work = append(s.Work, upkeep.Work{At: w.DoneAt.UnixMicro(), Printer: i, Moved: w.Moved})
		}
	}
	return c
}

// readJobs reads how large the jobs of the starts are, unless that is known.
func (c *Care) readJobs(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.jobs {
		return nil
	}
	list, err := c.store.JobStarts(ctx, c.view.from, c.view.to)
	if err != nil {
		return err
	}
	of := make(map[startAt]int32, len(list))
	for _, j := range list {
		of[startAt{j.Printer, j.StartedAt.Unix()}] = int32(j.Plates)
	}
	jobs := make([]int32, len(c.season.Starts))
	for i := range jobs {
		r := &c.season.Starts[i]
		jobs[i] = of[startAt{c.season.Grounds[r.Ground].Place.Printer, r.At / 1e6}]
	}
	c.season.Jobs, c.jobs = jobs, true
	return nil
}

// about reads what policies and a scope ask about, and gives the season with it.
func (c *Care) about(ctx context.Context, scope *upkeep.Scope, inForce ...upkeep.Policy) (*upkeep.Season, error) {
	asks := scope.JobFrom > 0 || scope.JobTo > 0
	for i := range inForce {
		asks = asks || inForce[i].JobFrom > 0 || inForce[i].JobTo > 0
	}
	if asks {
		if err := c.readJobs(ctx); err != nil {
			return nil, err
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	season := c.season
	return &season, nil
}

// short is a count that fits into 16 bits; longer ones are as long as a dose gets.
func short(n int32) int16 { return int16(min(n, math.MaxInt16)) }

// Preview is what a set of policies would have asked for in the last four weeks
// within a scope, beside what was done.
type Preview struct {
	From, To time.Time
	upkeep.Replayed

	costs *upkeep.Costs
}

// Minutes that a tally's upkeep takes.
func (p *Preview) Minutes(t *upkeep.Tally) upkeep.Effort { return t.Minutes(p.costs) }

// Worth is what the policies would have saved all told with so many failures fewer,
// money: the failures' cost less that of the upkeep that was asked for beyond what was
// done.
func (p *Preview) Worth(fewer float64) float64 {
	was, is := p.Minutes(&p.Done), p.Minutes(&p.Asked)
	return fewer*p.costs.Failure() - ((is.Person-was.Person)*p.costs.LabourHour+(is.Machine-was.Machine)*p.costs.MachineHour)/60
}

// Preview replays the four weeks before the latest start as if the policies in force
// alone had asked; the four before them set the counts.
func (c *Care) Preview(ctx context.Context, inForce []upkeep.Policy, scope *upkeep.Scope) (Preview, error) {
	p := Preview{To: c.view.to, costs: &c.Costs}
	p.From = p.To.Add(-Month)
	season, err := c.about(ctx, scope, inForce...)
	if err != nil {
		return p, err
	}
	p.Replayed = c.adviser.Replay(season.Since(p.From.Add(-Month).UnixMicro()), inForce, scope, p.From.UnixMicro())
	return p, nil
}

// Window is the time whose starts are counted: from < start <= to.
func (c *Care) Window() (from, to time.Time) { return c.view.from, c.view.to }

// Count tells what was done within a scope and elsewhere, from <= start < to.
func (c *Care) Count(ctx context.Context, scope *upkeep.Scope, from, to time.Time) (within, others upkeep.Tally, err error) {
	season, err := c.about(ctx, scope)
	if err == nil {
		within, others = season.Count(scope, from.UnixMicro(), to.UnixMicro())
	}
	return within, others, err
}

// Minutes that a tally's upkeep took, by the farm's minutes of now.
func (c *Care) Minutes(t *upkeep.Tally) upkeep.Effort { return t.Minutes(&c.Costs) }

// Zone is the farm's.
func (c *Care) Zone() *time.Location { return c.view.settings.Zone() }

// Currency is the farm's word beside amounts.
func (c *Care) Currency() string { return c.view.settings.Text("currency") }
