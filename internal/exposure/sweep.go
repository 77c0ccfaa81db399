package exposure

import (
	"maps"
	"math"
	"slices"
	"sort"
)

// noStart stands for the plate of a start that does not exist.
const noStart int32 = -2

// printerState is what is known of a printer at one point of the sweep.
type printerState struct {
	probeAt  int64
	probeSeq int64 // the sweep's count at the last probe

	prints      int32 // starts since the last probe
	fitted      int32 // index of the fitting in force
	probePlate  int32
	plateBefore int32 // plate of the last start before the last probe
	lastPlate   int32 // plate of the last start
	onePlate    int32 // first known plate started since the last probe

	probeSide   Side
	probeTurned Tri

	probed       bool // ever
	manyPlates   bool // two or more known plates started since the last probe
	serviced     bool // since the last probe
	refitted     bool // any fitting since the last probe
	probedNow    bool // since the last start
	skippedNow   bool // since the last start
	startedAlong bool // had a start
}

// plateState is what is known of a plate at one point of the sweep.
type plateState struct {
	cleanAt           int64
	sinceClean        int32 // starts; None before the first cleaning
	sinceWash         int32
	printer           int32 // where it is fitted
	cleanSeen, washed bool
}

type sweep struct {
	h        *History
	out      func(i int, x *Exposure) // takes each start's exposure, which is another's afterwards
	x        Exposure                 // that one
	settled  []int64                  // instants of starts; nil: as started
	seq      int64
	printers []printerState
	plates   []plateState
	// By printer and plate; looked up only on printers where it can matter.
	fittedSeq map[uint64]int64
	failed    failures

	then   int64    // an instant as whose knowledge it is asked for too; 0: it is not
	known  failures // before then
	parted bool     // what was started before then counts before it
}

// failures are the last failed starts.
type failures struct {
	at map[uint64]int64 // by printer and plate
	on []int64          // by printer; never: there was none
}

const never = math.MinInt64

func newFailures(printers int) failures {
	return failures{map[uint64]int64{}, slices.Repeat([]int64{never}, printers)}
}

func (f *failures) clone() failures { return failures{maps.Clone(f.at), slices.Clone(f.on)} }

func (f *failures) note(printer, plate int32, at int64) {
	f.on[printer] = at
	f.at[pair(printer, plate)] = at
}

// within tells whether a first layer failed on this printer, and on a plate not known to
// be another, within the hour before.
func (f *failures) within(printer, plate int32, at int64) bool {
	if last := f.on[printer]; last == never || at-last > RestartWithin {
		return false
	}
	if plate == None {
		return true
	}
	for _, plate := range [2]int32{plate, None} {
		if t, ok := f.at[pair(printer, plate)]; ok && at-t <= RestartWithin {
			return true
		}
	}
	return false
}

func newSweep(h *History, out func(i int, x *Exposure)) *sweep {
	s := &sweep{h: h, out: out, parted: true}
	if h.From != nil {
		h.From.resume(s)
		return s
	}
	s.printers, s.plates = newStates(len(h.RecordsAll), h.Plates)
	s.fittedSeq, s.failed = map[uint64]int64{}, newFailures(len(h.RecordsAll))
	return s
}

// newStates are those of printers and plates of which nothing is known.
func newStates(printers, plates int) ([]printerState, []plateState) {
	return slices.Repeat([]printerState{{fitted: None, probePlate: None, onePlate: None, plateBefore: noStart, lastPlate: noStart}}, printers),
		slices.Repeat([]plateState{{printer: None}}, plates)
}

func pair(printer, plate int32) uint64 { return uint64(uint32(printer))<<32 | uint64(uint32(plate)) }

// removedAt is when a fitting ended by removal; one that ends before it begins
// ends at once.
func removedAt(f *Fitting) int64 {
	if f.Removed == 0 {
		return math.MaxInt64
	}
	return max(f.Removed, f.At)
}

// The lists of a history in the order in which they count at one instant. A
// removal only ends its own fitting, so it may follow the fittings.
const (
	services = iota
	fittings
	removals
	cleanings
	skips
	probed
	started
	lists
)

