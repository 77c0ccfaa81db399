package findings

import "basecourse/internal/stats"

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

// Seen is a mark at its highest severity on a layer.
type Seen struct {
	Mark     string
	Severity int // 1 to 3
}

// likeOthers is how many layers the record of all marks of a severity weighs
// beside the mark's own; a choice, no source.
const likeOthers = 4

// Chance is how likely a layer with these marks holds when it is let run: the
// beta distribution of its worst mark, and of how many layers that mark's own
// record is. A mark nothing is known of is taken to be like all marks of its
// severity, and those, at first, to hold with any chance (uniform). A layer
// without marks has no chance here: ok is false.
func (t HeldByMark) Chance(seen []Seen) (chance stats.Beta, ran int, ok bool) {
	var all [3]Held
	for _, by := range t {
		for k := range by {
			all[k].Add(by[k])
		}
	}
	for _, s := range seen {
		if s.Severity < 1 || s.Severity > 3 {
			continue
		}
		k := s.Severity - 1
		pooled := stats.Beta{Alpha: 1, Beta: 1}.After(all[k].RanHeld, all[k].Ran())
		weight := min(likeOthers, pooled.Alpha+pooled.Beta)
		own := t[s.Mark][k]
		b := stats.Beta{Alpha: weight * pooled.Mean(), Beta: weight * (1 - pooled.Mean())}.After(own.RanHeld, own.Ran())
		if !ok || b.Mean() < chance.Mean() {
			chance, ran, ok = b, own.Ran(), true
		}
	}
	return chance, ran, ok
}
