package stats

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// refCase is one check value of testdata/reference/stats.json.
type refCase struct {
	ID, Method, Source string
	SourceKind         string `json:"source_kind"`
	Inputs             struct {
		Confidence, Alpha, Beta          float64
		Table                            [][]int
		Strata                           [][][]int
		Scores, Y, Offset, Weights, P, W []float64
	}
	Expected      map[string]any
	Tolerance     float64
	ToleranceKind string `json:"tolerance_kind"`
	raw           map[string]json.RawMessage
}

func (c *refCase) decode(t *testing.T, raw json.RawMessage, into any) {
	t.Helper()
	if err := json.Unmarshal(raw, into); err != nil {
		t.Fatalf("%s: %v", c.ID, err)
	}
}

// design gives a case's X (capital, distinct from x) row-major.
func (c *refCase) design(t *testing.T) (x []float64, cols int) {
	t.Helper()
	var rows [][]float64
	c.decode(t, c.raw["X"], &rows)
	for _, r := range rows {
		x = append(x, r...)
	}
	return x, len(rows[0])
}

func table(t [][]int) Table { return Table{t[0][0], t[0][1], t[1][0], t[1][1]} }

func (c *refCase) tables() (out []Table) {
	for _, s := range c.Inputs.Strata {
		out = append(out, table(s))
	}
	return out
}

func (c *refCase) doses(t *testing.T) (out []Dose) {
	var x, n []int
	c.decode(t, c.raw["x"], &x)
	c.decode(t, c.raw["n"], &n)
	for i := range x {
		out = append(out, Dose{x[i], n[i], c.Inputs.Scores[i]})
	}
	return out
}

func (c *refCase) logit(t *testing.T) *Logit {
	x, cols := c.design(t)
	l := &Logit{Cols: cols, X: x, Y: c.Inputs.Y, Offset: c.Inputs.Offset}
	if w := c.Inputs.Weights; w != nil {
		// Weighted rows of 0 or 1: weight trials, all failed or none.
		l.M = w
		l.Y = make([]float64, len(w))
		for i, y := range c.Inputs.Y {
			l.Y[i] = y * w[i]
		}
	}
	if err := l.Check(); err != nil {
		t.Fatalf("%s: %v", c.ID, err)
	}
	return l
}

func references(t *testing.T) []*refCase {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", "stats.json"))
	if err != nil {
		t.Fatal(err)
	}
	var raws []struct {
		ID, Method string
		Inputs     map[string]json.RawMessage
	}
	if err := json.Unmarshal(data, &raws); err != nil {
		t.Fatal(err)
	}
	// "x" and "X" differ only by case, which the decoder does not tell apart,
	// so inputs are decoded by name from raws.
	var all []map[string]json.RawMessage
	if err := json.Unmarshal(data, &all); err != nil {
		t.Fatal(err)
	}
	var out []*refCase
	for i, m := range all {
		c := &refCase{raw: raws[i].Inputs}
		for key, into := range map[string]any{"id": &c.ID, "method": &c.Method, "source": &c.Source, "source_kind": &c.SourceKind,
			"expected": &c.Expected, "tolerance": &c.Tolerance, "tolerance_kind": &c.ToleranceKind} {
			c.decode(t, m[key], into)
		}
		for key, into := range map[string]any{"confidence": &c.Inputs.Confidence, "table": &c.Inputs.Table, "strata": &c.Inputs.Strata,
			"scores": &c.Inputs.Scores, "offset": &c.Inputs.Offset, "weights": &c.Inputs.Weights, "alpha": &c.Inputs.Alpha,
			"beta": &c.Inputs.Beta, "w": &c.Inputs.W} {
			if raw, ok := c.raw[key]; ok {
				c.decode(t, raw, into)
			}
		}
		for key, into := range map[string]*[]float64{"y": &c.Inputs.Y, "p": &c.Inputs.P} {
			if raw, ok := c.raw[key]; ok && raw[0] == '[' {
				c.decode(t, raw, into)
			}
		}
		out = append(out, c)
	}
	return out
}

// compare checks got against an expected value: numbers by the case's
// tolerance kind, lists element by element.
func (c *refCase) compare(t *testing.T, name string, got any, want any) {
	t.Helper()
	switch w := want.(type) {
	case []any:
		switch g := got.(type) {
		case []float64:
			if len(g) != len(w) {
				t.Errorf("%s: %s has %d values, want %d", c.ID, name, len(g), len(w))
				return
			}
			for i := range w {
				c.compare(t, fmt.Sprintf("%s[%d]", name, i), g[i], w[i])
			}
		case []Interval:
			for i := range w {
				ends := w[i].([]any)
				c.compare(t, fmt.Sprintf("%s[%d] lower", name, i), g[i].Low, ends[0])
				c.compare(t, fmt.Sprintf("%s[%d] upper", name, i), g[i].High, ends[1])
			}
		default:
			t.Errorf("%s: %s: cannot compare %T with a list", c.ID, name, got)
		}
	case string:
		if w == "Inf" && math.IsInf(got.(float64), 1) || w == "NaN" && math.IsNaN(got.(float64)) {
			return
		}
		t.Errorf("%s: %s = %v, want %s", c.ID, name, got, w)
	case float64:
		g, ok := got.(float64)
		if n, isInt := got.(int); isInt {
			g, ok = float64(n), true
		}
		if !ok {
			t.Errorf("%s: %s: got %T", c.ID, name, got)
			return
		}
		bad := math.Abs(g-w) > c.Tolerance*math.Abs(w)
		switch {
		case w == 0:
			bad = math.Abs(g) > 1e-12
		case name[0] == 'p' && w > 0 && w < 1e-10:
			bad = math.Abs(math.Log10(g)-math.Log10(w)) > 1e-3
		}
		if bad || math.IsNaN(g) {
			t.Errorf("%s: %s = %.15g, want %.15g (tolerance %g)", c.ID, name, g, w, c.Tolerance)
		}
	default:
		t.Errorf("%s: %s: unexpected kind of value %T", c.ID, name, want)
	}
}

