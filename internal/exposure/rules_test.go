package exposure

import "testing"

// farmOf is a farm of two printers that records all probes and three plates.
func farmOf() Farm {
	return Farm{RecordsAll: []bool{true, true}, Plates: 3, StartWindow: 45 * minute}
}

func startAt(m int64, plate int32) Start {
	return Start{ID: [16]byte{15: byte(m)}, At: m * minute, Plate: plate}
}

func probeAt(m int64, plate int32) Probe {
	return Probe{ID: [16]byte{15: byte(m)}, At: m * minute, Plate: plate, Ends: true}
}

// The rules one by one; each history's last start is the one asked about. The
// wanted values follow from the definition by hand.
func TestRulesOneByOne(t *testing.T) {
	with := func(s Start, change func(*Start)) Start { change(&s); return s }
	sent := func(m int64, plate int32) Start {
		return with(startAt(m, plate), func(s *Start) { s.Sent = true })
	}
	cases := []struct {
		name string
		h    History
		want Exposure // At, Plate and the fields of cleaning are compared only where set
	}{
		{"never probed is unknown", History{Starts: []Start{startAt(10, 0)}},
			Exposure{PrintsSinceProbe: None, SinceProbe: None}},
		{"the first start after a probe is probed", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{probeAt(5, 0)}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: 5 * minute}},
		{"the second start without a probe is skipped", History{Starts: []Start{startAt(10, 0), startAt(20, 0)}, Probes: []Probe{probeAt(5, 0)}},
			Exposure{Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 15 * minute}},
		{"a probe at the same instant comes first", History{Starts: []Start{startAt(10, 0), startAt(20, 0)}, Probes: []Probe{probeAt(20, 0)}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid}},
		{"a probe of extent zero ends no skip", History{Starts: []Start{startAt(10, 0), startAt(20, 0)},
			Probes: []Probe{probeAt(5, 0), {At: 15 * minute, Plate: 0}}},
			Exposure{Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 15 * minute}},
		{"another plate than the probe's is void", History{Starts: []Start{startAt(10, 1)}, Probes: []Probe{probeAt(5, 0)}},
			Exposure{Skipped: No, PlateSwapped: Yes, State: StateVoid, SinceProbe: 5 * minute}},
		{"the other side is void", History{Starts: []Start{with(startAt(10, 0), func(s *Start) { s.Side = SideB })},
			Probes: []Probe{{At: 5 * minute, Side: SideA, Ends: true}}},
			Exposure{Skipped: No, PlateSwapped: Yes, State: StateVoid, SinceProbe: 5 * minute}},
		{"an unstated side equals any", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{{At: 5 * minute, Side: SideA, Ends: true}}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: 5 * minute}},
		{"a service since the probe voids it", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{probeAt(5, 0)}, Services: []Service{{7 * minute, 0}}},
			Exposure{Skipped: No, PlateSwapped: Yes, State: StateVoid, SinceProbe: 5 * minute}},
		{"a service at the probe's instant comes before it", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{probeAt(5, 0)}, Services: []Service{{5 * minute, 0}}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: 5 * minute}},
		{"the plate taken off and put back is void", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{probeAt(5, 0)},
			Fittings: []Fitting{{At: 6 * minute}}},
			Exposure{Skipped: No, PlateSwapped: Yes, State: StateVoid, SinceProbe: 5 * minute}},
		{"an unnamed probe after another plate's start is void", History{Starts: []Start{startAt(3, 1), startAt(10, 0)}, Probes: []Probe{probeAt(5, None)}},
			Exposure{Skipped: No, PlateSwapped: Yes, State: StateVoid, SinceProbe: 5 * minute}},
		{"an unnamed probe before any start leaves the swap unknown", History{Starts: []Start{startAt(10, 0)}, Probes: []Probe{probeAt(5, None)}},
			Exposure{Skipped: No, State: StateUnknown, SinceProbe: 5 * minute}},
		{"a skip recorded is a skip, whatever the farm records", History{Farm: Farm{RecordsAll: []bool{false}, Plates: 3},
			Starts: []Start{startAt(3, 0), startAt(10, 0)}, Probes: []Probe{probeAt(1, 0)}, Skips: []Skip{{At: 8 * minute}}},
			Exposure{Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 9 * minute}},
		{"a skip made good is none", History{Starts: []Start{startAt(3, 0), startAt(10, 0)}, Probes: []Probe{probeAt(9, 0)}, Skips: []Skip{{At: 8 * minute}}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: minute}},
		{"a missing probe is no skip where not all are recorded", History{Farm: Farm{RecordsAll: []bool{false}, Plates: 3},
			Starts: []Start{startAt(3, 0), startAt(10, 0)}, Probes: []Probe{probeAt(1, 0)}},
			Exposure{PlateSwapped: No, PrintsSinceProbe: 1, SinceProbe: 9 * minute}},
		{"probed = yes without a record stands for a probe", History{
			Starts: []Start{startAt(3, 1), with(startAt(10, 0), func(s *Start) { s.Probed = Yes })}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid}},
		{"and counts for later starts", History{
			Starts: []Start{with(startAt(10, 0), func(s *Start) { s.Probed = Yes }), startAt(20, 0)}},
			Exposure{Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 10 * minute}},
		{"probed = yes with a record keeps the record's time", History{
			Starts: []Start{startAt(3, 0), with(startAt(10, 0), func(s *Start) { s.Probed = Yes })}, Probes: []Probe{probeAt(5, 0)}},
			Exposure{Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: 5 * minute}},
		{"probed = no beats a probe record", History{
			Starts: []Start{startAt(3, 0), with(startAt(10, 0), func(s *Start) { s.Probed = No })}, Probes: []Probe{probeAt(5, 0)}},
			Exposure{Skipped: Yes, PlateSwapped: No, State: StateSkipped, SinceProbe: 5 * minute}},
		{"a sent start moves to the probe in its window", History{Starts: []Start{startAt(3, 0), sent(10, 0)}, Probes: []Probe{probeAt(55, 0)}},
			Exposure{At: 55 * minute, Skipped: No, PlateSwapped: No, State: StateValid}},
		{"but not to one after it", History{Starts: []Start{startAt(3, 0), sent(10, 0)}, Probes: []Probe{probeAt(1, 0), probeAt(56, 0)}},
			Exposure{At: 10 * minute, Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 9 * minute}},
		{"nor to one after its grading", History{Starts: []Start{startAt(3, 0), with(sent(10, 0), func(s *Start) { s.GradedAt = 30 * minute })},
			Probes: []Probe{probeAt(1, 0), probeAt(30, 0)}},
			Exposure{At: 10 * minute, Skipped: Yes, PlateSwapped: No, State: StateSkipped, PrintsSinceProbe: 1, SinceProbe: 9 * minute}},
		{"a plate not named is the one fitted", History{Starts: []Start{startAt(10, None)}, Probes: []Probe{probeAt(5, 2)},
			Fittings: []Fitting{{At: 3 * minute, Plate: 2}}},
			Exposure{Plate: 2, Skipped: No, PlateSwapped: No, State: StateValid, SinceProbe: 5 * minute}},
		{"a fitting ends where the plate is seen elsewhere", History{Fittings: []Fitting{{At: 3 * minute, Plate: 2}},
			Starts: []Start{{At: 5 * minute, Printer: 1, Plate: 2}, startAt(10, None)}},
			Exposure{Plate: None, PrintsSinceProbe: None, SinceProbe: None}},
		{"a fitting removed at the instant of a start is over", History{Fittings: []Fitting{{At: 3 * minute, Plate: 2, Removed: 10 * minute}},
			Starts: []Start{startAt(10, None)}},
			Exposure{Plate: None, PrintsSinceProbe: None, SinceProbe: None}},
	}
	for _, c := range cases {
		if c.h.RecordsAll == nil {
			c.h.Farm = farmOf()
		}
		xs := Of(&c.h)
		got, want := xs[len(xs)-1], c.want
		if want.At == 0 {
			want.At = got.At
		}
		if want.Plate == 0 {
			want.Plate = got.Plate
		}
		want.PrintsSinceClean, want.SinceClean, want.PrintsSinceWash = None, None, None
		if got != want {
			t.Errorf("%s:\n got %+v\nwant %+v", c.name, got, want)
		}
	}
}

