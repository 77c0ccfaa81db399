package findings

import (
	"testing"
	"time"

	"basecourse/internal/exposure"
)

// A layer may be graded at a time that nobody knows: it counts like any.
func TestALayerWhoseGradeHasNoTimeIsCollected(t *testing.T) {
	at := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC).UnixMicro()
	h := &exposure.History{Farm: exposure.Farm{RecordsAll: make([]bool, 1)}, Starts: []exposure.Start{{At: at}, {At: at + 1, GradedAt: at + 2}, {At: at + 3}}}
	ex := []exposure.Exposure{{Plate: -1}, {Plate: -1}, {Plate: -1}}
	l := Collect(h, ex, func(i int) Label { return Label{Graded: i < 2} }, 0, at+10, time.UTC)
	if l.Len() != 2 || l.At[0] != at || l.At[1] != at+1 {
		t.Errorf("collected %d layers, want the two that are graded", l.Len())
	}
}
