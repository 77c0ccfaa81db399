package store

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"
)

// tally is a count in the making.
type tally struct{ started, graded, failures, late int32 }

// tallies tell what a layer's flags add.
var tallies = func() (t [8]tally) {
	for f := range t {
		t[f].started = 1
		if f&flagGraded != 0 {
			t[f].graded = 1
			if f&flagFailed != 0 {
				t[f].failures = 1
			}
			if f&flagLate != 0 {
				t[f].late = 1
			}
		}
	}
	return t
}()

// counts are tallies as they are answered.
var counts = func() (c [8]TrendCount) {
	for f, t := range tallies {
		c[f] = t.count()
	}
	return c
}()

func (t *tally) add(o tally) {
	t.started += o.started
	t.graded += o.graded
	t.failures += o.failures
	t.late += o.late
}

func (t tally) count() TrendCount {
	return TrendCount{int(t.started), int(t.graded), int(t.failures), int(t.late)}
}

// trendCounter counts the layers of one day after another.
type trendCounter struct {
	q       TrendQuery
	things  *trendThings
	from    int64
	to      int64
	bounds  []int64
	fitted  *fittedPlates // nil: every layer names its plate, or none is asked for
	unknown []string

	filters []trendFilter

	buckets []tally
	// Groups are numbered as they first appear; 0 is what names nothing.
	numbers []int32          // by a thing's number: one more than its group; 0 not numbered yet
	byName  map[string]int32 // by a name that several things share
	names   []string
	groups  []tally      // by group
	inside  []TrendCount // by group, and in it by bucket, as they are answered; nil: not asked for
	pairs   pairTable

	spans    []groupSpan
	life     *plateLife // nil: not asked for
	looks    lookCounter
	outcomes []TrendOutcome

	// Room that is used again for each day.
	keep    []bool
	bucket  []int32
	group   []int32
	second  []int32
	plates  []int32
	allowed []bool
	table   []int32
}

// window is the time that counts: from <= started_at < to, in µs since 1970.
func (q *TrendQuery) window() (from, to int64) {
	from, to = q.Bounds[0].UnixMicro(), q.Bounds[len(q.Bounds)-1].UnixMicro()
	if !q.Until.IsZero() {
		to = max(from, min(to, q.Until.UnixMicro()+1))
	}
	return from, to
}

// trendFilter keeps the layers whose thing in one dimension passes.
type trendFilter struct {
	dim  dimension
	pass func(id int32, text string) bool
}

func newTrendCounter(q TrendQuery, things *trendThings) *trendCounter {
	c := &trendCounter{q: q, things: things, byName: map[string]int32{}}
	for _, b := range q.Bounds {
		c.bounds = append(c.bounds, b.UnixMicro())
	}
	c.from, c.to = q.window()
	c.buckets = make([]tally, len(c.bounds)-1)
	c.filterBy("printer", dimPrinter, q.Filter.Printer, things.printers)
	c.filterBy("plate", dimPlate, q.Filter.Plate, things.plates)
	c.filterBy("surface", dimPlate, q.Filter.Surface, things.surfaces)
	c.filterBy("material", dimMaterial, q.Filter.Material, things.materials)
	c.filterBy("job", dimJob, q.Filter.Job, things.jobs)
	c.filterBy("bay", dimPrinter, q.Filter.Bay, things.bays)
	c.filterBy("grader", dimGrader, q.Filter.Grader, things.graders)
	if lot := q.Filter.Lot; lot != "" {
		c.filters = append(c.filters, trendFilter{dimLot, func(_ int32, text string) bool { return text == lot }})
	}
	if q.By == TrendHour {
		for h := range 24 {
			c.newGroup(fmt.Sprintf("%02d", h))
		}
		c.spans = hourSpans(q.Zone, c.from, c.to)
	} else if bands := LifeBands(q.By); bands != nil {
		c.newGroup("") // no plate, or no wash on record
		for _, b := range bands {
			c.newGroup(fmt.Sprintf("%04d", b))
		}
	} else if q.By == TrendShift {
		c.newGroup("")
		c.spans = c.shiftSpans(q.Shifts, q.Zone)
	} else if q.By != TrendAll && q.By != TrendPair {
		c.newGroup("")
	}
	return c
}