// computed gives this package's answers for a case, by the names of its
// expected values; nil for methods this package does not have.
func computed(t *testing.T, c *refCase) map[string]any {
	ints := func(key string) (out []int) { c.decode(t, c.raw[key], &out); return }
	one := func(key string) (out int) { c.decode(t, c.raw[key], &out); return }
	switch c.Method {
	case "least_squares", "plane_fit":
		return linear(t, c)
	case "wilson_interval":
		i := Wilson(one("x"), one("n"), c.Inputs.Confidence)
		return map[string]any{"lower": i.Low, "upper": i.High}
	case "clopper_pearson_interval":
		i := ClopperPearson(one("x"), one("n"), c.Inputs.Confidence)
		return map[string]any{"lower": i.Low, "upper": i.High}
	case "fisher_exact", "stratified_exact":
		tables := c.tables()
		if c.Inputs.Table != nil {
			tables = []Table{table(c.Inputs.Table)}
		}
		e := NewExact(tables...)
		i := e.OddsRatioLimits(0.95)
		return map[string]any{"p_greater": e.PGreater(1), "p_less": e.PLess(1), "p_two_sided": e.PTwoSided(), "midp_greater": e.MidPGreater(1),
			"odds_ratio_conditional_mle": e.OddsRatio(), "or_conditional_mle": e.OddsRatio(), "ci95_lower": i.Low, "ci95_upper": i.High}
	case "mantel_haenszel":
		m := MantelHaenszelOf(c.tables(), 0.95)
		return map[string]any{"or_mh": m.OddsRatio, "ci95_lower": m.Limits.Low, "ci95_upper": m.Limits.High, "chisq_uncorrected": m.ChiSq,
			"p_uncorrected": m.P, "chisq_corrected": m.ChiSqCorrected, "p_corrected": m.PCorrected, "p_one_sided_greater_uncorrected": m.PGreater}
	case "breslow_day":
		b := BreslowDayOf(c.tables())
		return map[string]any{"breslow_day": b.ChiSq, "p_breslow_day": b.P, "tarone": b.Tarone, "p_tarone": b.PTarone, "df": b.DF,
			"or_mh": MantelHaenszelOf(c.tables(), 0.95).OddsRatio}
	case "cochran_armitage":
		a := CochranArmitage(c.doses(t))
		return map[string]any{"z": a.Z, "chisq": a.ChiSq, "p_two_sided": a.P, "p_one_sided_increasing": a.PIncreasing}
	case "cochran_armitage_exact":
		a := ExactTrendOf([][]Dose{c.doses(t)}, 0.5)
		return map[string]any{"p_exact_increasing": a.PIncreasing, "midp_increasing": a.MidPIncreasing, "p_exact_two_sided_by_distance": a.PByDistance}
	case "logistic_ml":
		l := c.logit(t)
		f := l.Fit(nil)
		return map[string]any{"coef": f.Coef[:l.Cols], "se": f.SE[:l.Cols], "loglik": f.LogLik}
	case "firth_logistic":
		l := c.logit(t)
		l.Penalty = Firth
		w := &Workspace{}
		f := l.Fit(w)
		out := map[string]any{"coef": f.Coef[:l.Cols], "se": f.SE[:l.Cols], "penalised_loglik": f.LogLik}
		var chi, root, greater, two []float64
		var limits []Interval
		for k := range l.Cols {
			r := l.Test(w, &f, k, 0)
			chi, root, greater, two = append(chi, r.ChiSq), append(root, r.Root), append(greater, r.PGreater), append(two, r.PTwoSided)
			limits = append(limits, l.Limits(w, &f, k, 0.95))
		}
		out["plr_chisq"], out["signed_root"], out["p_one_sided_positive"], out["p_two_sided"], out["profile_ci95"] = chi, root, greater, two, limits
		return out
	case "benjamini_hochberg":
		q := BenjaminiHochberg(c.Inputs.P)
		n := 0
		for _, v := range q {
			if v <= 0.05 {
				n++
			}
		}
		return map[string]any{"adjusted": q, "n_rejected_at_0.05": n}
	case "isotonic_regression":
		return map[string]any{"fit": Isotonic(c.Inputs.Y, c.Inputs.W)}
	case "beta_binomial_eb":
		x, n := ints("failures"), ints("n")
		b, loglik := BetaBinomial(x, n)
		var means []float64
		var limits []Interval
		for i := range x {
			after := b.After(x[i], n[i])
			means, limits = append(means, after.Mean()), append(limits, after.Limits(0.95))
		}
		return map[string]any{"alpha": b.Alpha, "beta": b.Beta, "loglik_without_binomial_coefficient": loglik, "posterior_mean": means, "posterior_95": limits}
	case "beta_binomial_posterior":
		after := Beta{c.Inputs.Alpha, c.Inputs.Beta}.After(one("failures"), one("n"))
		i := after.Limits(0.95)
		return map[string]any{"mean": after.Mean(), "lower95": i.Low, "upper95": i.High}
	case "p_chart", "np_chart":
		var x, n []int
		c.decode(t, c.raw["counts"], &x)
		c.decode(t, c.raw["n"], &n)
		chart := PChartOf(x, n)
		l := PrimeLimits(chart.Centre, n[0], 1)
		if c.Method == "np_chart" {
			m := float64(n[0])
			return map[string]any{"center": chart.Centre * m, "ucl": l.High * m, "lcl": l.Low * m}
		}
		var beyond []float64
		for i := range x {
			if v := float64(x[i]) / float64(n[i]); v > l.High || v < l.Low {
				beyond = append(beyond, float64(i+1))
			}
		}
		return map[string]any{"center": chart.Centre, "ucl": l.High, "lcl": l.Low, "out_of_control_index_1based": beyond}
	case "cohen_kappa":
		list, k := Ratings(c.Inputs.Table)
		plain, lin, quad := Kappa(list, k, Plainly, 0.95), Kappa(list, k, ByStep, 0.95), Kappa(list, k, BySquare, 0.95)
		return map[string]any{"kappa": plain.At, "ase": plain.SE, "weighted_linear": lin.At, "ase_linear": lin.SE, "weighted_quadratic": quad.At, "ase_quadratic": quad.SE}
	case "fleiss_kappa":
		var counts [][]int
		c.decode(t, c.raw["counts"], &counts)
		f := FleissOf(counts, 0.95)
		return map[string]any{"kappa": f.At, "p_bar": f.Seen, "p_e": f.Chance}
	case "bernoulli_cusum_arl":
		var p float64
		c.decode(t, c.raw["p"], &p)
		return map[string]any{"arl": CusumRun(p, one("m"), one("H"))}
	case "bernoulli_cusum_weights":
		var p0, p1 float64
		c.decode(t, c.raw["p0"], &p0)
		c.decode(t, c.raw["p1"], &p1)
		failure, good, step := CusumWeights(p0, p1)
		return map[string]any{"weight_failure": failure, "weight_success": good, "m_real": step}
	}
	return nil
}

