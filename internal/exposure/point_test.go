package exposure

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// parted gives the rows of a history before an instant, by other numbers, and the history
// from there on; moved leads back from those numbers.
func parted(h *History, at int64) (before, after *History, moved *Moved) {
	moved = &Moved{make([]int32, len(h.RecordsAll)), make([]int32, h.Plates)}
	other := func(i int32, n int) int32 {
		if i < 0 {
			return i
		}
		return int32(n) - 1 - i
	}
	for i := range moved.Printers {
		moved.Printers[i] = other(int32(i), len(h.RecordsAll))
	}
	for j := range moved.Plates {
		moved.Plates[j] = other(int32(j), h.Plates)
	}
	before, after = clone(h), clone(h)
	sift(&before.Starts, &after.Starts, func(s *Start) bool { return s.At < at })
	sift(&before.Probes, &after.Probes, func(p *Probe) bool { return p.At < at })
	sift(&before.Skips, &after.Skips, func(s *Skip) bool { return s.At < at })
	sift(&before.Cleanings, &after.Cleanings, func(c *Cleaning) bool { return c.At < at })
	sift(&before.Services, &after.Services, func(s *Service) bool { return s.At < at })
	for i := range before.Starts {
		s := &before.Starts[i]
		s.Printer, s.Plate = other(s.Printer, len(h.RecordsAll)), other(s.Plate, h.Plates)
	}
	for i := range before.Probes {
		p := &before.Probes[i]
		p.Printer, p.Plate = other(p.Printer, len(h.RecordsAll)), other(p.Plate, h.Plates)
	}
	for i := range before.Skips {
		before.Skips[i].Printer = other(before.Skips[i].Printer, len(h.RecordsAll))
	}
	for i := range before.Services {
		before.Services[i].Printer = other(before.Services[i].Printer, len(h.RecordsAll))
	}
	for i := range before.Cleanings {
		before.Cleanings[i].Plate = other(before.Cleanings[i].Plate, h.Plates)
	}
	return before, after, moved
}

func sift[T any](yes, no *[]T, is func(*T) bool) {
	*yes = slices.DeleteFunc(*yes, func(x T) bool { return !is(&x) })
	*no = slices.DeleteFunc(*no, func(x T) bool { return is(&x) })
}

// A sweep that stops at an instant and goes on from there gives what one sweep gives.
func TestASweepGoesOnFromAPoint(t *testing.T) {
	parts, straddled := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		low, high := int64(math.MaxInt64), int64(math.MinInt64)
		for i := range h.Starts {
			low, high = min(low, h.Starts[i].At), max(high, h.Starts[i].At)
		}
		if low > high {
			return
		}
		at := rapid.Int64Range(low-minute, high+minute).Draw(t, "parted")
		want := map[[16]byte]Exposure{}
		all, coming := With(h, []Start{{At: high + 100*minute, Printer: 0, Plate: None}})
		for i, x := range all {
			want[h.Starts[i].ID] = x
		}
		slices.SortStableFunc(h.Starts, func(a, b Start) int { return cmp.Or(cmp.Compare(a.At, b.At), compareIDs(&a.ID, &b.ID)) })
		before, after, moved := parted(h, at)
		alike := func(f *Start, x *Exposure) {
			if w := want[f.ID]; *x != w {
				t.Fatalf("parted at %d, start %+v:\n got %+v\nwant %+v\nhistory %+v", at, f, *x, w, h)
			}
		}
		var seen []Start
		var had []Exposure
		point := PointAt(before, at, moved, func(i int, x *Exposure) { seen, had = append(seen, before.Starts[i]), append(had, *x) })
		if !point.Parts(after.Probes) {
			straddled++
			return
		}
		if len(seen) != len(before.Starts) {
			t.Fatalf("%d of %d starts before %d were seen", len(seen), len(before.Starts), at)
		}
		for i := range seen {
			alike(&seen[i], &had[i])
		}
		parts++
		printers, plates := make([]bool, len(h.RecordsAll)), make([]bool, h.Plates)
		for i := range h.Starts {
			if f := &h.Starts[i]; f.At < at {
				printers[f.Printer] = f.Failed
				if j := all[i].Plate; j >= 0 {
					plates[j] = f.Failed
				}
			}
		}
		after.From = point
		if gotPrinters, gotPlates := after.FailedBefore(); !slices.Equal(gotPrinters, printers) || !slices.Equal(gotPlates, plates) {
			t.Fatalf("failed before %d: got %v %v, want %v %v\nhistory %+v", at, gotPrinters, gotPlates, printers, plates, h)
		}
		for range 2 { // the point stays what it is
			rest, next := With(after, []Start{{At: high + 100*minute, Printer: 0, Plate: None}})
			for i := range rest {
				alike(&after.Starts[i], &rest[i])
			}
			if next[0] != coming[0] {
				t.Fatalf("parted at %d, next start:\n got %+v\nwant %+v\nhistory %+v", at, next[0], coming[0], h)
			}
		}
	})
	if parts < straddled {
		t.Errorf("%d histories were parted, and %d could not be", parts, straddled)
	}
}
