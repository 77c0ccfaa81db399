// Package exposure turns event histories into exposures: what each first layer
// was started under. It is the only place in the program where exposures are
// defined.
//
// # Readings
//
// Where the definition leaves room, these readings hold:
//
//   - Only records the caller passes count: voided ones, and what had not
//     happened or arrived yet, are left out by whoever loads the history.
//   - A probe belongs to a sent start when it lies in its window (after the
//     sending, at most StartWindow later, before the grading) and no other
//     recorded start of the printer lies at or before the probe in between: a
//     probe made for the next job is not the last one's. Of several probes in
//     the window the last sets the instant, so that all of them lie before the
//     first layer they belong to.
//   - A probe that does not end a skip (extent zero: homing without a mesh)
//     measures nothing and counts nowhere, not in windows either.
//   - A probe_skipped stands beside the probes in the order of one instant. If
//     both lie between two starts the printer was probed: a skip that was made
//     good is no skip.
//   - Before a printer's first start there is no "between the previous start
//     and this one": rules 3 to 5 decide.
//   - probed = yes stands for a probe at t when no probe of the printer lies
//     between its previous start (or the beginning) and f. That probe names the
//     plate, side and turn of f, since it was made for it; it counts for later
//     starts as any other probe does.
//   - "Plate j" is the plate, either side: a wipe of side a cleans the plate.
//   - Unstated equals anything, for plates as for side and turn: an unknown
//     plate never makes a swap or rules out a restart. Without any start before
//     an unnamed probe nothing decides, and a swap is unknown.
//   - A fitting ends when it is removed, when the plate is fitted or named by a
//     first layer on another printer, and when another plate is fitted onto its
//     printer; it does not come back. A first layer naming a plate ends that
//     plate's fitting elsewhere and begins none. Side and turn of f are what
//     the first layer itself states.
//   - Two fittings at one instant count in the order given.
//   - Offset changes alter no exposure and are not part of a history.
package exposure

import "math"

// Tri is an answer that may be unknown; also whether a plate lay turned.
type Tri int8

// The answers. The zero value is unknown.
const (
	Unknown Tri = 0
	No      Tri = 1
	Yes     Tri = 2
)

// String gives the code: unknown, no, yes.
func (t Tri) String() string {
	switch t {
	case No:
		return "no"
	case Yes:
		return "yes"
	}
	return "unknown"
}

// ParseTri reads a yes or no column; anything else, empty too, is unknown.
func ParseTri(code string) Tri {
	switch code {
	case "no":
		return No
	case "yes":
		return Yes
	}
	return Unknown
}

// Side is a plate's side; 0 is unstated.
type Side int8

// The two sides of a plate.
const (
	SideUnstated Side = 0
	SideA        Side = 1
	SideB        Side = 2
)

// ParseSide reads a plate_side column; anything but a and b is unstated.
func ParseSide(code string) Side {
	switch code {
	case "a":
		return SideA
	case "b":
		return SideB
	}
	return SideUnstated
}

// State is the standing of the last probe at a start (probe_state).
type State int8

// The states: probed and nothing since (valid), probed but swapped or serviced
// since (void), not probed for this start (skipped).
const (
	StateUnknown State = 0
	StateValid   State = 1
	StateVoid    State = 2
	StateSkipped State = 3
)

// String gives the code: unknown, valid, void, skipped.
func (s State) String() string {
	switch s {
	case StateValid:
		return "valid"
	case StateVoid:
		return "void"
	case StateSkipped:
		return "skipped"
	}
	return "unknown"
}

// None is a printer or plate that is not known, and a count or an elapsed time
// that does not exist.
const None = -1

// RestartWithin is how long after a failed first layer, in microseconds, a
// start on the same printer and plate is a restart.
const RestartWithin int64 = 60 * 60 * 1_000_000

// Times everywhere are microseconds since 1970-01-01 UTC. Printers and plates
// are indexes from 0 below len(Farm.RecordsAll) and Farm.Plates.

// Start is one recorded start of a first layer, graded or not.
type Start struct {
	ID       [16]byte // orders starts of one instant
	At       int64    // started_at
	GradedAt int64    // 0: not graded or not known
	Printer  int32
	Plate    int32 // None: not named
	Side     Side
	Turned   Tri
	Probed   Tri
	Sent     bool // start_is = sent
	Failed   bool // graded, and a failure
}