func (c *trendCounter) filterBy(word string, dim dimension, name string, names map[int32]string) {
	if name == "" {
		return
	}
	passing := map[int32]bool{}
	for id, n := range names {
		if n == name {
			passing[id] = true
		}
	}
	if len(passing) == 0 {
		c.unknown = append(c.unknown, word)
	}
	c.filters = append(c.filters, trendFilter{dim, func(id int32, _ string) bool { return passing[id] }})
}

// groupDimensions are the dimensions whose things are the groups.
func (q *TrendQuery) groupDimensions() []dimension {
	if q.By == TrendPair {
		return []dimension{dimPrinter, dimPlate}
	}
	if d := q.groupDimension(); d >= 0 {
		return []dimension{d}
	}
	return nil
}

// groupDimension is the one dimension whose things are the groups; -1 none.
func (q *TrendQuery) groupDimension() dimension {
	switch q.By {
	case TrendPlate, TrendSurface:
		return dimPlate
	case TrendPrinter, TrendBay:
		return dimPrinter
	case TrendMaterial:
		return dimMaterial
	case TrendJob:
		return dimJob
	}
	return -1
}

// needs lists the dimensions that must be read where every layer names its plate.
func (q *TrendQuery) needs() (list []dimension) {
	f := q.Filter
	need := [dimensions + 1]bool{dimPrinter: f.Printer+f.Bay != "", dimPlate: f.Plate+f.Surface != "" || LifeBands(q.By) != nil,
		dimMaterial: f.Material != "", dimJob: f.Job != "", dimGrader: f.Grader != "", dimLot: f.Lot != ""}
	for _, d := range q.groupDimensions() {
		need[d] = true
	}
	for d := range need {
		if need[d] {
			list = append(list, dimension(d))
		}
	}
	return list
}

// needs lists the dimensions that must be read: where plates are looked up, those too
// that tell them.
func (c *trendCounter) needs() []dimension {
	list := c.q.needs()
	if c.fitted != nil {
		list = append(list, dimPrinter, dimPlate)
		slices.Sort(list)
		list = slices.Compact(list)
	}
	return list
}

// needsPlate tells whether it matters which plate a layer was on.
func (c *trendCounter) needsPlate() bool { return slices.Contains(c.needs(), dimPlate) }

// needsTimes tells whether the times of a day's layers must be read.
func (c *trendCounter) needsTimes(day int64) bool {
	if c.fitted != nil || c.q.By == TrendWashed {
		return true
	}
	if c.earlier(day) {
		return false
	}
	if c.q.By == TrendHour || c.q.By == TrendShift || c.q.Outcomes {
		return true
	}
	return c.wholeIn(day) < 0
}

// wholeIn is the bucket a UTC day lies in as a whole; -1 when it is cut.
func (c *trendCounter) wholeIn(day int64) int {
	first, last := c.bucketOf(day*microsPerDay), c.bucketOf((day+1)*microsPerDay-1)
	if first != last {
		return -1
	}
	return first
}

// bucketOf finds an instant's bucket; -1 outside the window.
func (c *trendCounter) bucketOf(at int64) int {
	if at < c.from || at >= c.to {
		return -1
	}
	return sort.Search(len(c.bounds), func(i int) bool { return c.bounds[i] > at }) - 1
}

// expect makes room for so many groups.
func (c *trendCounter) expect(groups int) {
	c.groups, c.names = slices.Grow(c.groups, groups), slices.Grow(c.names, groups)
	if c.q.InBuckets {
		c.inside = slices.Grow(c.inside, groups*len(c.buckets))
	}
}

func (c *trendCounter) newGroup(name string) int32 {
	n := int32(len(c.groups))
	c.groups = append(c.groups, tally{})
	c.names = append(c.names, name)
	if c.q.InBuckets {
		c.inside = append(c.inside, make([]TrendCount, len(c.buckets))...)
	}
	return n
}

// groupNamed numbers the group of a name that may have one already; 0 that of none.
func (c *trendCounter) groupNamed(name string) int32 {
	if name == "" {
		return 0
	}
	n, ok := c.byName[name]
	if !ok {
		n = c.newGroup(name)
		c.byName[name] = n
	}
	return n
}

// groupOf numbers a thing's group.
func (c *trendCounter) groupOf(id int32) int32 {
	if int(id) < len(c.numbers) && c.numbers[id] > 0 {
		return c.numbers[id] - 1
	}
	var name string
	switch c.q.By {
	case TrendPlate:
		name = c.things.plates[id]
	case TrendPrinter:
		name = c.things.printers[id]
	case TrendMaterial:
		name = c.things.materials[id]
	case TrendJob:
		name = c.things.jobs[id]
	case TrendSurface:
		name = c.things.surfaces[id]
	case TrendBay:
		name = c.things.bays[id]
	}
	n := c.groupNamed(name)
	for int(id) >= len(c.numbers) {
		c.numbers = append(c.numbers, 0)
	}
	c.numbers[id] = n + 1
	return n
}

