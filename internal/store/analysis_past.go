package store

import (
	"math"
	"slices"
	"sort"

	"basecourse/internal/exposure"
)

// Past is what an analysis leaves out of its lists: what lies so far back that only what
// has come of it by then is asked for. All of it had happened, and was graded, by the
// time of the analysis.
type Past struct {
	At     int64 // everything happened before
	Latest int64 // of all instants of it, grades' too
	// History has its rows but for fittings; they name printers and plates by numbers
	// that they had, from which Moved leads to those of the analysis.
	History exposure.History
	Moved   *exposure.Moved
	Labels  []StartLabel // with the database's numbers of materials and people

	rows  *pastRows
	whole func() *Analysis
}

// Material gives the number that the analysis has for one of Labels.
func (p *Past) Material(id int32) int32 { return p.rows.materials.number(id) }

// Same tells whether two readings left out the same rows; but for cleanings, which
// plates' may be others.
func (p *Past) Same(other *Past) (same bool, recleaned []bool) {
	a, b := p.rows.rows, other.rows.rows
	// Lists of which no row changed are the same lists.
	if p.At != other.At || !one(a.h.Starts, b.h.Starts) || !one(a.labels, b.labels) || !one(a.h.Probes, b.h.Probes) || !one(a.h.Skips, b.h.Skips) || !one(a.h.Services, b.h.Services) {
		return false, nil
	}
	if p.rows == other.rows {
		return true, nil
	}
	recleaned = make([]bool, len(p.Moved.Plates))
	x, y := a.h.Cleanings, b.h.Cleanings
	for len(x) > 0 || len(y) > 0 {
		switch {
		case len(x) > 0 && len(y) > 0 && x[0] == y[0]:
			x, y = x[1:], y[1:]
		case len(y) == 0 || len(x) > 0 && x[0].At <= y[0].At:
			recleaned[x[0].Plate] = true
			x = x[1:]
		default:
			recleaned[y[0].Plate] = true
			y = y[1:]
		}
	}
	return true, recleaned
}

// one tells whether two lists are the same one.
func one[T any](a, b []T) bool { return len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0]) }

// Whole gives the analysis with all rows in its lists.
func (a *Analysis) Whole() *Analysis {
	if a.Past == nil {
		return a
	}
	return a.Past.whole()
}

// pastRows are the rows before an instant, but for fittings, with the numbers that things
// had when they were put apart: who adds a printer need not have all of them changed.
type pastRows struct {
	at                 int64
	rows               *analysisRows
	printers, plates   numbering
	things             [2]int
	materials, graders appearing // has all of them
}

const (
	pastShare = 4           // one in so many rows at least makes it worthwhile
	partedBy  = 3 * 24 * 12 // five minutes each: how far back an instant to part at is looked for
)

func (p *pastRows) starts() int {
	if p == nil {
		return 0
	}
	return len(p.rows.h.Starts)
}

func (p *pastRows) size() int {
	if p == nil {
		return 0
	}
	return p.rows.size()
}

// size is how many rows there are of what there are many of.
func (r *analysisRows) size() int { return len(r.h.Starts) + len(r.h.Probes) + len(r.h.Cleanings) }

// moves are from its numbers to others; ok is false where a thing is gone.
func (p *pastRows) moves(printers, plates numbering) (m *moves, ok bool) {
	ofPrinters, _, ok := p.printers.moves(printers, p.things[0])
	ofPlates, _, also := p.plates.moves(plates, p.things[1])
	return &moves{ofPrinters, ofPlates}, ok && also
}

// divide puts apart what lies further back than rows are wanted one by one; false where
// there is little of it, or no instant to part at.
func (k *KeptAnalysis) divide() bool {
	h, reach := &k.rows.h, k.reach.Microseconds()
	if reach <= 0 || len(h.Starts) == 0 {
		return false
	}
	due := h.Starts[len(h.Starts)-1].At - reach
	if k.past != nil && k.past.at > due-reach/3 || k.past == nil && upTo(h.Starts, due, startAt) < len(h.Starts)/pastShare {
		return false
	}
	at, ok := partedAt(h, due, k.startWindow)
	if !ok {
		return false
	}
	rest := *k.rows // others may read it
	early, _ := rest.takeBefore(at, &[analysisLists][]bool{})
	if early == nil {
		return false
	}
	if k.past != nil {
		m, ok := k.past.moves(k.printers, k.plates)
		if !ok {
			return false
		}
		early = k.past.rows.merge(noRows(), &[analysisLists][]bool{}, m).and(early)
	}
	k.rows = &rest
	k.past = &pastRows{at: at, rows: early, printers: k.printers, plates: k.plates, things: k.things}
	k.past.appear()
	return true
}