// Every case of testdata/reference/stats.json whose method this package has.
// The source of each value stands in the case and in the name of its test.
func TestReferenceValues(t *testing.T) {
	checked := map[string]int{}
	for _, c := range references(t) {
		got := computed(t, c)
		if got == nil {
			continue
		}
		checked[c.Method]++
		t.Run(c.ID, func(t *testing.T) {
			t.Logf("%s (%s)", c.Source, c.SourceKind)
			for name, want := range c.Expected {
				value, ok := got[name]
				if !ok {
					t.Errorf("%s: no value named %s", c.ID, name)
					continue
				}
				c.compare(t, name, value, want)
			}
		})
	}
	want := map[string]int{"least_squares": 2, "plane_fit": 2, "wilson_interval": 4, "clopper_pearson_interval": 4, "fisher_exact": 3, "mantel_haenszel": 3, "stratified_exact": 2,
		"breslow_day": 2, "cochran_armitage": 4, "cochran_armitage_exact": 2, "logistic_ml": 2, "firth_logistic": 3, "benjamini_hochberg": 2,
		"isotonic_regression": 3, "beta_binomial_eb": 1, "beta_binomial_posterior": 1,
		"cohen_kappa": 3, "fleiss_kappa": 2, "p_chart": 1, "np_chart": 1, "bernoulli_cusum_arl": 7, "bernoulli_cusum_weights": 1}
	for method, n := range want {
		if checked[method] != n {
			t.Errorf("%s: %d cases checked, want %d", method, checked[method], n)
		}
	}
	// What is checked where it is used, and what the program does not use: the table in
	// DEVELOPERS.md says why and names the test.
	elsewhere := map[string]bool{"age_replacement": true, "binomial_overage": true, "linear_assignment": true, "conditional_logistic": true,
		"glmm_random_intercept": true, "kaplan_meier": true, "normal_cusum_arl": true, "binomial_cusum_arl": true}
	for _, c := range references(t) {
		if checked[c.Method] == 0 && !elsewhere[c.Method] {
			t.Errorf("%s: method %s is neither checked nor accounted for", c.ID, c.Method)
		}
	}
}
