package firstlayer

import (
	"math"
	"slices"
	"strings"

	"basecourse/internal/bed"
)

// Below nameAt no cause is named: cannot_tell stands first.
const nameAt = 0.5

// shownAt is the least chance of a cause that is listed.
const shownAt = 0.05

// argument is one rule that applies: how much it says.
type argument struct {
	rule  *rule
	share float64
}

// Diagnose says what a first layer tells. It refuses cases with zones off the
// grid or a profile that cannot be.
func Diagnose(c *Case) (Answer, error) {
	f, err := gatherFacts(c)
	if err != nil {
		return Answer{}, err
	}
	odds := make(map[Cause]float64, len(common))
	for cause, x := range common {
		odds[cause] = x
	}
	var args []argument
	for i := range rules {
		r := &rules[i]
		s := r.when(f)
		if s == 0 {
			continue
		}
		args = append(args, argument{r, s})
		for cause, w := range r.weights {
			odds[cause] += s * w
		}
	}
	// Marks alone cannot tell a lean from a bed that is bent or moved.
	if !f.measured && !f.leans && !f.leanAgain && !f.meshLeans {
		odds[Tilt] = math.Inf(-1)
	}
	a := Answer{Causes: rank(odds, args)}
	a.Estimate = estimateOf(f)
	advise(f, &a)
	return a, nil
}

// rank turns log-odds into chances, the likeliest first. The unnamed share counts
// but is only listed, as cannot_tell, where nothing named reaches one half.
func rank(odds map[Cause]float64, args []argument) []Ranked {
	most := math.Inf(-1)
	for _, x := range odds {
		most = max(most, x)
	}
	sum := 0.0
	for _, cause := range Causes {
		sum += math.Exp(odds[cause] - most)
	}
	var out []Ranked
	for _, cause := range Causes {
		if cause == CannotTell {
			continue
		}
		chance := math.Exp(odds[cause]-most) / sum
		out = append(out, Ranked{Cause: cause, Chance: chance, Sure: bed.SureWord(chance)})
	}
	slices.SortStableFunc(out, func(a, b Ranked) int {
		switch {
		case a.Chance > b.Chance:
			return -1
		case a.Chance < b.Chance:
			return 1
		}
		return 0
	})
	n := 1
	for n < len(out) && n < 5 && out[n].Chance >= shownAt {
		n++
	}
	out = out[:n]
	for i := range out {
		out[i].Because, out[i].Against = reasons(out[i].Cause, args, 1), reasons(out[i].Cause, args, -1)
	}
	if out[0].Chance < nameAt {
		none := Ranked{Cause: CannotTell, Chance: 1 - out[0].Chance, Sure: bed.Unsure, Because: "no cause reaches one half", Against: ""}
		if len(args) > 0 {
			if two := reasons(out[0].Cause, args, 1); two != "" {
				none.Because = "several causes look like this: " + strings.SplitN(two, "; ", 2)[0]
			}
		}
		out = slices.Insert(out, 0, none)
	}
	return out
}

// reasons are the two facts that say most for (sign 1) or against (-1) a cause.
func reasons(cause Cause, args []argument, sign float64) string {
	var mine []argument
	for _, x := range args {
		if w := sign * x.share * x.rule.weights[cause]; w >= 0.3 && x.rule.says != "" {
			mine = append(mine, argument{x.rule, w})
		}
	}
	slices.SortStableFunc(mine, func(a, b argument) int {
		switch {
		case a.share > b.share:
			return -1
		case a.share < b.share:
			return 1
		}
		return 0
	})
	var out []string
	for i, x := range mine {
		if i == 2 {
			break
		}
		out = append(out, x.rule.says)
	}
	return strings.Join(out, "; ")
}

func estimateOf(f *facts) *Estimate {
	if f.est == nil {
		return nil
	}
	dust := func(x float64) float64 { return math.Round(x*1e6)/1e6 + 0 }
	e := &Estimate{OffsetMM: dust(f.est.OffsetMM), LowMM: dust(f.est.OffsetLowMM), HighMM: dust(f.est.OffsetHighMM), TiltXMMPerM: dust(f.est.Gap.XMMPerM), TiltYMMPerM: dust(f.est.Gap.YMMPerM)}
	if math.IsNaN(f.c.BedXMM) || math.IsNaN(f.c.BedYMM) {
		e.TiltXMMPerM, e.TiltYMMPerM = math.NaN(), math.NaN()
	}
	return e
}
