package findings

// Held counts layers with a mark about which something was decided, by what
// became of them: let run (or nudged and let run) and the part was finished; let
// run and it was lost (restarted, detached, stopped, scrapped); stopped at the
// first layer. What has no outcome yet counts nowhere.
type Held struct{ RanHeld, RanLost, NudgedHeld, NudgedLost, Stopped int }

// Add adds other counts.
func (h *Held) Add(o Held) {
	h.RanHeld += o.RanHeld
	h.RanLost += o.RanLost
	h.NudgedHeld += o.NudgedHeld
	h.NudgedLost += o.NudgedLost
	h.Stopped += o.Stopped
}

// Ran is how many were let run as they were, with an outcome.
func (h Held) Ran() int { return h.RanHeld + h.RanLost }

// HeldByMark holds the counts of each mark by severity, 1 (slight) at index 0. A
// layer counts once for each of its marks, at the mark's highest severity.
type HeldByMark map[string][3]Held