// run counts what happened before an instant.
func (s *sweep) run(end int64) {
	h := s.h
	probeOrder := orderOf(len(h.Probes), func(i int) int64 { return h.Probes[i].At },
		func(a, b int) int { return compareIDs(&h.Probes[a].ID, &h.Probes[b].ID) })
	s.settled = settledSent(h, probeOrder)
	orders := [lists]order{
		services:  orderOf(len(h.Services), func(i int) int64 { return h.Services[i].At }, nil),
		fittings:  orderOf(len(h.Fittings), func(i int) int64 { return h.Fittings[i].At }, nil),
		removals:  orderOf(len(h.Fittings), func(i int) int64 { return removedAt(&h.Fittings[i]) }, nil),
		cleanings: orderOf(len(h.Cleanings), func(i int) int64 { return h.Cleanings[i].At }, nil),
		skips:     orderOf(len(h.Skips), func(i int) int64 { return h.Skips[i].At }, nil),
		probed:    probeOrder,
		started:   orderOf(len(h.Starts), s.startedAt, func(a, b int) int { return compareIDs(&h.Starts[a].ID, &h.Starts[b].ID) }),
	}
	lengths := [lists]int{len(h.Services), len(h.Fittings), len(h.Fittings), len(h.Cleanings), len(h.Skips), len(h.Probes), len(h.Starts)}
	var next [lists]int
	var heads [lists]int64
	for l := range heads {
		if h.From != nil && (l == fittings || l == removals) {
			next[l] = sort.Search(lengths[l], func(k int) bool { return s.head(l, orders[l], lengths[l], k) >= h.From.at })
		}
		heads[l] = s.head(l, orders[l], lengths[l], next[l])
	}
	for {
		first, at := 0, heads[0]
		for l := 1; l < lists; l++ {
			if heads[l] < at {
				first, at = l, heads[l]
			}
		}
		if at >= end {
			return
		}
		i := orders[first].at(next[first])
		s.seq++
		switch first {
		case services:
			s.printers[h.Services[i].Printer].serviced = true
		case fittings:
			s.fit(int32(i))
		case removals:
			s.remove(int32(i))
		case cleanings:
			s.clean(&h.Cleanings[i])
		case skips:
			s.printers[h.Skips[i].Printer].skippedNow = true
		case probed:
			if p := &h.Probes[i]; p.Ends {
				s.probe(&s.printers[p.Printer], p.At, p.Plate, p.Side, p.Turned)
			}
		case started:
			s.x = Exposure{At: at}
			s.start(&h.Starts[i], &s.x)
			if at >= s.then && h.Starts[i].At < s.then {
				s.parted = false
			}
			s.out(i, &s.x)
		}
		next[first]++
		heads[first] = s.head(first, orders[first], lengths[first], next[first])
	}
}

// startedAt is the instant of a start.
func (s *sweep) startedAt(i int) int64 {
	if s.settled == nil {
		return s.h.Starts[i].At
	}
	return s.settled[i]
}

// head is the time of the k-th record of a list, or the end of time.
func (s *sweep) head(list int, o order, n, k int) int64 {
	if k >= n {
		return math.MaxInt64
	}
	i := o.at(k)
	switch list {
	case services:
		return s.h.Services[i].At
	case fittings:
		return s.h.Fittings[i].At
	case removals:
		return removedAt(&s.h.Fittings[i])
	case cleanings:
		return s.h.Cleanings[i].At
	case skips:
		return s.h.Skips[i].At
	case probed:
		return s.h.Probes[i].At
	}
	return s.startedAt(i)
}

func (s *sweep) fit(i int32) {
	f := &s.h.Fittings[i]
	s.unfit(f.Plate)
	p := &s.printers[f.Printer]
	if p.fitted != None {
		s.plates[s.h.Fittings[p.fitted].Plate].printer = None
	}
	p.fitted = i
	p.refitted = true
	s.plates[f.Plate].printer = f.Printer
	s.fittedSeq[pair(f.Printer, f.Plate)] = s.seq
}

// unfit takes a plate off the printer it is fitted to.
func (s *sweep) unfit(plate int32) {
	at := &s.plates[plate]
	if at.printer != None {
		s.printers[at.printer].fitted = None
		at.printer = None
	}
}

func (s *sweep) remove(i int32) {
	f := &s.h.Fittings[i]
	if s.printers[f.Printer].fitted == i {
		s.unfit(f.Plate)
	}
}

func (s *sweep) clean(c *Cleaning) {
	j := &s.plates[c.Plate]
	j.clean(c)
}

func (j *plateState) clean(c *Cleaning) {
	if c.Clears {
		j.cleanSeen, j.cleanAt, j.sinceClean = true, c.At, 0
	}
	if c.Washes {
		j.washed, j.sinceWash = true, 0
	}
}

