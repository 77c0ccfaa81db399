package findings

import "math"

// answer is what a question's likelihood says.
type answer struct {
	z          float64 // signed root: above 0 failures go with the exposure
	avoid      float64 // expected failures avoided, summed over the layers
	null, best fitted
	neg        bool
}

// ask maximises the likelihood with and without the exposure and gives the
// evidence and the avoidable failures. near is where the fit without one may end.
func (r *rows) ask(near theta) answer {
	if !r.swift {
		near = theta{}
	}
	null := r.fit(near, false, true)
	r.meanQ = r.meanBase(&null.th)
	r.uneven = 0
	var skipG theta
	var skipH matrix
	r.uneven = r.evalHolds(&null.th, true, false, &skipG, &skipH) - r.evalHolds(&null.th, false, false, &skipG, &skipH)
	a := answer{null: null}
	// The score at 0 tells the side of the maximum, but where the two sides'
	// slopes there differ in sign both are looked at.
	_, up, info := r.eval(&null.th, false, true)
	_, down, downInfo := r.eval(&null.th, true, true)
	a.best = null
	a.best.info = info
	if up[2] > 0 {
		a.best = r.fit(r.towards(&null.th, &up, &info, false), false, false)
	}
	if down[2] < 0 {
		if help := r.fit(r.towards(&null.th, &down, &downInfo, true), true, false); help.ll > a.best.ll {
			a.best, a.neg = help, true
		}
	}
	a.z = math.Sqrt(2 * max(0, a.best.ll-null.ll))
	if a.neg {
		a.z = -a.z
	}
	a.avoid = r.avoidable(&a.best.th, a.neg)
	return a
}

// towards is where the search for the maximum on one side begins: a little way from no
// effect, or swiftly where Newton's step from there leads, which is not taken too far.
func (r *rows) towards(null, slope *theta, info *matrix, neg bool) theta {
	side, start := 1.0, 0.2*r.meanQ
	if neg {
		side = -1
	}
	if !r.swift {
		return withBeta(*null, side*start)
	}
	d := newton(info, slope, &[params]bool{true, true, true, r.signs.seen})
	th := *null
	for a := range th {
		th[a] += clamp(d[a], 1)
	}
	return withBeta(th, side*min(max(side*th[2], start/4), 8*start))
}

// interval gives the avoidable failures where the profile's signed root is
// crit away from its maximum.
func (r *rows) interval(a *answer, crit float64) (low, high float64) {
	return r.limit(&a.best, -crit), r.limit(&a.best, crit)
}

func withBeta(th theta, b float64) theta {
	th[2] = b
	return th
}

// meanBase is the mean chance of failure without exposures.
func (r *rows) meanBase(th *theta) float64 {
	s := 0.0
	for _, o := range []*obs{&r.fails, &r.holds} {
		for i, m := range o.count {
			s += m * expit(o.off[i]+th[0]+th[1]*o.t[i])
		}
	}
	return max(1e-4, s/max(1, r.n))
}

// avoidable sums the chance of failure as it was minus that at dose 0.
func (r *rows) avoidable(th *theta, neg bool) float64 {
	sum := 0.0
	for _, o := range []*obs{&r.fails, &r.holds} {
		for i, m := range o.count {
			x := o.x[i]
			if x == 0 {
				continue
			}
			q := expit(o.off[i] + th[0] + th[1]*o.t[i])
			s2 := exp(-o.z[i])
			if neg {
				sum += m * s2 * q * (min(exp(th[2]*x/r.meanQ), 1/q) - 1)
			} else {
				sum += m * s2 * (1 - q) * (1 - exp(-th[2]*x))
			}
		}
	}
	return sum
}

// limit walks along the profile of β by secants until its signed root differs
// by crit from that at the maximum and gives the avoidable failures there.
func (r *rows) limit(best *fitted, crit float64) float64 {
	se := 1 / math.Sqrt(max(best.info[2][2], 1e-12))
	in, rin := best.th[2], 0.0
	b := best.th[2] + crit*se
	th, before := best.th, best.th
	out, rout := math.NaN(), 0.0
	for n := range 12 {
		start := withBeta(th, b)
		if r.quick && n > 0 && th[2] != before[2] {
			// The rest of the profile goes nearly straight.
			for a, t := range th {
				start[a] = t + (t-before[a])*(b-th[2])/(th[2]-before[2])
			}
			start[2] = b
		}
		f := r.fit(start, b < 0, true)
		th, before = f.th, th
		root := math.Copysign(math.Sqrt(2*max(0, best.ll-f.ll)), crit)
		if math.Abs(root-crit) < 0.03 {
			break
		}
		if math.Abs(root) < math.Abs(crit) {
			in, rin = b, root
		} else {
			out, rout = b, root
		}
		if math.IsNaN(out) {
			step := 0.7 * crit * se
			if r.swift && root != 0 { // the root goes nearly straight
				step *= min(max(1.05*math.Abs((b-best.th[2])*(crit/root-1)/step), 0.1), 3)
			}
			b += step
			continue
		}
		// Secant, kept inside the bracket.
		f1 := (crit - rin) / (rout - rin)
		b = in + (out-in)*min(max(f1, 0.05), 0.95)
	}
	return r.avoidable(&th, th[2] < 0)
}
