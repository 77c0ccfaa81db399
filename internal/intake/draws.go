package intake

import (
	"strconv"
	"time"

	"basecourse/internal/farm"
)

func draws() *Table {
	type R = farm.Draw
	return event(table(farm.KindDraw, "draws", R{Chance: nan, Saves: nan},
		ident("draw", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		key("plate", farm.KindPlate, func(r *R) *string { return &r.Plate }),
		code("task", farm.DrawnTasks, func(r *R) *string { return &r.Task }).must(),
		when("drawn_at", func(r *R) *time.Time { return &r.DrawnAt }).must(),
		code("arm", farm.DrawArms, func(r *R) *string { return &r.Arm }).must(),
		num("chance", 0, 1, func(r *R) *float64 { return &r.Chance }).must().above(),
		num("saves", -1e9, 1e9, func(r *R) *float64 { return &r.Saves }),
		text("why", func(r *R) *string { return &r.Why }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
	), "drawn_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if r.Chance >= 1 {
			return []fieldProblem{{"chance", strconv.FormatFloat(r.Chance, 'g', -1, 64), "a number between 0 and 1, both left out: what is certain is not drawn"}}
		}
		if r.Why != "" && r.Why != farm.DrawnLot {
			if _, err := farm.NewID(farm.KindDraw, r.Why); err != nil {
				return []fieldProblem{{"why", r.Why, "lot, or the id of the planned test: 1 to 64 characters"}}
			}
		}
		return nil
	})
}
