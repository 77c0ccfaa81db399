package trial

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"basecourse/internal/stats"
)

func TestStarts(t *testing.T) {
	// Without correction, arms alike: R, help page of power.prop.test (from memory): n = 76.7 an arm.
	p := Plan{Leave: 0.50, Do: 0.75, Share: 0.5, Power: 0.90, Level: 0.05}
	if got := p.plain(); math.Abs(got-76.7) > 0.05 {
		t.Errorf("plain size %.2f, want 76.7", got)
	}
	// The correction for arms alike, n/4 (1 + √(1 + 4/(n d)))², worked out by hand: 84.52 an arm.
	if got := p.Starts(); got != 170 {
		t.Errorf("with correction %d, want 2 x 84.52", got)
	}
	// Unequal arms worked out by hand from the formula: three left for each done.
	q := Plan{Leave: 0.20, Do: 0.05, Share: 0.25, Power: 0.80, Level: 0.05}
	if got := q.Starts(); got != 251 {
		t.Errorf("three to one: %d starts", got)
	}
	for _, p := range []Plan{p, q, {Leave: 0.08, Do: 0.03, Share: 0.4, Power: 0.8, Level: 0.04}} {
		n := p.Starts()
		if got := p.Reaches(n); got < p.Power || got > p.Power+0.01 {
			t.Errorf("%+v: %d starts reach %.3f", p, n, got)
		}
		if p.Do > p.Leave {
			continue
		}
		if got := p.Smallest(n); math.Abs(got-p.Do) > 0.001 {
			t.Errorf("%+v: %d starts tell %.4f", p, n, got)
		}
	}
	for _, p := range []Plan{{Leave: 0.1, Do: 0.1, Share: 0.5, Power: 0.8, Level: 0.05}, {Leave: 0.1, Do: 0.05, Share: 1, Power: 0.8, Level: 0.05}, {}} {
		if p.Starts() != 0 || !math.IsNaN(p.Reaches(100)) {
			t.Errorf("%+v makes no sense and gets %d starts", p, p.Starts())
		}
	}
	if got := (Plan{Leave: 0.02, Share: 0.5, Power: 0.8, Level: 0.05}).Smallest(50); !math.IsNaN(got) {
		t.Errorf("50 starts at 2 %% tell %.3f", got)
	}
}

// drawn makes a test of n starts with these chances of failure.
func drawn(r *rand.Rand, n int, leave, do, share float64) (list []One, did, left Arm) {
	for range n {
		x := One{Do: r.Float64() < share}
		arm, p := &left, leave
		if x.Do {
			arm, p = &did, do
		}
		x.Failed = r.Float64() < p
		arm.Starts++
		arm.Failures += one(x.Failed)
		list = append(list, x)
	}
	return list, did, left
}

// The size has the power that was asked for, with the test that is made at its end.
func TestSizeHasItsPower(t *testing.T) {
	p := Plan{Leave: 0.25, Do: 0.08, Share: 0.5, Power: 0.8, Level: LevelEnd}
	r, n, hit := rand.New(rand.NewPCG(1, 1)), p.Starts(), 0
	const tests = 1000
	for range tests {
		_, do, leave := drawn(r, n, p.Leave, p.Do, p.Share)
		hit += one(Judge(do, leave, p.Share, 0.95, 1).P <= LevelEnd)
	}
	if w := stats.Wilson(hit, tests, 0.999); w.High < p.Power || w.Low > p.Power+0.06 {
		t.Errorf("%d starts: %d of %d tests show it, want %.2f or a little more", n, hit, tests, p.Power)
	}
}

