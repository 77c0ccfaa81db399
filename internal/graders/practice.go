package graders

import "math/rand/v2"

// Item is one first layer to practise on.
type Item struct {
	Code     string
	Marks    []string // any of them is right; empty: nothing is to be seen
	Severity int      // of the drawing, 1 to 3
	Where    string
	Says     string // what is known beside what is seen
	Grade    string
	Why      string
	Photo    string // id of a photo instead of a drawing
}

// The size of a round, and what it takes: grades right, and no failed layer let through
// as clean or cosmetic. Common practice, no source.
const (
	RoundItems = 12
	RoundRight = 10
)

// DrawnSet is the invented set: what a mark looks like, where, and what follows from it.
// Grades go by consequence alone; common practice, no source.
var DrawnSet = []Item{
	{"clean-1", nil, 1, "All zones.", "Printing.", "clean", "Lines lie side by side with no gap and no ridge.", ""},
	{"clean-2", nil, 1, "All zones.", "The underside will show.", "clean", "Nothing is to be seen; a shown underside changes nothing about that.", ""},
	{"clean-3", nil, 1, "All zones.", "The layer before it on this printer failed.", "clean", "A grade is of this layer alone.", ""},
	{"low-1", []string{"nozzle_low"}, 1, "All zones.", "It kept printing; the underside is hidden.", "cosmetic", "Slight ridges are visible, and the part still ships.", ""},
	{"low-2", []string{"nozzle_low"}, 2, "Three zones on the right.", "Kept printing under watch; the underside will show.", "marginal", "Its visible underside may be refused.", ""},
	{"low-3", []string{"nozzle_low"}, 3, "All zones.", "The nozzle scraped and the print was stopped.", "failed", "It was stopped.", ""},
	{"high-1", []string{"nozzle_high"}, 1, "All zones.", "It holds; the underside is hidden.", "cosmetic", "Round lines are visible, and the part still ships.", ""},
	{"high-2", []string{"nozzle_high"}, 2, "The whole left side.", "Kept printing under watch.", "marginal", "With slits between the lines it may not hold.", ""},
	{"high-3", []string{"nozzle_high"}, 3, "All zones.", "Loose strings; the print was restarted.", "failed", "It was restarted.", ""},
	{"blobs-1", []string{"blobs"}, 1, "One zone at the back.", "Kept printing under watch.", "marginal", "A ball may be carried about and take more with it.", ""},
	{"blobs-3", []string{"blobs"}, 3, "Five zones.", "The print was stopped.", "failed", "It was stopped.", ""},
	{"dragged-1", []string{"dragged"}, 1, "One corner.", "Kept printing under watch.", "marginal", "Lines that came off at one turn may come off at the next.", ""},
	{"dragged-3", []string{"dragged"}, 3, "All corners.", "The part came off and was scrapped.", "failed", "It was scrapped.", ""},
	{"contamination-1", []string{"contamination"}, 1, "One zone.", "Well stuck; the underside is hidden.", "cosmetic", "A dull patch that sticks well still ships.", ""},
	{"contamination-2", []string{"contamination"}, 2, "Two zones.", "Well stuck; the underside will show.", "marginal", "The same patch on a visible underside may be refused.", ""},
	{"lifting-1", []string{"lifting"}, 1, "One corner.", "Kept printing under watch.", "marginal", "A corner that begins to come up may not hold.", ""},
	{"lifting-3", []string{"lifting"}, 3, "One corner, and growing.", "The print was stopped.", "failed", "It was stopped.", ""},
	{"under-1", []string{"under_fed"}, 1, "All zones.", "It holds; the underside is hidden.", "cosmetic", "Sparse lines that hold still ship.", ""},
	{"striping-1", []string{"striping"}, 1, "All zones.", "It holds.", "cosmetic", "Regular bands are visible, and the part still ships.", ""},
	{"plate-1", []string{"plate_mark"}, 1, "One zone.", "It holds; the underside is hidden.", "cosmetic", "A copied scratch is visible, and the part still ships.", ""},
	{"start-3", []string{"no_start"}, 3, "The first lines everywhere.", "The print was restarted.", "failed", "It was restarted, whatever the cause.", ""},
	{"debris-1", []string{"debris"}, 1, "One zone.", "It holds; the underside is hidden.", "cosmetic", "A hair printed over is visible, and the part still ships.", ""},
}

// Round draws the items of a round by lot: the same number of each grade as far as there
// are some. The same seed draws the same from the same set.
func Round(set []Item, seed uint64) []Item {
	lot := rand.New(rand.NewPCG(seed, 0x70726163))
	by := map[string][]Item{}
	order := []string{"clean", "cosmetic", "marginal", "failed"}
	for _, i := range lot.Perm(len(set)) {
		by[set[i].Grade] = append(by[set[i].Grade], set[i])
	}
	var out []Item
	for len(out) < min(RoundItems, len(set)) {
		for _, g := range order {
			if len(by[g]) > 0 && len(out) < RoundItems {
				out, by[g] = append(out, by[g][0]), by[g][1:]
			}
		}
	}
	lot.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// Answer is what somebody said of an item; Mark "" is nothing seen.
type Answer struct{ Code, Grade, Mark string }

// RightMark tells whether a mark is right for an item.
func (i *Item) RightMark(mark string) bool {
	if len(i.Marks) == 0 {
		return mark == ""
	}
	for _, m := range i.Marks {
		if m == mark {
			return true
		}
	}
	return false
}

// Score is what came of a round.
type Score struct {
	Grades, Marks int  // right
	LetThrough    int  // failed layers called clean or cosmetic
	Passed        bool // RoundRight of RoundItems, in proportion, and none let through
}

// ScoreOf adds up a round; answers are by item, in its order.
func ScoreOf(round []Item, answers []Answer) Score {
	var s Score
	for i := range round {
		if i >= len(answers) || answers[i].Code != round[i].Code {
			continue
		}
		a := answers[i]
		if a.Grade == round[i].Grade {
			s.Grades++
		} else if round[i].Grade == "failed" && (a.Grade == "clean" || a.Grade == "cosmetic") {
			s.LetThrough++
		}
		if round[i].RightMark(a.Mark) {
			s.Marks++
		}
	}
	s.Passed = s.LetThrough == 0 && s.Grades*RoundItems >= RoundRight*len(round)
	return s
}
