package graders

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"basecourse/internal/stats"
)

func TestALotHasFailedLayersInItAndKnowsItsChances(t *testing.T) {
	var list []Candidate
	for i := range 300 {
		grade := "clean"
		switch {
		case i%50 == 0:
			grade = "failed" // 6
		case i%10 == 1:
			grade = "marginal" // 30
		}
		list = append(list, Candidate{i, grade})
	}
	a, b := Draw(list, 12, 7), Draw(list, 12, 7)
	if !slices.Equal(a, b) || slices.Equal(a, Draw(list, 12, 8)) {
		t.Error("a seed draws the same, another seed another")
	}
	count, standFor := map[string]int{}, 0.0
	for _, d := range a {
		count[list[d.Index].Grade]++
		standFor += 1 / d.Chance
	}
	if count["failed"] != 4 || count["marginal"] != 4 || count["clean"] != 4 {
		t.Errorf("drawn %v", count)
	}
	if math.Abs(standFor-300) > 1e-9 {
		t.Errorf("the drawn stand for %.1f layers, want 300", standFor)
	}
	// How often each of a kind is drawn is its chance.
	times := map[int]int{}
	for seed := range 3000 {
		for _, d := range Draw(list, 12, uint64(seed)) {
			times[d.Index]++
		}
	}
	if got := float64(times[0]) / 3000; math.Abs(got-4.0/6) > 0.03 {
		t.Errorf("a failed layer is drawn %.3f of the time, want 0.667", got)
	}
	if got := Draw(list[:2], 12, 1); len(got) != 2 || got[0].Chance != 1 {
		t.Errorf("of two: %v", got)
	}
	if Draw(nil, 12, 1) != nil {
		t.Error("of none")
	}
}

// A crew whose members call borderline layers failed with chances of their own: the
// estimate orders nobody wrongly by much, and its interval holds the truth.
func TestStrictnessFromPairsHoldsTheTruth(t *testing.T) {
	truth := []float64{-1, -0.5, 0, 0, 0.5, 1}
	held, asked, sum := 0, 0, 0.0
	for round := range 40 {
		lot := rand.New(rand.NewPCG(uint64(round), 5))
		var pairs []Pair
		for i := 0; len(pairs) < 900; i++ {
			layer := 3*lot.NormFloat64() - 2
			a, b := lot.IntN(6), lot.IntN(6)
			call := func(g int, more float64) bool { return lot.Float64() < 1/(1+math.Exp(-layer-truth[g]-more)) }
			p := Pair{Layer: fmt.Sprint(i), First: string(rune('a' + a)), Second: string(rune('a' + b)), Failed: [2]bool{call(a, 0), call(b, 0.4)}, Chance: 0.3}
			if p.Failed[0] {
				p.Chance = 0.9
			}
			if lot.Float64() < p.Chance { // by the first grade, as lots are drawn
				pairs = append(pairs, p)
			}
		}
		for i, s := range StrictnessOf(pairs) {
			asked++
			sum += (s.At - truth[i]) * (s.At - truth[i])
			if s.Low <= truth[i] && truth[i] <= s.High {
				held++
			}
		}
	}
	t.Logf("%d of %d held, root mean square error %.2f", held, asked, math.Sqrt(sum/float64(asked)))
	if share := float64(held) / float64(asked); share < 0.90 {
		t.Errorf("intervals hold %.3f", share)
	}
	if got := StrictnessOf(nil); len(got) != 0 {
		t.Errorf("of nothing: %v", got)
	}
}

func TestGroupsHoldFiveAndLeaveNoFewerOver(t *testing.T) {
	crew := func(n int, at string) (list []string) {
		for i := range n {
			list = append(list, fmt.Sprintf("%s%d", at, i))
		}
		return list
	}
	for _, c := range []struct {
		early, late, night, none int
		want                     []int // sizes
	}{
		{5, 5, 5, 0, []int{5, 5, 5}},
		{6, 5, 3, 0, []int{6, 8}}, // three at night join the smallest
		{6, 6, 3, 2, []int{6, 6, 5}},
		{3, 3, 3, 0, []int{9}},
		{5, 1, 0, 0, []int{6}},
		{2, 1, 1, 0, nil},
		{0, 0, 0, 5, []int{5}},
		{10, 0, 0, 1, []int{11}},
	} {
		var people []string
		shifts := map[string]map[Turn]int{}
		for turn, list := range [][]string{crew(c.early, "e"), crew(c.late, "l"), crew(c.night, "n"), crew(c.none, "x")} {
			for _, who := range list {
				people = append(people, who)
				if turn <= int(Night) {
					shifts[who] = map[Turn]int{Turn(turn): 3}
				}
			}
		}
		var got []int
		seen := 0
		for _, g := range Groups(people, shifts) {
			got = append(got, len(g.People))
			seen += len(g.People)
			if len(g.People) < Least {
				t.Errorf("%v: a group of %d", c, len(g.People))
			}
		}
		if !slices.Equal(got, c.want) || len(got) > 0 && seen != len(people) {
			t.Errorf("%v: sizes %v, want %v", c, got, c.want)
		}
	}
}