// Given how many were drawn, the draws counted are those of Fisher's exact test:
// reference values of R, and all right in Fisher's tea (1935, chapter II: 1/70).
func TestDrawsAreFishers(t *testing.T) {
	given := func(failed, good, a, b int, share float64) (more, fewer float64) { // chances of at least and at most a failures among b drawn
		pf, pg := chances(failed, share), chances(good, share)
		all := 0.0
		for i := range pf {
			if j := b - i; j >= 0 && j < len(pg) {
				p := pf[i] * pg[j]
				all += p
				if i >= a {
					more += p
				}
				if i <= a {
					fewer += p
				}
			}
		}
		return more / all, fewer / all
	}
	raw, err := os.ReadFile("../../testdata/reference/stats.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct {
		ID, Method       string
		Inputs, Expected json.RawMessage
	}
	if err := json.Unmarshal(raw, &list); err != nil {
		t.Fatal(err)
	}
	looked := 0
	for _, c := range list {
		if c.Method != "fisher_exact" {
			continue
		}
		var in struct{ Table [2][2]int }
		var want struct {
			More  float64 `json:"p_greater"`
			Fewer float64 `json:"p_less"`
		}
		if err := errors.Join(json.Unmarshal(c.Inputs, &in), json.Unmarshal(c.Expected, &want)); err != nil {
			t.Fatal(c.ID, err)
		}
		x := in.Table
		for _, share := range []float64{0.5, 0.3} {
			more, fewer := given(x[0][0]+x[1][0], x[0][1]+x[1][1], x[0][0], x[0][0]+x[0][1], share)
			if math.Abs(more/want.More-1) > 1e-9 || math.Abs(fewer/want.Fewer-1) > 1e-9 {
				t.Errorf("%s: %v and %v, want %v and %v", c.ID, more, fewer, want.More, want.Fewer)
			}
		}
		looked++
	}
	if more, _ := given(4, 4, 4, 4, 0.5); math.Abs(more-1./70) > 1e-12 || looked < 3 {
		t.Errorf("tea, all right: %.6f; %d reference tables", more, looked)
	}
}

func TestJudge(t *testing.T) {
	// By hand: two failures of two starts left, none of two done; of 16 draws at a half, 14 have both arms;
	// only the one seen and its mirror are as far apart.
	if got := Judge(Arm{2, 0}, Arm{2, 2}, 0.5, 0.95, 1); math.Abs(got.P-2./16) > 1e-12 || got.Diff != -1 || !got.Exact {
		t.Errorf("%+v", got)
	}
	// Nothing failed: nothing is shown, and the limits say how little.
	if got := Judge(Arm{30, 0}, Arm{30, 0}, 0.5, 0.95, 1); got.P != 1 || got.Diff != 0 || got.Limits.High < 0.05 || got.Limits.Low > -0.05 {
		t.Errorf("%+v", got)
	}
	if got := Judge(Arm{30, 3}, Arm{}, 0.5, 0.95, 1); got.P != 1 || !math.IsNaN(got.Diff) || got.Limits != (stats.Interval{Low: -1, High: 1}) {
		t.Errorf("%+v", got)
	}
	// Counted and drawn agree, and a seed gives the same digits.
	do, leave := Arm{900, 70}, Arm{800, 90}
	exact := 0.0
	pf, pg := chances(160, 0.5), chances(1540, 0.5)
	for i, f := range pf {
		for j, g := range pg {
			if math.Abs(float64(i)/float64(i+j)-float64(160-i)/float64(1700-i-j)) >= 90./800-70./900-1e-12 {
				exact += f * g
			}
		}
	}
	big := Arm{do.Starts * 10, do.Failures * 10}
	if a, b := Judge(big, leave, 0.7, 0.95, 9), Judge(big, leave, 0.7, 0.95, 9); a != b || a.Exact {
		t.Errorf("%+v and %+v", a, b)
	}
	if got := Judge(do, leave, 0.5, 0.95, 9); math.Abs(got.P-exact) > 1e-9 {
		t.Errorf("%.6f, want %.6f", got.P, exact)
	}
}