// day counts a day's layers. Its times may be missing where they are not
// needed; columns that are not needed may be stale.
func (c *trendCounter) day(d *layerDay) {
	n := d.len()
	if n == 0 {
		return
	}
	plates := c.platesOf(d)
	if c.life != nil {
		c.livesOf(d, plates)
		if c.earlier(d.day) {
			return
		}
	}
	c.keep = sized(c.keep, n)
	for i := range c.keep {
		c.keep[i] = true
	}
	c.cut(d)
	for _, f := range c.filters {
		c.filter(d, f, plates)
	}
	if c.q.Outcomes {
		for i, keep := range c.keep {
			if keep && d.flags[i]&flagGraded != 0 {
				c.outcomes = append(c.outcomes, TrendOutcome{d.times[i], d.flags[i]&flagFailed != 0, d.flags[i]&flagLate != 0})
			}
		}
	}
	for i, keep := range c.keep {
		if keep {
			c.buckets[c.bucket[i]].add(tallies[d.flags[i]&7])
		}
	}
	defer c.looks.count(c, d)
	switch c.q.By {
	case TrendAll:
		return
	case TrendPair:
		c.countPairs(d, plates)
		return
	case TrendHour, TrendShift:
		c.spansOf(d)
	case TrendAge, TrendWashed: // done
	default:
		c.groupsOf(d, plates)
	}
	if c.inside != nil {
		buckets := len(c.buckets)
		for i, keep := range c.keep {
			if keep {
				c.inside[int(c.group[i])*buckets+int(c.bucket[i])].add(counts[d.flags[i]&7])
			}
		}
		return
	}
	for i, keep := range c.keep {
		if keep {
			c.groups[c.group[i]].add(tallies[d.flags[i]&7])
		}
	}
}

// platesOf gives each layer's plate by number where layers may name none; nil
// where every one names its own.
func (c *trendCounter) platesOf(d *layerDay) []int32 {
	if c.fitted == nil {
		return nil
	}
	c.plates = sized(c.plates, d.len())
	printers, plates := &d.columns[dimPrinter], &d.columns[dimPlate]
	for i := range c.plates {
		c.plates[i] = c.fitted.plateOf(d.times[i], printers.id(i), plates.id(i))
	}
	return c.plates
}

func (c *layerColumn) id(i int) int32 {
	if n := c.index[i]; n > 0 {
		return c.ids[n-1]
	}
	return 0
}

// finish turns tallies into counts.
func (c *trendCounter) finish(out *Trends) {
	for _, b := range c.buckets {
		out.Buckets = append(out.Buckets, b.count())
		out.Total.add(b.count())
	}
	out.Unknown, out.Outcomes = c.unknown, c.outcomes
	if c.q.Choices {
		out.Choices = c.things.choices()
	}
	out.Look, out.BucketLooks = c.looks.total, c.looks.buckets
	add := func(g TrendGroup) {
		switch {
		case g.Total.Started == 0:
		case g.Total.Graded < c.q.Least:
			out.Rest.add(g.Total)
			out.RestGroups++
		default:
			out.Groups = append(out.Groups, g)
		}
	}
	if c.q.By == TrendPair {
		out.Rest, out.RestGroups = c.pairs.each(c.q.Least, func(plate, printer int32, t TrendCount, cell int) {
			g := TrendGroup{Name: c.things.plates[plate], Second: c.things.printers[printer], Total: t}
			if l := c.looks.pairs[cell]; l != nil {
				g.Look = *l
			}
			out.Groups = append(out.Groups, g)
		})
	}
	out.Groups = slices.Grow(out.Groups, len(c.groups))
	for n := range c.groups {
		g := TrendGroup{Name: c.names[n], Total: c.groups[n].count(), Look: c.looks.of(n)}
		if size := len(c.buckets); c.inside != nil {
			g.Buckets = c.inside[n*size : (n+1)*size : (n+1)*size]
			for _, b := range g.Buckets {
				g.Total.add(b)
			}
		}
		add(g)
	}
	slices.SortFunc(out.Groups, func(a, b TrendGroup) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Second, b.Second))
	})
}
