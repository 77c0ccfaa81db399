package exposure

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

const minute = int64(60e6)

// histories draws small farms in which everything collides: few printers and
// plates, times on a coarse grid so that many records share an instant.
func histories(t *rapid.T) *History {
	printers := rapid.IntRange(1, 3).Draw(t, "printers")
	plates := rapid.IntRange(1, 4).Draw(t, "plates")
	span := rapid.Int64Range(0, 40).Draw(t, "span")
	h := &History{Farm: Farm{Plates: plates, StartWindow: 45 * minute}}
	for i := range printers {
		h.RecordsAll = append(h.RecordsAll, rapid.Bool().Draw(t, fmt.Sprint("records", i)))
	}
	base := rapid.SampledFrom([]int64{0, 1, -1e12, 1_700_000_000_000_000}).Draw(t, "base")
	at := rapid.Custom(func(t *rapid.T) int64 { return base + 10*minute*(1+rapid.Int64Range(0, span).Draw(t, "at")) })
	printer := rapid.Int32Range(0, int32(printers-1))
	plate := rapid.Int32Range(0, int32(plates-1))
	maybe := rapid.Int32Range(-1, int32(plates-1))
	side := rapid.SampledFrom([]Side{0, 0, SideA, SideB})
	tri := rapid.SampledFrom([]Tri{Unknown, Unknown, Unknown, No, Yes})
	number := uint64(0)
	id := func(t *rapid.T) (u [16]byte) {
		number++ // unlike any other, in random order
		binary.BigEndian.PutUint64(u[:], rapid.Uint64Range(0, 3).Draw(t, "id"))
		binary.BigEndian.PutUint64(u[8:], number)
		return u
	}
	h.Starts = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Start {
		s := Start{ID: id(t), At: at.Draw(t, "t"), Printer: printer.Draw(t, "i"), Plate: maybe.Draw(t, "j"), Side: side.Draw(t, "side"),
			Turned: tri.Draw(t, "turned"), Probed: tri.Draw(t, "probed"), Sent: rapid.Bool().Draw(t, "sent"), Failed: rapid.Bool().Draw(t, "failed")}
		if rapid.Bool().Draw(t, "graded") {
			s.GradedAt = s.At + 10*minute*rapid.Int64Range(0, 5).Draw(t, "g")
		}
		return s
	}), 0, 14).Draw(t, "starts")
	h.Probes = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Probe {
		return Probe{ID: id(t), At: at.Draw(t, "t"), Printer: printer.Draw(t, "i"), Plate: maybe.Draw(t, "j"), Side: side.Draw(t, "side"),
			Turned: tri.Draw(t, "turned"), Ends: rapid.IntRange(0, 4).Draw(t, "ends") > 0}
	}), 0, 8).Draw(t, "probes")
	h.Skips = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Skip { return Skip{at.Draw(t, "t"), printer.Draw(t, "i")} }), 0, 3).Draw(t, "skips")
	h.Cleanings = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Cleaning {
		m := rapid.IntRange(0, 2).Draw(t, "method")
		return Cleaning{at.Draw(t, "t"), plate.Draw(t, "j"), m > 0, m > 1}
	}), 0, 6).Draw(t, "cleanings")
	h.Fittings = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Fitting {
		f := Fitting{At: at.Draw(t, "t"), Plate: plate.Draw(t, "j"), Printer: printer.Draw(t, "i")}
		if rapid.Bool().Draw(t, "removed") {
			f.Removed = f.At + 10*minute*rapid.Int64Range(0, 10).Draw(t, "until")
		}
		return f
	}), 0, 8).Draw(t, "fittings")
	h.Services = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Service { return Service{at.Draw(t, "t"), printer.Draw(t, "i")} }), 0, 3).Draw(t, "services")
	return h
}