func TestCleaningsAndWashingsCountByPlateOnAnyPrinter(t *testing.T) {
	h := &History{Farm: farmOf(),
		Cleanings: []Cleaning{
			{At: 1 * minute, Plate: 0, Clears: true, Washes: true}, // wash
			{At: 25 * minute, Plate: 0, Clears: true},              // wipe
			{At: 45 * minute, Plate: 0},                            // coat
		},
		Starts: []Start{
			{At: 0, Plate: 0}, {At: 10 * minute, Plate: 0}, {At: 20 * minute, Plate: 0, Printer: 1},
			{At: 25 * minute, Plate: 0}, {At: 30 * minute, Plate: 1}, {At: 50 * minute, Plate: 0, Printer: 1},
		}}
	want := []struct {
		clean, wash int32
		since       int64
	}{{None, None, None}, {0, 0, 9 * minute}, {1, 1, 19 * minute}, {0, 2, 0}, {None, None, None}, {1, 3, 25 * minute}}
	for i, x := range Of(h) {
		if x.PrintsSinceClean != want[i].clean || x.PrintsSinceWash != want[i].wash || x.SinceClean != want[i].since {
			t.Errorf("start %d: got %d, %d, %d, want %+v", i, x.PrintsSinceClean, x.PrintsSinceWash, x.SinceClean, want[i])
		}
	}
}

