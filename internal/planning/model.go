package planning

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Never is the time of what does not happen.
const Never = math.MaxInt32

// Step is one task of a recipe. The person is needed for the first Person
// minutes of it, the machine for the longer of Person and Machine.
type Step struct {
	Task            string // code of the data contract: wipe, wash, soak, probe, check …
	Person, Machine int    // minutes
	Setup           int    // of Person, saved when it joins a batch; 0: not done in batches
	Stale           int    // minutes after its end within which the start must lie; 0: does not age
}

func (s *Step) minutes() int { return max(s.Person, s.Machine) }

// Job is a number of equal prints.
type Job struct {
	Name     string
	Kind     int     // which chances of the printers hold for it
	Starts   int     // to be made
	Minutes  int     // of printing, each
	Earliest int     // no start before it
	Due      int     // when the last must have ended; Never: no date
	LateFee  float64 // money an hour late
	FailCost float64 // money lost by a failed start
}

// Chance is the chance that a start fails: on the printer as it is now, and
// after another print of this plan.
type Chance struct{ First, Later float64 }

// Printer is a machine with the plate it works on.
type Printer struct {
	Tag, Plate string
	Bay        int
	Free       int        // busy until then; Never: not to be used
	First      []Step     // before its first start, whatever its recipe: a plate put on, what policies ask for
	Chances    [][]Chance // by kind and recipe; a nil list: not eligible; NaN: not this recipe
}

// Span is a stretch of time, the end not in it.
type Span struct{ From, To int }

// Person has turns: sorted, apart, breaks taken out.
type Person struct {
	Name  string
	Turns []Span
}

// Wash is one that is done, or whose start has begun: its batch goes on. It takes the
// person's minutes as it was planned to.
type Wash struct{ Person, At, Minutes, Bay, Batch int } // Batch: which of its batch, from 1

// Instance is all that a plan is made from. Money is per minute.
type Instance struct {
	Jobs            []Job
	Printers        []Printer
	People          []Person
	Recipes         [][]Step // the first is to do nothing
	Travel          [][]int  // minutes between bays
	BatchMost       int      // washed in one go
	Washes          []Wash   // that a batch of an earlier plan stands on; Replan's alone
	StartMinutes    int      // a person's, at the beginning of each start; 0: none needed
	Horizon         int      // starts begin before it
	Labour, Machine float64
}

// Task is one step carried out.
type Task struct {
	Task         string
	Person       int // -1: needs nobody
	At, Done     int // on the machine
	Minutes      int // of the person's, from At
	Joined       bool
	stale, setup int
}

// Start is one print with what is done before it.
type Start struct {
	Job, Printer, Recipe int
	At, End              int
	Starter              int // person at its beginning; -1 nobody
	PFail                float64
	Tasks                []Task
}

// begin is when the printer is taken up for the start.
func (s *Start) begin() int {
	if len(s.Tasks) > 0 {
		return s.Tasks[0].At
	}
	return s.At
}

// Plan is an answer: the starts by printer and time, what could not be placed,
// and what it costs.
type Plan struct {
	Starts   []Start
	Unplaced []int // starts of each job that found no place before the horizon
	Late     []int // minutes, of each job
	Cost     Cost
	Bound    float64 // no plan that places all starts costs less
	Exact    bool    // the bound is the best plan's cost, found by looking at all
}

// Cost is the money that a plan can change.
type Cost struct{ Failures, Prep, Late float64 }

// Total adds up.
func (c Cost) Total() float64 { return c.Failures + c.Prep + c.Late }

// Gap is how far the cost is above the proven bound: cost / bound - 1; NaN at a
// bound of 0.
func (p *Plan) Gap() float64 {
	if p.Bound <= 0 {
		return math.NaN()
	}
	return max(p.Cost.Total()/p.Bound-1, 0)
}

