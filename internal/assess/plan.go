package assess

import (
	"cmp"
	"math"
	"slices"
	"time"

	"basecourse/internal/findings"
	"basecourse/internal/planning"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// What a plan takes for granted beside the farm's settings.
const (
	planDays   = 3    // a plan reaches so far, or to the last date
	planMost   = 14   // but no further than so many days
	planWalk   = 1    // minutes between bays
	planRounds = 4    // of adding starts until enough
	Confidence = 0.95 // that a job gets as many good ones as it needs
)

// Plan is the prep plan of all open jobs, as of a time.
type Plan struct {
	AsOf        time.Time
	Jobs        []PlannedJob
	Tasks       []PlannedTask
	Cost, Bound float64
	Gap         float64 // NaN at a bound of 0
	Exact       bool

	// Of all jobs together; ranges hold 90 of 100.
	Failures                  float64
	FailuresLow, FailuresHigh int
	CostLow, CostHigh         float64
}

// PlannedJob is an open job in a plan.
type PlannedJob struct {
	Job           string
	Needed, Start int
	Enough        float64 // chance that as many are good as needed
	Starts        []PlannedStart
	Due           time.Time // zero: at no time
	Late          int       // minutes
	Cannot        string    // what cannot be done, and what it would take; "" all can
	Expected      Expected  // without chances where none is planned
}

// PlannedStart is a start of a job.
type PlannedStart struct {
	Printer, Plate string
	At, End        time.Time
	PFail          float64
	PLow, PHigh    float64 // 95 of 100
}

// PlannedTask is a piece of prep. Person is "" where nobody need be named.
type PlannedTask struct {
	Task, Printer, Plate, Person string
	At, End                      time.Time
	Because                      string

	// Of the plan in force alone: the job it is for, what names it from plan to plan
	// (with Task), how often it was changed and when last.
	Job      string
	Key      string
	Sequence int
	Since    time.Time
	Number   int32 // of the person; 0 nobody need be named
}

type planner struct {
	v          *view
	q          AsOf
	rows       *store.PlanRows
	confidence float64
	origin     time.Time
	in         *planning.Instance
	jobs       []int // of the instance's jobs: row
	typical    []float64
	nobody     bool             // no shift is recorded: somebody is always there
	numbers    []int32          // of the instance's people
	number     map[string]int32 // of people by handle
	at         []int            // of the instance's printers: place among the view's; -1 none
	asks       map[string][]upkeep.Item
	musts      []map[string]string // of the instance's printers: what must be done before the first start, and why
}

func (p *planner) minute(t time.Time) int {
	return int(math.Ceil(t.Sub(p.origin).Minutes()))
}

func (p *planner) plan() (*planning.Plan, *Plan) {
	p.instance()
	p.solve(func() *planning.Plan { return planning.Sketch(p.in) })
	got := planning.Solve(p.in)
	if p.short(got) { // its starts are likelier to fail than the sketch's
		got = p.solve(func() *planning.Plan { return planning.Replan(p.in, got, 0) })
		got.Prove(p.in)
	}
	return got, p.answer(got)
}

// solve adds starts until each job has enough.
func (p *planner) solve(make func() *planning.Plan) *planning.Plan {
	for round := 0; ; round++ {
		got := make()
		if round == planRounds || !p.short(got) {
			return got
		}
	}
}

// short adds a start to each job that has too few, and tells whether there was one.
func (p *planner) short(got *planning.Plan) (more bool) {
	for j := range p.in.Jobs {
		if got.Unplaced[j] == 0 && p.enough(got, j) < p.confidence {
			p.in.Jobs[j].Starts++
			more = true
		}
	}
	return more
}

// enough is the chance that a job gets what it needs; what is started and not
// graded counts at the usual chance.
func (p *planner) enough(got *planning.Plan, j int) float64 {
	var fail []float64
	for i := range got.Starts {
		if got.Starts[i].Job == j {
			fail = append(fail, got.Starts[i].PFail)
		}
	}
	return p.chance(j, fail)
}

// chance that a job gets what it needs with further starts that fail so.
func (p *planner) chance(j int, fail []float64) float64 {
	row := &p.rows.Jobs[p.jobs[j]]
	return planning.AtLeast(append(slices.Repeat([]float64{p.typical[j]}, row.Open), fail...), row.Needed-row.Good)
}

// instance lays out what there is to plan with.
func (p *planner) instance() {
	set := p.v.settings
	in := &planning.Instance{BatchMost: max(1, int(set.Number("wash_batch"))), StartMinutes: 1,
		Labour: set.Number("labour_per_hour") / 60, Machine: set.Number("machine_per_hour") / 60}
	for _, r := range recipes {
		in.Recipes = append(in.Recipes, p.steps(r))
	}
	p.in = in
	p.people()
	bays := map[string]int{}
	for i := range p.rows.Printers {
		bay := p.rows.Printers[i].Bay
		if _, ok := bays[bay]; !ok {
			bays[bay] = len(bays)
		}
	}
	in.Travel = make([][]int, len(bays))
	for i := range in.Travel {
		in.Travel[i] = make([]int, len(bays))
		for k := range in.Travel[i] {
			if i != k {
				in.Travel[i][k] = planWalk
			}
		}
	}
	in.Horizon = planDays * 24 * 60
	kinds := map[string]int{}
	var materials []*store.PlanJob // one of each
	for i := range p.rows.Jobs {
		row := &p.rows.Jobs[i]
		if row.Hours <= 0 || row.Needed-row.Good <= 0 {
			continue
		}
		kind, known := kinds[row.Material]
		if !known {
			kind = len(kinds)
			kinds[row.Material] = kind
			materials = append(materials, row)
		}
		j := planning.Job{Name: row.Job, Kind: kind, Minutes: max(1, int(math.Ceil(row.Hours*60))), Due: planning.Never, FailCost: set.FailureCost()}
		if row.EarliestStart != nil {
			j.Earliest = max(0, p.minute(*row.EarliestStart))
		}
		if row.Due != nil {
			j.Due = p.minute(*row.Due)
			in.Horizon = min(max(in.Horizon, j.Due), planMost*24*60)
			if row.LateFee != nil {
				j.LateFee = *row.LateFee
			}
		}
		in.Jobs = append(in.Jobs, j)
		p.jobs = append(p.jobs, i)
	}
	p.printers(bays, materials)
	p.counts()
}

// people come to work in their shifts; shifts that touch or overlap are one.
func (p *planner) people() {
	p.number = map[string]int32{}
	for i := range p.rows.Shifts {
		s := &p.rows.Shifts[i]
		from, to := max(0, p.minute(s.From)), int(math.Floor(s.To.Sub(p.origin).Minutes()))
		if to <= from {
			continue
		}
		n := len(p.in.People)
		if n == 0 || p.in.People[n-1].Name != s.Person {
			p.in.People = append(p.in.People, planning.Person{Name: s.Person})
			p.numbers, p.number[s.Person] = append(p.numbers, s.Number), s.Number
			n++
		}
		turns := &p.in.People[n-1].Turns
		if k := len(*turns); k > 0 && from <= (*turns)[k-1].To {
			(*turns)[k-1].To = max((*turns)[k-1].To, to)
			continue
		}
		*turns = append(*turns, planning.Span{From: from, To: to})
	}
	if len(p.rows.Shifts) == 0 {
		p.nobody, p.numbers = true, []int32{0}
		p.in.People = []planning.Person{{Turns: []planning.Span{{From: 0, To: 2 * planMost * 24 * 60}}}}
	}
}

// printers with the plates they work on: the one that is on them if it may be
// used, else a free one that fits, to be put on before the first start.
func (p *planner) printers(bays map[string]int, materials []*store.PlanJob) {
	plates := map[string]*store.PlanPlate{}
	for i := range p.rows.Plates {
		if l := &p.rows.Plates[i]; l.State == "in_use" && !l.Held {
			plates[l.Plate] = l
		}
	}
	index := map[string]int{}
	number := map[string]int32{}
	for i := range p.v.printers {
		index[p.v.printers[i].Tag] = i
		if j := p.v.next[i].next.Plate; j >= 0 {
			number[p.v.plates[j].Tag] = -1 // on a printer
		}
	}
	var spare []*store.PlanPlate
	for i := range p.rows.Plates {
		l := &p.rows.Plates[i]
		if _, on := number[l.Plate]; plates[l.Plate] != nil && !on {
			spare = append(spare, l)
		}
	}
	for i := range p.v.plates {
		number[p.v.plates[i].Tag] = int32(i)
	}
	for i := range p.rows.Printers {
		row := &p.rows.Printers[i]
		x := planning.Printer{Tag: row.Printer, Bay: bays[row.Bay]}
		if row.BusyUntil != nil {
			x.Free = max(0, p.minute(*row.BusyUntil))
		}
		k, known := index[row.Printer]
		if !known {
			k = -1
		}
		p.at, p.musts = append(p.at, k), append(p.musts, nil)
		if !known || row.Held {
			x.Free = planning.Never
			p.in.Printers = append(p.in.Printers, x)
			continue
		}
		next, sinceWash, swap := p.v.next[k].next, p.v.next[k].sinceWash, false
		if next.Plate >= 0 && plates[p.v.plates[next.Plate].Tag] != nil {
			x.Plate = p.v.plates[next.Plate].Tag
		} else if n := slices.IndexFunc(spare, func(l *store.PlanPlate) bool {
			return (l.SizeX == nil || *l.SizeX <= row.SizeX) && (l.SizeY == nil || *l.SizeY <= row.SizeY)
		}); n >= 0 {
			x.Plate, swap = spare[n].Plate, true
			next.Plate, next.Gap, next.PlateFailed, sinceWash = number[x.Plate], -1, false, -1
			if next.Probing == findings.ProbingValid {
				next.Probing = findings.ProbingVoid
			}
			spare = slices.Delete(spare, n, n+1)
		} else {
			x.Free = planning.Never
		}
		soak := slices.ContainsFunc(materials, func(m *store.PlanJob) bool { return p.soaks(row, m.Bed) })
		must := p.must(&x, row, swap, soak)
		for _, m := range materials {
			next.Material = p.material(m.Material)
			x.Chances = append(x.Chances, p.prepared(next, sinceWash, must, p.soaks(row, m.Bed)))
		}
		p.musts[i] = must
		p.in.Printers = append(p.in.Printers, x)
	}
}

func (p *planner) material(name string) int32 {
	if name == "" {
		return -1
	}
	return int32(slices.Index(p.v.materials, name))
}

// counts says how many starts each job needs to begin with, at a usual chance:
// the median over printers of the lesser one.
func (p *planner) counts() {
	for j := range p.in.Jobs {
		var all []float64
		for i := range p.in.Printers {
			x := &p.in.Printers[i]
			if x.Free != planning.Never {
				all = append(all, x.Chances[p.in.Jobs[j].Kind][0].Later)
			}
		}
		slices.Sort(all)
		usual := 0.0
		if len(all) > 0 {
			usual = all[len(all)/2]
		}
		p.typical = append(p.typical, usual)
		row := &p.rows.Jobs[p.jobs[j]]
		fail := slices.Repeat([]float64{usual}, row.Open)
		best := 0.0
		if len(all) > 0 {
			best = all[0]
		}
		for planning.AtLeast(fail, row.Needed-row.Good) < p.confidence && p.in.Jobs[j].Starts < 2*row.Needed+10 {
			fail = append(fail, best)
			p.in.Jobs[j].Starts++
		}
	}
}

// answer says a plan in the farm's own terms.
func (p *planner) answer(got *planning.Plan) *Plan {
	out := &Plan{AsOf: p.q.At, Cost: got.Cost.Total(), Bound: got.Bound, Gap: got.Gap(), Exact: got.Exact}
	if slices.ContainsFunc(got.Unplaced, func(n int) bool { return n > 0 }) {
		out.Bound, out.Gap = 0, math.NaN() // nothing is proven of plans that leave starts out
	}
	at := func(minute int) time.Time { return p.origin.Add(time.Duration(minute) * time.Minute) }
	of := make([]int, len(p.rows.Jobs))
	for i := range of {
		of[i] = -1
	}
	for j, i := range p.jobs {
		of[i] = j
	}
	for i := range p.rows.Jobs {
		row := &p.rows.Jobs[i]
		job := PlannedJob{Job: row.Job, Needed: row.Needed}
		if row.Due != nil {
			job.Due = *row.Due
		}
		j := of[i]
		if j < 0 {
			job.Cannot = "The hours a plate of it takes are not recorded. Add them in Setup, then it can be planned."
			out.Jobs = append(out.Jobs, job)
			continue
		}
		job.Start, job.Late, job.Enough = p.in.Jobs[j].Starts, got.Late[j], p.enough(got, j)
		for k := range got.Starts {
			if s := &got.Starts[k]; s.Job == j {
				x := &p.in.Printers[s.Printer]
				job.Starts = append(job.Starts, PlannedStart{Printer: x.Tag, Plate: x.Plate, At: at(s.At), End: at(s.End), PFail: s.PFail})
			}
		}
		slices.SortStableFunc(job.Starts, func(a, b PlannedStart) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Printer, b.Printer)) })
		job.Cannot = p.cannot(got, j, &job)
		out.Jobs = append(out.Jobs, job)
	}
	for k := range got.Starts {
		s := &got.Starts[k]
		x := &p.in.Printers[s.Printer]
		first := !slices.ContainsFunc(got.Starts, func(o planning.Start) bool { return o.Printer == s.Printer && o.At < s.At })
		for i := range s.Tasks {
			t := &s.Tasks[i]
			task := PlannedTask{Task: t.Task, Printer: x.Tag, Plate: x.Plate, At: at(t.At), End: at(t.Done)}
			if t.Person >= 0 {
				task.Person = p.in.People[t.Person].Name
			}
			task.Because = p.because(t, s, first)
			out.Tasks = append(out.Tasks, task)
		}
	}
	slices.SortStableFunc(out.Tasks, func(a, b PlannedTask) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Person, b.Person), cmp.Compare(a.Printer, b.Printer))
	})
	p.ranges(got, out)
	return out
}
