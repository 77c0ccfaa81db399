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
	for i := range before.Fittings {
		f := &before.Fittings[i]
		f.Printer, f.Plate = other(f.Printer, len(h.RecordsAll)), other(f.Plate, h.Plates)
	}
	before.RecordsAll = slices.Clone(h.RecordsAll)
	slices.Reverse(before.RecordsAll)
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
		slices.SortStableFunc(h.Starts, func(a, b Start) int { return cmp.Or(cmp.Compare(a.At, b.At), compareIDs(&a.ID, &b.ID)) })
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
		before, after, moved := parted(h, at)
		back := func(j int32) int32 {
			if j < 0 {
				return j
			}
			return moved.Plates[j]
		}
		alike := func(f *Start, x *Exposure) {
			if w := want[f.ID]; *x != w {
				t.Fatalf("parted at %d, start %+v:\n got %+v\nwant %+v\nhistory %+v", at, f, *x, w, h)
			}
		}
		had := make([]Exposure, len(before.Starts))
		point := PointAt(before, at, func(i int, x *Exposure) { had[i] = *x }).Moved(moved, len(h.RecordsAll), h.Plates)
		if !point.Parts(after.Probes) {
			straddled++
			return
		}
		for i := range had {
			had[i].Plate = back(had[i].Plate)
			alike(&before.Starts[i], &had[i])
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

// Where only cleanings are others, the plates they are of are counted anew.
func TestCleaningsOfThePastAreTakenIn(t *testing.T) {
	taken := 0
	rapid.Check(t, func(t *rapid.T) {
		const at = int64(1) << 61
		h := histories(t)
		slices.SortStableFunc(h.Starts, func(a, b Start) int { return cmp.Or(cmp.Compare(a.At, b.At), compareIDs(&a.ID, &b.ID)) })
		slices.SortStableFunc(h.Cleanings, func(a, b Cleaning) int { return cmp.Compare(a.At, b.At) })
		some := make([]bool, h.Plates)
		some[rapid.IntRange(0, h.Plates-1).Draw(t, "plate")] = true
		old := clone(h)
		old.Cleanings = slices.DeleteFunc(old.Cleanings, func(c Cleaning) bool { return some[c.Plate] && c.At/minute%20 == 0 })
		plate := make([]int32, len(h.Starts))
		got := make([][2]int32, len(h.Starts))
		was := PointAt(old, at, func(i int, x *Exposure) { plate[i], got[i] = x.Plate, [2]int32{x.PrintsSinceClean, x.PrintsSinceWash} })
		want := PointAt(h, at, func(i int, x *Exposure) {
			if plate[i] != x.Plate {
				t.Fatalf("a cleaning moved a plate")
			}
		})
		now, ok := was.Recleaned(h, some, plate, func(i int, sinceClean, sinceWash int32) { got[i] = [2]int32{sinceClean, sinceWash} })
		if !ok {
			return
		}
		taken++
		for i, x := range Of(h) {
			if got[i] != [2]int32{x.PrintsSinceClean, x.PrintsSinceWash} {
				t.Fatalf("start %d: got %v, want %+v\nhistory %+v", i, got[i], x, h)
			}
		}
		if !slices.Equal(now.plates, want.plates) {
			t.Fatalf("got %+v, want %+v\nhistory %+v", now.plates, want.plates, h)
		}
	})
	if taken < 20 {
		t.Errorf("cleanings were taken in %d times, want at least 20", taken)
	}
}