// Check says what is wrong with an instance.
func (in *Instance) Check() error {
	if len(in.Recipes) == 0 || len(in.Recipes[0]) != 0 {
		return fmt.Errorf("planning: the first recipe must be to do nothing")
	}
	for i := range in.Jobs {
		if j := &in.Jobs[i]; j.Minutes <= 0 || j.Starts < 0 || j.Kind < 0 || j.LateFee < 0 || j.FailCost < 0 {
			return fmt.Errorf("planning: job %s: want minutes above 0, nothing negative", j.Name)
		}
	}
	for i := range in.Printers {
		p := &in.Printers[i]
		if p.Bay < 0 || p.Bay >= len(in.Travel) {
			return fmt.Errorf("planning: printer %s: bay %d of %d", p.Tag, p.Bay, len(in.Travel))
		}
		for _, c := range p.Chances {
			if c != nil && len(c) != len(in.Recipes) {
				return fmt.Errorf("planning: printer %s: %d chances for %d recipes", p.Tag, len(c), len(in.Recipes))
			}
		}
	}
	for i := range in.People {
		last := math.MinInt32
		for _, t := range in.People[i].Turns {
			if t.From < last || t.To <= t.From {
				return fmt.Errorf("planning: %s: turns must be in order and apart", in.People[i].Name)
			}
			last = t.To
		}
	}
	return nil
}

// places of tasks before a start: a plate is washed and dried, put on, heated through
// with its bed, probed on, and what was probed is proved.
var places = map[string]int{"deep": 1, "wash": 2, "swap_plate": 3, "wipe": 4, "coat": 5, "soak": 6, "probe": 7, "check": 8}

// steps of a recipe on a printer, in order; before its first start with what must be
// done then. What both ask for is done once.
func (in *Instance) steps(printer, recipe int, first bool) []Step {
	list := in.Recipes[recipe]
	if must := in.Printers[printer].First; first && len(must) > 0 {
		all := slices.Clone(must)
		for _, s := range list {
			if !slices.ContainsFunc(must, func(m Step) bool { return m.Task == s.Task }) {
				all = append(all, s)
			}
		}
		slices.SortStableFunc(all, func(a, b Step) int { return cmp.Compare(places[a.Task], places[b.Task]) })
		return all
	}
	return list
}

// serves tells whether a recipe may be carried out on a printer for a job, and is not
// dearer there than doing nothing, which takes nobody's time.
func (in *Instance) serves(job, printer, recipe int, first bool) bool {
	price := in.base(job, printer, recipe, first)
	if math.IsNaN(price) {
		return false
	}
	nothing := in.base(job, printer, 0, first)
	return recipe == 0 || math.IsNaN(nothing) || price < nothing
}

// chance of failure of a job's start.
func (in *Instance) chance(job, printer, recipe int, first bool) float64 {
	c := in.Printers[printer].Chances[in.Jobs[job].Kind][recipe]
	if first {
		return c.First
	}
	return c.Later
}

func (in *Instance) eligible(job, printer int) bool {
	p, k := &in.Printers[printer], in.Jobs[job].Kind
	return p.Free < in.Horizon && k < len(p.Chances) && p.Chances[k] != nil
}

// prep is the price of a step; joined to a batch or not.
func (in *Instance) prep(s *Step, joined bool) float64 {
	minutes := s.Person
	if joined {
		minutes -= s.Setup
	}
	return in.Labour*float64(minutes) + in.Machine*float64(s.minutes())
}

// base is the least that a start costs without lateness: washes joined.
func (in *Instance) base(job, printer, recipe int, first bool) float64 {
	c := in.chance(job, printer, recipe, first) * in.Jobs[job].FailCost
	for _, s := range in.steps(printer, recipe, first) {
		c += in.prep(&s, s.Setup > 0)
	}
	return c
}

// walks gives the shortest ways between bays, so that a way round is never
// shorter than the straight one.
func (in *Instance) walks() [][]int {
	n := len(in.Travel)
	d := make([][]int, n)
	for i := range d {
		d[i] = append([]int(nil), in.Travel[i]...)
		d[i][i] = 0
	}
	for k := range n {
		for i := range n {
			for j := range n {
				d[i][j] = min(d[i][j], d[i][k]+d[k][j])
			}
		}
	}
	return d
}
