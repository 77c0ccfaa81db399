package trial

import (
	"math"

	"basecourse/internal/stats"
)

// Governed is a start that a draw governs: what the lot said, with which chance, what was
// done, and what came of it. Only graded ones count.
type Governed struct {
	Do     bool
	Chance float64 // that the lot says do, between 0 and 1
	Did    bool    // the task was done for this start, whatever the lot said
	Failed bool
}

// Effect is how many failures of 100 starts a task spares the start it is done before,
// as the lot tells. Positive: doing it spares failures. Intervals are at the level asked
// for; where too little was drawn they are NaN.
type Effect struct {
	Do, Leave         Arm     // as drawn
	Weight            float64 // the sum of c(1 - c), c the chances: what the draws tell
	Drawn, Low, High  float64 // spared by drawing it (intention to treat)
	Followed          float64 // by how much of 100 starts the draw changed what was done
	Done              float64 // spared by doing it, among starts that followed the draw; NaN without such
	DoneLow, DoneHigh float64
	// Open: what was done followed the draws too little to bound Done; its limits are NaN.
	Open bool
}

// Fewest failures and starts of each arm for an interval to be told.
const (
	fewestFailures = 5
	fewestStarts   = 20
)

// Enough tells whether the draws suffice for an interval of their own.
func (e *Effect) Enough() bool {
	return e.Do.Starts >= fewestStarts && e.Leave.Starts >= fewestStarts && e.Do.Failures+e.Leave.Failures >= fewestFailures
}

// Estimate tells what doing a task spares, from draws of known and unequal chances.
//
// With Z = 1 where the lot said do, c its chance, Y = 1 where the start failed and D = 1
// where the task was done, the sum of (Z - c)(Y - t·D - m) has mean 0 at the true effect
// t, whatever made people skip and machines fail, as only the lot moves Z: the effect is
// the weighted mean over the draws, by c(1 - c). Each term's mean is 0 given all that went
// before it, so a start may depend on earlier draws (prints since a cleaning), and m may
// be any number known beforehand; the weighted mean of Y - t·D takes its place. Limits are
// the t at which the sum is within its own standard error (the square root of the sum of
// squared terms) times the normal quantile: for D = Z the score interval of a difference
// (intention to treat), for D the test of Anderson and Rubin (1949, Annals of Mathematical
// Statistics 20:46-63), which holds however little was followed and then has no ends. The
// estimate is Wald's ratio.
func Estimate(list []Governed, level float64) Effect {
	var e Effect
	var s sums
	for _, x := range list {
		z, y, d := 0.0, 0.0, 0.0
		if x.Failed {
			y = 1
		}
		if x.Did {
			d = 1
		}
		arm := &e.Leave
		if x.Do {
			z, arm = 1, &e.Do
		}
		arm.Starts++
		arm.Failures += int(y)
		w := x.Chance * (1 - x.Chance)
		e.Weight += w
		s.add(z-x.Chance, w, y, z, d)
	}
	nan := math.NaN()
	e.Drawn, e.Low, e.High, e.Followed, e.Done, e.DoneLow, e.DoneHigh = nan, nan, nan, nan, nan, nan, nan
	if e.Weight == 0 {
		return e
	}
	q := stats.NormalQuantile(0.5 + level/2)
	t, low, high, open := s.solve(&s.z, q)
	e.Drawn = -100 * t
	e.Followed = 100 * s.follow()
	e.Done, e.Open = nan, true
	var dt, dlow, dhigh float64
	dt, dlow, dhigh, e.Open = s.solve(&s.d, q)
	if math.Abs(e.Followed) > 1e-9 {
		e.Done = -100 * dt
	}
	if !e.Enough() {
		e.Open = true
		return e
	}
	if !open {
		e.Low, e.High = -100*high, -100*low
	}
	if !e.Open {
		e.DoneLow, e.DoneHigh = -100*dhigh, -100*dlow
	}
	return e
}

// sums are what the estimate needs of the starts: u = z - c, and for x of z and d the sums
// that the score and its variance are made of.
type sums struct {
	w, wy   float64 // of weights c(1-c) as they fell, and of y with them
	u, uy   float64
	uu, uuy float64 // of u², u²y
	uuyy    float64
	z, d    with
}

// with are the sums with x.
type with struct{ w, u, uu, uuy, uux float64 }

func (s *sums) add(u, w, y, z, d float64) {
	s.w, s.wy = s.w+w, s.wy+w*y
	s.u, s.uy = s.u+u, s.uy+u*y
	s.uu, s.uuy, s.uuyy = s.uu+u*u, s.uuy+u*u*y, s.uuyy+u*u*y*y
	for _, x := range []struct {
		to *with
		x  float64
	}{{&s.z, z}, {&s.d, d}} {
		x.to.w, x.to.u, x.to.uu = x.to.w+w*x.x, x.to.u+u*x.x, x.to.uu+u*u*x.x
		x.to.uuy, x.to.uux = x.to.uuy+u*u*y*x.x, x.to.uux+u*u*x.x*x.x
	}
}

// follow is by how much the draw moved what was done, as a share.
func (s *sums) follow() float64 {
	md := s.d.w / s.w
	mz := s.z.w / s.w
	// The same ratio with what was done in the place of failures.
	return (s.d.u - md*s.u) / (s.z.u - mz*s.u)
}

// solve gives the t at which the sum is 0 and those at which it is q standard errors off.
func (s *sums) solve(x *with, q float64) (t, low, high float64, open bool) {
	// r(t) = (y - ȳ) - t (x - x̄), weighted means: the score is a - t·b, its squares A - 2tB + t²C.
	my, mx := s.wy/s.w, x.w/s.w
	a, b := s.uy-my*s.u, x.u-mx*s.u
	A := s.uuyy - 2*my*s.uuy + my*my*s.uu
	B := x.uuy - my*x.uu - mx*s.uuy + mx*my*s.uu
	C := x.uux - 2*mx*x.uu + mx*mx*s.uu
	t = a / b
	// (a - tb)² = q² (A - 2tB + t²C)
	qa, qb, qc := b*b-q*q*C, a*b-q*q*B, a*a-q*q*A
	disc := qb*qb - qa*qc
	if !(qa > 0) || !(disc >= 0) {
		return t, math.NaN(), math.NaN(), true
	}
	root := math.Sqrt(disc)
	return t, (qb - root) / qa, (qb + root) / qa, false
}