func (s *sweep) probe(p *printerState, at int64, plate int32, side Side, turned Tri) {
	p.probed, p.probeAt, p.probeSeq = true, at, s.seq
	p.probePlate, p.probeSide, p.probeTurned = plate, side, turned
	p.plateBefore = p.lastPlate
	p.prints, p.onePlate, p.manyPlates = 0, None, false
	p.serviced, p.refitted = false, false
	p.probedNow = true
}

// counts are the prints since it was cleaned and washed.
func (j *plateState) counts() (sinceClean, sinceWash int32) {
	sinceClean, sinceWash = None, None
	if j.cleanSeen {
		sinceClean = j.sinceClean
	}
	if j.washed {
		sinceWash = j.sinceWash
	}
	return sinceClean, sinceWash
}

// start writes the exposure of one start, then counts it.
func (s *sweep) start(f *Start, x *Exposure) {
	p := &s.printers[f.Printer]
	j := f.Plate
	if j == None && p.fitted != None {
		j = s.h.Fittings[p.fitted].Plate
	}
	x.Plate = j
	// A probe that is known of only from the start itself.
	if f.Probed == Yes && !p.probedNow {
		s.probe(p, x.At, j, f.Side, f.Turned)
	}

	x.Skipped = s.skipped(f, p)
	x.PrintsSinceProbe, x.SinceProbe = None, None
	if p.probed {
		x.PrintsSinceProbe, x.SinceProbe = p.prints, x.At-p.probeAt
		x.PlateSwapped = s.swapped(f, p, j)
	}
	x.State = stateOf(x.Skipped, x.PlateSwapped)
	x.Restart = s.failed.within(f.Printer, j, x.At)
	x.RestartThen = x.Restart && (s.then == 0 || s.known.within(f.Printer, j, x.At))
	x.PrintsSinceClean, x.SinceClean, x.PrintsSinceWash = None, None, None
	if j != None {
		q := &s.plates[j]
		x.PrintsSinceClean, x.PrintsSinceWash = q.counts()
		if q.cleanSeen {
			x.SinceClean = x.At - q.cleanAt
		}
		q.sinceClean++
		q.sinceWash++
		if f.Plate != None && q.printer != f.Printer {
			s.unfit(j) // seen here, so no longer where it was
		}
		if p.onePlate == None {
			p.onePlate = j
		} else if p.onePlate != j {
			p.manyPlates = true
		}
	}
	if s.h.Failed(f) {
		s.failed.note(f.Printer, j, x.At)
		if s.then != 0 && f.GradedAt < s.then {
			s.known.note(f.Printer, j, x.At)
		}
	}
	p.prints++
	p.lastPlate = j
	p.startedAlong, p.probedNow, p.skippedNow = true, false, false
}

// skipped answers skipped_probing by the first rule that applies.
func (s *sweep) skipped(f *Start, p *printerState) Tri {
	switch {
	case f.Probed == Yes:
		return No
	case f.Probed == No:
		return Yes
	case p.startedAlong && p.probedNow:
		return No
	case p.startedAlong && p.skippedNow:
		return Yes
	case !s.h.RecordsAll[f.Printer], !p.probed:
		return Unknown
	case !p.startedAlong:
		return No
	}
	return Yes
}

// swapped answers plate_swapped on a printer that was probed.
func (s *sweep) swapped(f *Start, p *printerState, j int32) Tri {
	yes := func(is bool) Tri {
		if is {
			return Yes
		}
		return No
	}
	if p.serviced {
		return Yes
	}
	if p.refitted && j != None {
		if seq, ok := s.fittedSeq[pair(f.Printer, j)]; ok && seq > p.probeSeq {
			return Yes
		}
	}
	if p.probePlate != None {
		return yes(differ(p.probePlate, j, None) || differ(p.probeSide, f.Side, SideUnstated) ||
			differ(p.probeTurned, f.Turned, Unknown))
	}
	if j != None && (p.manyPlates || differ(p.onePlate, j, None)) {
		return Yes
	}
	if p.plateBefore == noStart {
		return Unknown
	}
	return yes(differ(p.plateBefore, j, None))
}

// differ tells whether two values are both stated and not the same.
func differ[T comparable](a, b, unstated T) bool { return a != b && a != unstated && b != unstated }

func stateOf(skipped, swapped Tri) State {
	switch {
	case skipped == Yes:
		return StateSkipped
	case skipped == No && swapped == Yes:
		return StateVoid
	case skipped == No && swapped == No:
		return StateValid
	}
	return StateUnknown
}