// Probe is one measured bed mesh.
type Probe struct {
	ID      [16]byte // orders probes of one instant
	At      int64
	Printer int32
	Plate   int32 // None: not named
	Side    Side
	Turned  Tri
	Ends    bool // extent full (also when empty) or part; false: zero
}

// Skip is a probe_skipped.
type Skip struct {
	At      int64
	Printer int32
}

// Cleaning is one treatment of a plate. A coat neither clears nor washes.
type Cleaning struct {
	At     int64
	Plate  int32
	Clears bool // wipe, wash or deep
	Washes bool // wash or deep
}

// Fitting is a plate put onto a printer. Side and Turned are kept for readers
// of a history; exposures take both from first layers and probes.
type Fitting struct {
	At      int64
	Removed int64 // 0: not removed
	Plate   int32
	Printer int32
	Side    Side
	Turned  Tri
}

// Service is work that invalidates what was known of a printer.
type Service struct {
	At      int64
	Printer int32
}

// Farm is what exposures need to know of a farm besides its events.
type Farm struct {
	RecordsAll  []bool // by printer: probing_recorded is all
	Plates      int    // number of plates
	StartWindow int64  // start_window_minutes, in microseconds
}

// History is what happened on a farm, each list in any order.
type History struct {
	Farm
	// From is what had come of all that happened before; nil: nothing had. The lists
	// begin there, but for Fittings, which are all.
	From *Point
	// Grades given from this instant on are not known; 0: all are.
	GradedBefore int64

	Starts    []Start
	Probes    []Probe
	Skips     []Skip
	Cleanings []Cleaning
	Fittings  []Fitting
	Services  []Service
}

// Failed tells whether a start of the history is known to have failed.
func (h *History) Failed(s *Start) bool {
	return s.Failed && (h.GradedBefore == 0 || s.GradedAt < h.GradedBefore)
}

// Exposure is what one first layer was started under.
type Exposure struct {
	Skipped      Tri // skipped_probing
	PlateSwapped Tri
	State        State
	// Restart: within 60 minutes before it a failed first layer started on the
	// same printer and plate.
	Restart bool
	// Plate is the plate named, else the one fitted at that time, else None.
	Plate int32
	// At is the instant used: started_at, for a sent start with a probe in its
	// window that probe's time.
	At int64
	// Starts of the printer since its last probe, and of the plate since its
	// last cleaning and last washing, this one not counted; None before the
	// first.
	PrintsSinceProbe, PrintsSinceClean, PrintsSinceWash int32
	// RestartThen is Restart by what was known at the instant asked for (WithThen); where
	// none was, the same.
	RestartThen bool
	// Elapsed microseconds since that probe and that cleaning, or None.
	SinceProbe, SinceClean int64
}

// Of computes the exposures of all starts of a history, aligned with h.Starts,
// in one sweep in time order. Work and memory are linear in the number of
// records (a radix sort where a list is not in order); h is not changed. It
// panics when a record names a printer or plate outside the farm's indexes.
func Of(h *History) []Exposure {
	past, _ := With(h, nil)
	return past
}

// With computes the exposures of a history as Of does and, beside them, what
// starts that have not happened would be started under: each as if it were made
// next, all that is recorded being before it. No two of them may be on one
// printer, or on one plate.
func With(h *History, next []Start) (past, ahead []Exposure) {
	past, ahead, _ = WithThen(h, next, 0)
	return past, ahead
}

// WithThen is With, and tells beside what was known before an instant (0: it is not asked
// for): parted means that the starts before it had these exposures in the history without
// what happened, was graded or was taken off from then on, but for RestartThen in place of
// Restart. Otherwise a start before it was made to wait for a probe after it.
func WithThen(h *History, next []Start, then int64) (past, ahead []Exposure, parted bool) {
	out := make([]Exposure, len(h.Starts))
	s := newSweep(h, func(i int, x *Exposure) { out[i] = *x })
	if s.then = then; then != 0 {
		s.known = s.failed.clone()
	}
	s.run(math.MaxInt64)
	ahead = make([]Exposure, len(next))
	for i := range next {
		ahead[i].At = next[i].At
		s.start(&next[i], &ahead[i])
	}
	return out, ahead, s.parted
}