func TestRestartsAreWithinTheHourOnTheSamePrinterAndPlate(t *testing.T) {
	failed := func(m int64, printer, plate int32) Start {
		return Start{At: m * minute, Printer: printer, Plate: plate, Failed: true}
	}
	later := func(m int64, printer, plate int32) Start {
		return Start{ID: [16]byte{1}, At: m * minute, Printer: printer, Plate: plate}
	}
	cases := []struct {
		name   string
		starts []Start
		want   bool
	}{
		{"sixty minutes later", []Start{failed(0, 0, 0), later(60, 0, 0)}, true},
		{"a minute more", []Start{failed(0, 0, 0), later(61, 0, 0)}, false},
		{"another plate", []Start{failed(0, 0, 0), later(30, 0, 1)}, false},
		{"another printer", []Start{failed(0, 0, 0), later(30, 1, 0)}, false},
		{"with another plate between", []Start{failed(0, 0, 0), later(20, 0, 1), later(50, 0, 0)}, true},
		{"with another plate's failure between", []Start{failed(0, 0, 0), failed(20, 0, 1), later(50, 0, 0)}, true},
		{"a plate not known", []Start{failed(0, 0, 0), later(30, 0, None)}, true},
		{"at the same instant, by id", []Start{failed(0, 0, 0), later(0, 0, 0)}, true},
		{"a layer that did not fail", []Start{{At: 0}, later(30, 0, 0)}, false},
	}
	for _, c := range cases {
		xs := Of(&History{Farm: farmOf(), Starts: c.starts})
		if got := xs[len(xs)-1].Restart; got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
}

// A sent start that moves also moves in its plate's history: a cleaning made
// between sending and probing comes before it.
func TestSentStartMovesInThePlatesHistoryToo(t *testing.T) {
	h := &History{Farm: farmOf(),
		Starts: []Start{
			{ID: [16]byte{1}, At: 10 * minute, Sent: true},
			{ID: [16]byte{2}, At: 20 * minute, Printer: 1},
			{ID: [16]byte{3}, At: 90 * minute},
		},
		Probes:    []Probe{{At: 30 * minute, Ends: true}},
		Cleanings: []Cleaning{{At: 5 * minute, Clears: true}, {At: 25 * minute, Clears: true}},
	}
	xs := Of(h)
	for i, want := range []int32{0, 0, 1} {
		if got := xs[i].PrintsSinceClean; got != want {
			t.Errorf("start %d: got %d prints since cleaning, want %d", i, got, want)
		}
	}
	h.Starts[0].Sent = false
	for i, want := range []int32{0, 1, 0} {
		if got := Of(h)[i].PrintsSinceClean; got != want {
			t.Errorf("not sent, start %d: got %d prints since cleaning, want %d", i, got, want)
		}
	}
}