// partedAt looks back from an instant for one at which no start that was sent waited for
// a probe.
func partedAt(h *exposure.History, due, window int64) (at int64, ok bool) {
	for n := range int64(partedBy) {
		at = due - n*5*60e6
		probes := h.Probes[upTo(h.Probes, at, probeAt):upTo(h.Probes, at+window+1, probeAt)]
		if !slices.ContainsFunc(h.Starts[upTo(h.Starts, at-window, startAt):upTo(h.Starts, at, startAt)], func(s exposure.Start) bool {
			return s.Sent && slices.ContainsFunc(probes, func(p exposure.Probe) bool { return p.Printer == s.Printer && p.At <= s.At+window })
		}) {
			return at, true
		}
	}
	return 0, false
}

// follow takes in what changed of the rows; nil where it cannot be told.
func (p *pastRows) follow(r *analysisReader) *pastRows {
	if p == nil {
		return nil
	}
	early, void := r.rows.takeBefore(p.at, &r.since.void)
	if early == nil {
		return p
	}
	m, ok := p.moves(r.printers, r.plates)
	if !ok {
		return nil
	}
	n := &pastRows{at: p.at}
	if back := m.back(r.a); early.named(back) {
		early.renumber(back)
		n.rows, n.printers, n.plates, n.things = p.rows.merge(early, void, nil), p.printers, p.plates, p.things
	} else { // of things that came since
		n.rows, n.printers, n.plates = p.rows.merge(early, void, m), r.printers, r.plates
		n.things = [2]int{len(r.a.Printers), len(r.a.Plates)}
	}
	if one(n.rows.labels, p.rows.labels) { // going through all of them takes longer than all else here
		n.materials, n.graders = p.materials, p.graders
		return n
	}
	n.appear()
	return n
}

// appear notes in which order materials and people appear.
func (p *pastRows) appear() {
	for i := range p.rows.labels {
		p.materials.number(p.rows.labels[i].Material)
		p.graders.number(p.rows.labels[i].Grader)
	}
}

// fromPast fills in what had happened by an instant. What lies in the past is left out,
// where all of it counted by then.
func (r *analysisReader) fromPast(at int64, past *pastRows) {
	if past == nil {
		r.asOf(at, false)
		return
	}
	m, ok := past.moves(r.printers, r.plates)
	rows := r.rows
	whole := func(a *Analysis) *Analysis {
		w := *r
		w.a, w.past = a, nil
		w.rows = past.rows.merge(noRows(), &[analysisLists][]bool{}, m).and(rows)
		w.asOf(at, false)
		return a
	}
	if !ok || past.rows.latest > at { // things do not go while rows are kept
		whole(r.a)
		return
	}
	read := *r.a
	r.past = past
	r.asOf(at, false)
	a := &Past{At: past.at, Latest: past.rows.latest, History: past.rows.h, Moved: &exposure.Moved{Printers: m.printers, Plates: m.plates}, Labels: past.rows.labels,
		rows: past, whole: func() *Analysis { a := read; return whole(&a) }}
	r.a.Past = a
}

// and is these rows with later ones, which have all the fittings.
func (r *analysisRows) and(later *analysisRows) *analysisRows {
	a, b := &r.h, &later.h
	n := *later
	n.latest = max(r.latest, later.latest)
	n.h.Starts, n.labels = slices.Concat(a.Starts, b.Starts), slices.Concat(r.labels, later.labels)
	n.h.Probes = slices.Concat(a.Probes, b.Probes)
	n.h.Cleanings, n.cleaningIDs = slices.Concat(a.Cleanings, b.Cleanings), slices.Concat(r.cleaningIDs, later.cleaningIDs)
	n.h.Skips, n.skipIDs = slices.Concat(a.Skips, b.Skips), slices.Concat(r.skipIDs, later.skipIDs)
	n.h.Services, n.serviceIDs = slices.Concat(a.Services, b.Services), slices.Concat(r.serviceIDs, later.serviceIDs)
	return &n
}