func TestAgreementAddsUpWhatWasDrawn(t *testing.T) {
	at := time.Date(2026, 3, 31, 23, 30, 0, 0, time.UTC)
	pairs := []Pair{
		{Layer: "1", First: "a", Second: "b", Was: 3, Is: 3, Failed: [2]bool{true, true}, Marks: [2][]string{{"blobs"}, {"blobs"}}, At: at, Chance: 0.5},
		{Layer: "2", First: "a", Second: "b", Was: 0, Is: 1, Marks: [2][]string{nil, {"blobs"}}, At: at, Chance: 0.1},
		{Layer: "2", First: "a", Second: "c", Was: 0, Is: 0, At: at.Add(time.Hour), Chance: 0.1},
		{Layer: "3", First: "b", Second: "b", Was: 2, Is: 2, At: at, Chance: math.NaN()},
	}
	a := AgreementOf(Others(pairs))
	if a.N != 3 || a.Table[0][1] != 1 || math.Abs(a.Alike.At-12.0/22) > 1e-12 {
		t.Errorf("%+v", a)
	}
	if m := ByMark(pairs, []string{"blobs", "dragged"}); len(m) != 1 || m[0].Both != 1 || m[0].One != 1 || math.Abs(m[0].On.At-4.0/14) > 1e-12 {
		t.Errorf("%+v", m)
	}
	if len(Again(pairs)) != 1 || len(Of(pairs, "c")) != 1 || !slices.Equal(People(pairs), []string{"b", "c"}) {
		t.Error("who")
	}
	if m := ByMonth(pairs, time.UTC); len(m) != 2 || m[0].People != 1 || m[1].Begins.Month() != time.April {
		t.Errorf("%+v", m)
	}
}

func TestARoundOfPractice(t *testing.T) {
	round := Round(DrawnSet, 3)
	count := map[string]int{}
	codes := map[string]bool{}
	var answers []Answer
	for _, i := range round {
		count[i.Grade]++
		codes[i.Code] = true
		a := Answer{i.Code, i.Grade, ""}
		if len(i.Marks) > 0 {
			a.Mark = i.Marks[0]
		}
		answers = append(answers, a)
	}
	if len(round) != RoundItems || len(codes) != RoundItems || count["failed"] != 3 || count["clean"] != 3 {
		t.Fatalf("%d items, %v", len(round), count)
	}
	if s := ScoreOf(round, answers); s.Grades != RoundItems || s.Marks != RoundItems || !s.Passed {
		t.Errorf("all right: %+v", s)
	}
	for i := range round {
		if round[i].Grade == "failed" {
			answers[i].Grade = "clean"
			break
		}
	}
	if s := ScoreOf(round, answers); s.Passed || s.LetThrough != 1 || s.Grades != RoundItems-1 {
		t.Errorf("a failed layer let through: %+v", s)
	}
	if s := ScoreOf(round, nil); s.Passed || s.Grades != 0 {
		t.Errorf("no answer: %+v", s)
	}
	seen := map[string]bool{}
	for _, i := range DrawnSet {
		if seen[i.Code] || i.Why == "" || i.Grade == "" {
			t.Errorf("item %q", i.Code)
		}
		seen[i.Code] = true
	}
}

// Conditional logistic regression of pairs is logistic regression without a level, on
// the differences (Breslow and Day 1980, Statistical Methods in Cancer Research I,
// 7.4); internal/stats checks the latter against reference values. With each pair
// counted many times the expectation before is forgotten and the two agree.
func TestStrictnessIsLogisticRegressionOnDifferences(t *testing.T) {
	lot := rand.New(rand.NewPCG(38, 2))
	const people, times = 4, 4000
	var pairs []Pair
	var l stats.Logit
	l.Cols = people // the first is what the others are compared with; the last column is the second look
	for i := range 60 {
		a, b := lot.IntN(people), lot.IntN(people)
		if a == b {
			continue
		}
		first := lot.Float64() < 0.5
		p := Pair{Layer: fmt.Sprint(i), First: string(rune('a' + a)), Second: string(rune('a' + b)), Failed: [2]bool{first, !first}, Chance: 1}
		row := make([]float64, people)
		for _, u := range []struct {
			who int
			by  float64
		}{{a, 1}, {b, -1}} {
			if u.who > 0 {
				row[u.who-1] += u.by
			}
		}
		row[people-1] = -1
		failed := 0.0
		if first {
			failed = 1
		}
		l.X, l.Y = append(l.X, row...), append(l.Y, failed)
		for range times {
			pairs = append(pairs, p)
		}
	}
	if err := l.Check(); err != nil {
		t.Fatal(err)
	}
	fit := l.Fit(nil)
	got := StrictnessOf(pairs)
	for k := 1; k < people; k++ {
		if d := got[k].At - got[0].At; math.Abs(d-fit.Coef[k-1]) > 1e-3 {
			t.Errorf("%s beside %s: %.5f, by logistic regression %.5f", got[k].Who, got[0].Who, d, fit.Coef[k-1])
		}
	}
}
