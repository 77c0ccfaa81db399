package simfarm

import "math"

// GraderStrictness is the truth of who is strict: for each grader, the log-odds of a
// failure had they graded every graded start of the farm, less the mean over graders by
// what each graded.
func (f *Farm) GraderStrictness() []float64 {
	out := make([]float64, len(f.graders))
	weight := make([]float64, len(f.graders))
	for n := range f.starts {
		if s := &f.starts[n]; s.graded {
			weight[s.grader]++
		}
	}
	mean, all := 0.0, 0.0
	for g := range out {
		p, starts := 0.0, 0.0
		for n := range f.starts {
			s := f.starts[n]
			if !s.graded {
				continue
			}
			s.grader = uint8(g)
			spoiled, near := f.judged(&s)
			switch {
			case s.spoiled:
				p += spoiled
			case s.cause != noCause:
				p += near
			}
			starts++
		}
		p /= starts
		out[g] = math.Log(p / (1 - p))
		mean += weight[g] * out[g]
		all += weight[g]
	}
	for g := range out {
		out[g] -= mean / all
	}
	return out
}