func clone(h *History) *History {
	c := *h
	c.Starts, c.Probes, c.Skips = slices.Clone(h.Starts), slices.Clone(h.Probes), slices.Clone(h.Skips)
	c.Cleanings, c.Fittings, c.Services = slices.Clone(h.Cleanings), slices.Clone(h.Fittings), slices.Clone(h.Services)
	return &c
}

func TestSweepEqualsTheSlowVersion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		got, want := Of(h), slowOf(h)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("start %d %+v:\n got %+v\nwant %+v\nhistory %+v", i, h.Starts[i], got[i], want[i], h)
			}
		}
	})
}

func TestGradesNotKnownAreAsIfTheyHadNotBeenGiven(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		h.GradedBefore = rapid.SampledFrom(append([]int64{1}, instants(h)...)).Draw(t, "known")
		without := clone(h)
		without.GradedBefore = 0
		for i := range without.Starts {
			if s := &without.Starts[i]; s.GradedAt >= h.GradedBefore {
				s.GradedAt, s.Failed = 0, false
			}
		}
		if got, want := Of(h), Of(without); !slices.Equal(got, want) {
			t.Fatalf("got %+v\nwant %+v\nhistory %+v", got, want, h)
		}
	})
}

// What was known before an instant is told beside what is known now.
func TestWhatWasKnownThenIsWhatTheHistoryWasThen(t *testing.T) {
	whole, parts := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		slices.SortStableFunc(h.Starts, func(a, b Start) int { return cmp.Compare(a.At, b.At) })
		then := rapid.SampledFrom(append([]int64{1}, instants(h)...)).Draw(t, "then")
		was := clone(h)
		was.Starts = slices.DeleteFunc(was.Starts, func(s Start) bool { return s.At >= then })
		was.Probes = slices.DeleteFunc(was.Probes, func(p Probe) bool { return p.At >= then })
		was.Skips = slices.DeleteFunc(was.Skips, func(s Skip) bool { return s.At >= then })
		was.Cleanings = slices.DeleteFunc(was.Cleanings, func(c Cleaning) bool { return c.At >= then })
		was.Services = slices.DeleteFunc(was.Services, func(s Service) bool { return s.At >= then })
		was.Fittings = slices.DeleteFunc(was.Fittings, func(f Fitting) bool { return f.At >= then })
		for i := range was.Starts {
			if s := &was.Starts[i]; s.GradedAt >= then {
				s.GradedAt, s.Failed = 0, false
			}
		}
		for i := range was.Fittings {
			if f := &was.Fittings[i]; f.Removed >= then {
				f.Removed = 0
			}
		}
		got, _, parted := WithThen(h, nil, then)
		if parts++; !parted {
			return
		}
		whole++
		for i, want := range Of(was) {
			if got[i].Restart = got[i].RestartThen; got[i] != want {
				t.Fatalf("start %d %+v:\n got %+v\nwant %+v\nthen %d, history %+v", i, h.Starts[i], got[i], want, then, h)
			}
		}
	})
	if whole < parts/2 {
		t.Errorf("the instant parted the starts %d times of %d, want most times", whole, parts)
	}
}

// A start that was sent, and whose probe came after an instant, is parted by it.
func TestAnInstantBetweenAStartAndItsProbeDoesNotPart(t *testing.T) {
	h := &History{Farm: Farm{RecordsAll: []bool{true}, StartWindow: 60}, Starts: []Start{{At: 100, Plate: None, Sent: true}}, Probes: []Probe{{At: 110, Plate: None, Ends: true}}}
	for then, want := range map[int64]bool{99: true, 105: false, 111: true} {
		if _, _, parted := WithThen(h, nil, then); parted != want {
			t.Errorf("at %d: parted %t, want %t", then, parted, want)
		}
	}
}

// instants are when starts were made and graded, and probes made.
func instants(h *History) (list []int64) {
	for i := range h.Starts {
		list = append(list, h.Starts[i].At, h.Starts[i].GradedAt+1)
	}
	for i := range h.Probes {
		list = append(list, h.Probes[i].At, h.Probes[i].At-1)
	}
	return list
}

