package trial

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Plan is what a test is sized for: the chances of failure of the starts left alone
// and of those that are done, the share drawn to be done (0 to 1, exclusive), the
// power to show the difference and the level of the two-sided test at its end.
type Plan struct {
	Leave, Do float64
	Share     float64
	Power     float64
	Level     float64
}

// Levels of a planned test. While it runs it may be looked at after every start at
// LevelWatch, at its end it is judged once at LevelEnd; together at most one test in
// twenty shows a difference where there is none.
const (
	LevelWatch = 0.01
	LevelEnd   = 0.04
)

func z(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

func (p Plan) known() bool {
	in := func(x float64) bool { return x > 0 && x < 1 }
	return in(p.Share) && in(p.Level) && p.Leave >= 0 && p.Leave <= 1 && p.Do >= 0 && p.Do <= 1 && p.Leave != p.Do
}

// spread gives the ratio of the arms' sizes, do to leave, and the two standard
// deviations of Fleiss: under no difference and under the one planned for.
func (p Plan) spread() (r, none, planned float64) {
	r = p.Share / (1 - p.Share)
	mean := (p.Leave + r*p.Do) / (r + 1)
	return r, math.Sqrt((r + 1) * mean * (1 - mean)), math.Sqrt(r*p.Leave*(1-p.Leave) + p.Do*(1-p.Do))
}

// plain is the number of starts left alone that is needed, without continuity
// correction.
func (p Plan) plain() float64 {
	r, none, planned := p.spread()
	d := p.Do - p.Leave
	x := z(1-p.Level/2)*none + z(p.Power)*planned
	return x * x / (r * d * d)
}

// Starts is how many graded starts the test needs, both arms together, at the
// shares drawn on average: the normal approximation with continuity correction for
// arms of unequal size (Fleiss, Tytun and Ury 1980; Fleiss, Levin and Paik 2003,
// section 4). 0 where the plan makes no sense (no difference, shares or chances
// out of range).
func (p Plan) Starts() int {
	if !p.known() || p.Power <= 0 || p.Power >= 1 {
		return 0
	}
	r, _, _ := p.spread()
	m := p.plain()
	root := 1 + math.Sqrt(1+2*(r+1)/(m*r*math.Abs(p.Do-p.Leave)))
	m = m / 4 * root * root
	return int(math.Ceil(m*(1+r) - 1e-9))
}

// Reaches is the power that a number of graded starts gives by the same
// approximation; Power is not looked at. NaN where the plan makes no sense.
func (p Plan) Reaches(starts int) float64 {
	if !p.known() || starts <= 0 {
		return math.NaN()
	}
	r, none, planned := p.spread()
	d := math.Abs(p.Do - p.Leave)
	m, c := float64(starts)/(1+r), 2*(r+1)/(r*d)
	if 4*m <= c {
		return 0
	}
	root := (4*m - c) / (4 * math.Sqrt(m)) // the plain size that corrects to m
	return distuv.UnitNormal.CDF((root*math.Sqrt(r)*d - z(1-p.Level/2)*none) / planned)
}

// Smallest is the chance of failure nearest below Leave that a number of graded
// starts tells apart from it with the plan's power; Do is not looked at. NaN where
// even no failure at all would not be told.
func (p Plan) Smallest(starts int) float64 {
	tells := func(do float64) bool { q := p; q.Do = do; return q.Reaches(starts) >= p.Power }
	if !tells(0) {
		return math.NaN()
	}
	low, high := 0.0, p.Leave
	for range 60 {
		if mid := (low + high) / 2; tells(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}
