package exposure

import (
	"maps"
	"slices"
)

// Point is how far a sweep has come: what it knows of printers and plates once all that
// happened before an instant was counted. It is not changed once it is made.
type Point struct {
	at, seq   int64
	printers  []printerState
	plates    []plateState
	fittedSeq map[uint64]int64
	failed    failures
	inOrder   bool            // every start counted when it was started
	sent      map[int32]int64 // by printer, until when a probe may belong to a start before the instant
	// Whether the last start of a printer and of a plate failed.
	printerFailed, plateFailed []bool
}

// Moved tells which numbers printers and plates have, by those they had.
type Moved struct{ Printers, Plates []int32 }

// Plate is the number of a plate, of one that is not known what stands for it.
func (m *Moved) Plate(j int32) int32 {
	if j < 0 {
		return j
	}
	return m.Plates[j]
}

// Moved is the same point on a farm of so many printers and plates, some of which have
// other numbers now.
func (p *Point) Moved(m *Moved, printers, plates int) *Point {
	n := &Point{at: p.at, seq: p.seq, inOrder: p.inOrder, fittedSeq: map[uint64]int64{}, failed: newFailures(printers), sent: map[int32]int64{},
		printerFailed: make([]bool, printers), plateFailed: make([]bool, plates)}
	n.printers, n.plates = newStates(printers, plates)
	for i, s := range p.printers {
		s.probePlate, s.onePlate, s.plateBefore, s.lastPlate = m.Plate(s.probePlate), m.Plate(s.onePlate), m.Plate(s.plateBefore), m.Plate(s.lastPlate)
		n.printers[m.Printers[i]], n.printerFailed[m.Printers[i]] = s, p.printerFailed[i]
	}
	for j, s := range p.plates {
		if s.printer >= 0 {
			s.printer = m.Printers[s.printer]
		}
		n.plates[m.Plates[j]], n.plateFailed[m.Plates[j]] = s, p.plateFailed[j]
	}
	for i, at := range p.failed.on {
		n.failed.on[m.Printers[i]] = at
	}
	for from, to := range map[*map[uint64]int64]map[uint64]int64{&p.fittedSeq: n.fittedSeq, &p.failed.at: n.failed.at} {
		for k, t := range *from {
			to[pair(m.Printers[k>>32], m.Plate(int32(uint32(k))))] = t
		}
	}
	for i, end := range p.sent {
		n.sent[m.Printers[i]] = end
	}
	return n
}

// Recleaned is the point where nothing but cleanings of some plates is other than when it
// was made. plate has the plate of each of h's starts; see takes what their exposures say
// of cleanings. ok is false where it must be made anew.
func (p *Point) Recleaned(h *History, some []bool, plate []int32, see func(i int, sinceClean, sinceWash int32)) (n *Point, ok bool) {
	if !p.inOrder {
		return nil, false
	}
	q := *p
	q.plates = slices.Clone(p.plates)
	for j := range q.plates {
		if some[j] {
			q.plates[j] = plateState{printer: q.plates[j].printer}
		}
	}
	c := 0
	until := func(at int64) {
		for ; c < len(h.Cleanings) && h.Cleanings[c].At <= at; c++ {
			if x := &h.Cleanings[c]; some[x.Plate] {
				q.plates[x.Plate].clean(x)
			}
		}
	}
	for i, j := range plate {
		if j < 0 || !some[j] {
			continue
		}
		until(h.Starts[i].At)
		s := &q.plates[j]
		clean, wash := s.counts()
		see(i, clean, wash)
		s.sinceClean++
		s.sinceWash++
	}
	until(p.at)
	return &q, true
}

// PointAt counts what happened before an instant: h's rows, which all lie before it and
// are in order of time, but for its fittings, which are all. see takes the exposure of
// each start.
func PointAt(h *History, at int64, see func(i int, x *Exposure)) *Point {
	p := &Point{at: at, sent: map[int32]int64{}, printerFailed: make([]bool, len(h.RecordsAll)), plateFailed: make([]bool, h.Plates)}
	latest := make([]int32, h.Plates) // start of each plate
	s := newSweep(h, func(i int, x *Exposure) {
		f := &h.Starts[i]
		p.printerFailed[f.Printer] = h.Failed(f) // starts of one printer come in their order
		if j := x.Plate; j >= 0 && int32(i) >= latest[j] {
			latest[j], p.plateFailed[j] = int32(i), h.Failed(f)
		}
		if f.Sent && f.At+h.StartWindow >= at {
			p.sent[f.Printer] = max(p.sent[f.Printer], f.At+h.StartWindow)
		}
		see(i, x)
	})
	s.run(at)
	p.inOrder = s.settled == nil
	p.seq, p.printers, p.plates, p.fittedSeq, p.failed = s.seq, s.printers, s.plates, s.fittedSeq, s.failed
	// What cannot matter any more.
	maps.DeleteFunc(p.fittedSeq, func(pair uint64, seq int64) bool { return seq <= p.printers[pair>>32].probeSeq })
	maps.DeleteFunc(p.failed.at, func(_ uint64, failed int64) bool { return at-failed > RestartWithin })
	return p
}

// Parts tells whether the point parts a history: whether none of the probes after it may
// belong to a start before it.
func (p *Point) Parts(later []Probe) bool {
	return len(p.sent) == 0 || !slices.ContainsFunc(later, func(x Probe) bool {
		end, sent := p.sent[x.Printer]
		return sent && x.Ends && x.At <= end
	})
}

// FailedBefore tells of each printer and plate whether its last start before those of the
// history failed.
func (h *History) FailedBefore() (printers, plates []bool) {
	printers, plates = make([]bool, len(h.RecordsAll)), make([]bool, h.Plates)
	if h.From != nil {
		copy(printers, h.From.printerFailed)
		copy(plates, h.From.plateFailed)
	}
	return printers, plates
}

// resume makes a sweep go on from the point.
func (p *Point) resume(s *sweep) {
	s.seq, s.printers, s.plates = p.seq, slices.Clone(p.printers), slices.Clone(p.plates)
	s.fittedSeq, s.failed = maps.Clone(p.fittedSeq), p.failed.clone()
}