func TestOrderOfListsDoesNotMatterAndHistoryIsNotChanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		before := fmt.Sprintf("%+v", h)
		want := map[[16]byte]Exposure{}
		for i, x := range Of(h) {
			want[h.Starts[i].ID] = x
		}
		if got := fmt.Sprintf("%+v", h); got != before {
			t.Fatalf("history changed: got %s, want %s", got, before)
		}
		c := clone(h)
		slices.Reverse(c.Starts)
		slices.Reverse(c.Probes)
		slices.Reverse(c.Skips)
		slices.Reverse(c.Cleanings)
		slices.Reverse(c.Services)
		for i, x := range Of(c) {
			if w := want[c.Starts[i].ID]; x != w {
				t.Fatalf("got %+v, want %+v", x, w)
			}
		}
	})
}

// What happens at or after an instant never changes the exposure of a start
// before it, unless a probe lies in the window of a sent one.
func TestLaterRecordsChangeNoEarlierExposure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		want := Of(h)
		c := clone(h)
		cut := int64(1 << 62)
		c.Cleanings = append(c.Cleanings, Cleaning{cut, 0, true, true})
		c.Services = append(c.Services, Service{cut, 0})
		c.Fittings = append(c.Fittings, Fitting{At: cut, Plate: 0, Printer: 0})
		c.Skips = append(c.Skips, Skip{cut, 0})
		c.Probes = append(c.Probes, Probe{At: cut, Plate: None, Ends: true})
		c.Starts = append(c.Starts, Start{At: cut, Plate: 0, ID: [16]byte{0xff}})
		got := Of(c)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("start %d: got %+v, want %+v", i, got[i], want[i])
			}
		}
	})
}

// A cleaning that arrives late, or is voided, changes prints and days since
// cleaning of later starts with that plate up to its next cleaning, and
// nothing else.
func TestLateCleaningChangesExactlyTheStartsAfterIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		if len(h.Cleanings) == 0 {
			return
		}
		k := rapid.IntRange(0, len(h.Cleanings)-1).Draw(t, "late")
		late := h.Cleanings[k]
		c := clone(h)
		c.Cleanings = slices.Delete(c.Cleanings, k, k+1)
		with, without := Of(h), Of(c)
		for i := range with {
			a, b := with[i], without[i]
			if a == b {
				continue
			}
			if a.Plate != late.Plate || a.At < late.At {
				t.Fatalf("start %d of plate %d at %d changed by a cleaning of plate %d at %d", i, a.Plate, a.At, late.Plate, late.At)
			}
			if late.Clears {
				a.PrintsSinceClean, a.SinceClean = b.PrintsSinceClean, b.SinceClean
			}
			if late.Washes {
				a.PrintsSinceWash = b.PrintsSinceWash
			}
			if a != b {
				t.Fatalf("start %d: more than the gap changed: %+v, %+v", i, a, b)
			}
		}
	})
}

// A probe that arrives late changes starts of its printer only, none before it
// but a sent one whose window it lies in, and none after the next probe.
func TestLateProbeChangesOnlyItsPrinter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories(t)
		for i := range h.Starts {
			if h.Starts[i].Sent { // a start that moves also moves its plate's counts
				h.Starts[i].Sent = false
			}
		}
		if len(h.Probes) == 0 {
			return
		}
		k := rapid.IntRange(0, len(h.Probes)-1).Draw(t, "late")
		late := h.Probes[k]
		c := clone(h)
		c.Probes = slices.Delete(c.Probes, k, k+1)
		with, without := Of(h), Of(c)
		for i := range with {
			if with[i] != without[i] && (h.Starts[i].Printer != late.Printer || with[i].At < late.At || !late.Ends) {
				t.Fatalf("start %d %+v changed by probe %+v", i, h.Starts[i], late)
			}
		}
	})
}
