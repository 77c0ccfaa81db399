package simfarm

// Choice is how a crew that cannot look at every start chooses by itself which to
// grade: Coverage is the share of all starts that is graded in the end, those on a
// list included; layers that look bad (marginal, failed) are graded Bad times as
// often as good ones, and those of them that followed a skipped probe another
// Skipped times.
type Choice struct{ Coverage, Bad, Skipped float64 }

// Choose makes of a farm all of whose starts were graded one that a crew looked at
// by choice, from one time up to another (microseconds since 1970). The starts on
// the list are graded whatever they look like; it tells how many others are.
func (f *Farm) Choose(c Choice, from, to int64, listed func(n int) bool) (chosen int) {
	often := func(s *start) float64 {
		x := 1.0
		if s.grade >= gradeMarginal {
			x = c.Bad
			if !s.probed {
				x *= c.Skipped
			}
		}
		return x
	}
	all, must := 0, 0
	var free []int
	for n := range f.starts {
		if s := &f.starts[n]; s.at < from || s.at >= to {
			continue
		}
		all++
		if listed(n) {
			must++
			f.starts[n].graded = true
		} else {
			free = append(free, n)
		}
	}
	want := c.Coverage*float64(all) - float64(must)
	sum := func(chance float64) (s float64) {
		for _, n := range free {
			s += min(1, chance*often(&f.starts[n]))
		}
		return s
	}
	low, high := 0.0, 1.0
	for range 40 {
		if mid := (low + high) / 2; sum(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	for _, n := range free {
		s := &f.starts[n]
		s.graded = f.drawOf(s).u(forGraded) < low*often(s)
		if s.graded {
			chosen++
		}
	}
	return chosen
}

// Chance is the chance that a start's grade became a failure, its hidden states
// given.
func (f *Farm) Chance(n int) float64 { return f.starts[n].was }
