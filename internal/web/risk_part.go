package web

import (
	"fmt"
	"math"
	"strings"
	"time"

	"basecourse/views"
)

// nextRisk is the risk of a printer's next first layer with the material of its
// last one; the zero value when nothing is known.
func (l *FindingList) nextRisk(printer string) Risk {
	for _, r := range l.Risks[printer] {
		if r.Last {
			return r
		}
	}
	return Risk{}
}

// riskPart says how likely a printer's next first layer is to fail and what
// cleaning or probing would change, by material; "" when nothing is known.
func riskPart(printer string, found *FindingList, zone *time.Location) (lead string, t views.Table) {
	list := found.Risks[printer]
	if len(list) == 0 {
		return "", t
	}
	last := found.nextRisk(printer)
	if !last.Last {
		last = list[0]
	}
	t = views.Table{Caption: "Chance that the next first layer fails, in 100",
		Sub:     "likely range in brackets; as of " + clock(found.AsOf, zone) + ". As things are: not probed for, unless a probe was recorded since the last start",
		Columns: []views.Column{{Word: "Material"}, {Word: "As things are", Number: true}, {Word: "After cleaning", Number: true}, {Word: "After probing", Number: true}, {Word: "After both", Number: true}}}
	for _, r := range list {
		t.Rows = append(t.Rows, views.Row{Strong: r.Last && len(list) > 1, Cells: []views.Cell{{Text: orNoRecord(r.Material)},
			{Text: r.Now.words()}, {Text: r.Cleaned.words()}, {Text: r.Probed.words()}, {Text: r.Both.words()}}})
	}
	return last.sentence(), t
}

// sentence says a risk: "With PETG on L-203, the chance that the next layer fails
// is about 6 in 100 (likely 4 to 9); after probing about 3 in 100."
func (r *Risk) sentence() string {
	with := ""
	switch {
	case r.Material != "" && r.Plate != "":
		with = "With " + r.Material + " on " + r.Plate + ", t"
	case r.Material != "":
		with = "With " + r.Material + ", t"
	case r.Plate != "":
		with = "On " + r.Plate + ", t"
	default:
		with = "T"
	}
	say := fmt.Sprintf("%she chance that the next layer fails is about %s in 100 (likely %s to %s)", with, inHundred(r.Now.P), inHundred(r.Now.Low), inHundred(r.Now.High))
	var after []string
	for _, x := range []struct {
		act string
		p   float64
	}{{"cleaning", r.Cleaned.P}, {"probing", r.Probed.P}} {
		if r.Now.P-x.p >= leastGain {
			after = append(after, fmt.Sprintf("after %s about %s in 100", x.act, inHundred(x.p)))
		}
	}
	if len(after) == 2 {
		after = append(after, fmt.Sprintf("after both about %s", inHundred(r.Both.P)))
	}
	if len(after) == 0 {
		return say + ". Neither cleaning nor probing would change that much."
	}
	return say + "; " + strings.Join(after, ", ") + "."
}

// leastGain is the change of a chance that is worth a word.
const leastGain = 0.005

func (c Chance) words() string {
	return fmt.Sprintf("%s (%s to %s)", inHundred(c.P), inHundred(c.Low), inHundred(c.High))
}

// inHundred writes a chance as so many of 100: whole from 10 on, with one decimal
// below; never none and never all.
func inHundred(p float64) string {
	switch x := 100 * p; {
	case x < 0.1:
		return "under 0.1"
	case x > 99:
		return "over 99"
	case math.Round(10*x) < 100:
		return perHundred(x)
	default:
		return fmt.Sprintf("%.0f", x)
	}
}