// takeBefore takes the rows before an instant out, but for fittings, and what lies beside
// them; nil: there are none.
func (r *analysisRows) takeBefore(at int64, void *[analysisLists][]bool) (*analysisRows, *[analysisLists][]bool) {
	h, early, gone := &r.h, noRows(), &[analysisLists][]bool{}
	any := false
	take := func(early []bool, more ...func([]bool)) {
		if slices.Contains(early, true) {
			any = true
			for _, f := range more {
				f(early)
			}
		}
	}
	take(before(h.Starts, at, startAt), apart(&h.Starts, &early.h.Starts), apart(&r.labels, &early.labels), apart(&void[listStarts], &gone[listStarts]))
	take(before(h.Probes, at, probeAt), apart(&h.Probes, &early.h.Probes), apart(&void[listProbes], &gone[listProbes]))
	take(before(h.Cleanings, at, cleaningAt), apart(&h.Cleanings, &early.h.Cleanings), apart(&r.cleaningIDs, &early.cleaningIDs), apart(&void[listCleanings], &gone[listCleanings]))
	take(before(h.Skips, at, skipAt), apart(&h.Skips, &early.h.Skips), apart(&r.skipIDs, &early.skipIDs), apart(&void[listSkips], &gone[listSkips]))
	take(before(h.Services, at, serviceAt), apart(&h.Services, &early.h.Services), apart(&r.serviceIDs, &early.serviceIDs), apart(&void[listServices], &gone[listServices]))
	if !any {
		return nil, nil
	}
	for i := range early.h.Starts {
		s := &early.h.Starts[i]
		early.latest = max(early.latest, s.At, s.GradedAt)
	}
	early.latest = max(early.latest, lastAt(early.h.Probes, probeAt), lastAt(early.h.Cleanings, cleaningAt), lastAt(early.h.Skips, skipAt), lastAt(early.h.Services, serviceAt))
	return early, gone
}

// before tells of each row whether it lies before an instant.
func before[T any](list []T, at int64, when func(*T) int64) []bool {
	out := make([]bool, len(list))
	for i := range list {
		out[i] = when(&list[i]) < at
	}
	return out
}

// apart moves the rows that are told of to another list. The list they were in is not
// changed, but made anew.
func apart[T any](from, to *[]T) func(early []bool) {
	return func(early []bool) {
		n := 0
		for i := range *from {
			if early[i] {
				n++
			}
		}
		taken, rest := make([]T, 0, n), make([]T, 0, len(*from)-n)
		for i, x := range *from {
			if early[i] {
				taken = append(taken, x)
			} else {
				rest = append(rest, x)
			}
		}
		*from, *to = rest, taken
	}
}

func noRows() *analysisRows { return &analysisRows{latest: math.MinInt64} }

// upTo is how many of a list in order of time lie before an instant.
func upTo[T any](list []T, at int64, when func(*T) int64) int {
	return sort.Search(len(list), func(i int) bool { return when(&list[i]) >= at })
}

func startAt(s *exposure.Start) int64       { return s.At }
func probeAt(p *exposure.Probe) int64       { return p.At }
func cleaningAt(c *exposure.Cleaning) int64 { return c.At }
func skipAt(s *exposure.Skip) int64         { return s.At }
func serviceAt(s *exposure.Service) int64   { return s.At }

// back leads from the numbers that things have to those they had; -1: they had none.
func (m *moves) back(a *Analysis) *moves {
	turn := func(moved []int32, n int) []int32 {
		out := slices.Repeat([]int32{-1}, n)
		for was, is := range moved {
			out[is] = int32(was)
		}
		return out
	}
	return &moves{turn(m.printers, len(a.Printers)), turn(m.plates, len(a.Plates))}
}

// named tells whether all things that rows name have a number.
func (r *analysisRows) named(m *moves) bool {
	printer := func(i int32) bool { return m.printers[i] >= 0 }
	plate := func(j int32) bool { return j < 0 || m.plates[j] >= 0 }
	h := &r.h
	for i := range h.Starts {
		if s := &h.Starts[i]; !printer(s.Printer) || !plate(s.Plate) {
			return false
		}
	}
	for i := range h.Probes {
		if p := &h.Probes[i]; !printer(p.Printer) || !plate(p.Plate) {
			return false
		}
	}
	return !slices.ContainsFunc(h.Cleanings, func(c exposure.Cleaning) bool { return !plate(c.Plate) }) &&
		!slices.ContainsFunc(h.Skips, func(s exposure.Skip) bool { return !printer(s.Printer) }) &&
		!slices.ContainsFunc(h.Services, func(s exposure.Service) bool { return !printer(s.Printer) })
}

// renumber gives rows that nobody else reads other numbers.
func (r *analysisRows) renumber(m *moves) {
	h := &r.h
	all(h.Starts, m.start)
	all(h.Probes, m.probe)
	all(h.Cleanings, m.cleaning)
	all(h.Skips, m.skip)
	all(h.Services, m.service)
}

func all[T any](list []T, do func(*T)) {
	for i := range list {
		do(&list[i])
	}
}