// Tests that show nothing are rare, at the end and under the eyes of somebody who
// stops at the first sight of a difference; the limits hold what is true at
// every look. Failures become commoner meanwhile.
func TestPeekingIsHonest(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	const tests, starts = 600, 800
	watched, ended, either, missed := 0, 0, 0, 0
	for range tests {
		var list []One
		var do, leave Arm
		out := false
		for k := range starts {
			p := 0.05 + 0.15*float64(k)/starts
			x := One{Do: r.Float64() < 0.5, Failed: r.Float64() < p}
			list = append(list, x)
			arm := &leave
			if x.Do {
				arm = &do
			}
			arm.Starts++
			arm.Failures += one(x.Failed)
			if !out && k%25 == 24 {
				l := Watch(do, leave, 0.5, 0.95)
				out = !l.Diff.Contains(0) || !l.Ratio.Contains(1)
			}
		}
		early, late := Crossed(list, 0.5, LevelWatch) > 0, Judge(do, leave, 0.5, 0.95, 1).P <= LevelEnd
		watched += one(Crossed(list, 0.5, 0.05) > 0)
		ended += one(late)
		either += one(early || late)
		missed += one(out)
	}
	t.Logf("of %d tests of nothing: watched at 0.05 %d show something, at the end %d, by the rule in use %d; limits miss the truth at some look in %d", tests, watched, ended, either, missed)
	for what, n := range map[string]int{"watched": watched, "by the rule": either, "limits": missed} {
		if float64(n) > 0.05*tests {
			t.Errorf("%s: %d of %d", what, n, tests)
		}
	}
	if stats.Wilson(ended, tests, 0.999).Low > LevelEnd {
		t.Errorf("at the end %d of %d", ended, tests)
	}
}

// Where there is a difference the limits hold it at every look as often as they say.
func TestLimitsHoldADifference(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	const tests = 400
	for _, c := range []struct{ leave, do, share float64 }{{0.20, 0.06, 0.5}, {0.10, 0.02, 0.3}, {0.30, 0.30, 0.5}} {
		watched, ended := 0, 0
		for range tests {
			var do, leave Arm
			out := false
			for k := range 400 {
				p, arm := c.leave, &leave
				if r.Float64() < c.share {
					p, arm = c.do, &do
				}
				arm.Starts++
				arm.Failures += one(r.Float64() < p)
				if k%20 == 19 {
					out = out || !Watch(do, leave, c.share, 0.95).Diff.Contains(c.do-c.leave)
				}
			}
			watched += one(out)
			ended += one(!Judge(do, leave, c.share, 0.95, 1).Limits.Contains(c.do - c.leave))
		}
		t.Logf("%+v: missed at some look %d, at the end %d of %d", c, watched, ended, tests)
		if float64(watched) > 0.05*tests || stats.Wilson(ended, tests, 0.999).Low > 0.05 {
			t.Errorf("%+v: missed at some look %d, at the end %d of %d", c, watched, ended, tests)
		}
	}
}

// Robbins' mixture by its own formula: after failures a done, b left at a half
// B(2+a, 2+b) / B(2, 2) * 2^(a+b).
func TestEvidence(t *testing.T) {
	for _, c := range []struct {
		a, b int
		want float64
	}{{0, 0, 1}, {1, 0, 1}, {0, 2, 1.2}, {1, 9, 1024 * 6 * 2. / (11 * 12 * 13)}} {
		if got := Watch(Arm{100, c.a}, Arm{100, c.b}, 0.5, 0.95).Evidence; math.Abs(got/c.want-1) > 1e-9 {
			t.Errorf("%+v: evidence %.6f, want %.6f", c, got, c.want)
		}
	}
	l := Watch(Arm{}, Arm{}, 0.5, 0.95)
	if l.Ratio.Low != 0 || !math.IsInf(l.Ratio.High, 1) || l.Diff != (stats.Interval{Low: -1, High: 1}) {
		t.Errorf("nothing yet: %+v", l)
	}
	if l := Watch(Arm{50, 0}, Arm{50, 14}, 0.5, 0.99); l.Ratio.Low != 0 || l.Ratio.High >= 1 || l.Diff.High >= 0 || l.Evidence < 100 {
		t.Errorf("14 of 50 beside none: %+v", l)
	}
}
