package simfarm

import (
	"fmt"
	"slices"
	"time"

	"basecourse/internal/farm"
)

// regrades are second grades of peeled sheets of the last six weeks, drawn by lot with
// as many failed layers as others, and what the crew's practice showed. Who is strict
// at the printer is strict here too.
func (d *demo) regrades() {
	b, r := d.b, d.gen(31)
	from := instant(d.now).AddDate(0, 0, -42)
	kinds := [3][]*farm.FirstLayer{}
	kind := func(grade string) int {
		switch grade {
		case "failed":
			return 0
		case "clean":
			return 2
		}
		return 1
	}
	for n := range b.FirstLayers {
		if l := &b.FirstLayers[n]; l.Grade != "" && l.Grader != "" && l.VoidedAt.IsZero() && l.StartedAt.After(from) {
			kinds[kind(l.Grade)] = append(kinds[kind(l.Grade)], l)
		}
	}
	const each, rounds = 4, 4
	for who := range demoCrew {
		strict := 0.12
		if who/3 == int(night) {
			strict = 0.35
		}
		for round := range rounds {
			at := instant(d.now).Truncate(24*time.Hour).AddDate(0, 0, -7*round-1).Add(time.Duration(10*60+13*who) * time.Minute)
			batch := fmt.Sprintf("lot-%d-%d", who+1, round+1)
			for _, list := range kinds {
				for range min(each, len(list)) {
					l := list[r.IntN(len(list))]
					if !l.GradedAt.Before(at) {
						continue
					}
					grade := slices.Index(farm.Grades, l.Grade)
					switch u := r.Float64(); {
					case grade > 0 && u < 0.16-strict/3:
						grade--
					case grade < 3 && u > 1-strict*0.6:
						grade++
					}
					g := farm.Regrade{ID: d.f.newID(at.UnixMicro(), draw(r.Uint64()), idOther), Printer: l.Printer, FirstLayer: l.ID.UUID.String(), Grader: demoCrew[who][0], GradedAt: at,
						Grade: farm.Grades[grade], SeenFrom: "peeled", Batch: batch, Chance: min(1, float64(each)/float64(len(list)))}
					for _, m := range l.Marks {
						if grade > 0 && r.Float64() < 0.8 {
							g.Marks = append(g.Marks, m)
						}
					}
					b.Regrades = append(b.Regrades, g)
					at = at.Add(20 * time.Second)
				}
			}
		}
		if who == len(demoCrew)-1 {
			continue // has not practised yet
		}
		at := instant(d.now).Truncate(24*time.Hour).AddDate(0, -2-3*(who%3), -who).Add(13 * time.Hour)
		right := float64(10 + who%3)
		b.Qualifications = append(b.Qualifications, farm.Qualification{ID: d.f.newID(at.UnixMicro(), draw(r.Uint64()), idOther), Person: demoCrew[who][0], At: at, Until: at.AddDate(1, 0, 0),
			Items: 12, GradesRight: right, MarksRight: right, Passed: "yes"})
	}
	byTime(b.Regrades, func(r *farm.Regrade) (time.Time, farm.ID) { return r.GradedAt, r.ID })
	byTime(b.Qualifications, func(r *farm.Qualification) (time.Time, farm.ID) { return r.At, r.ID })
}
