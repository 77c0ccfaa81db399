package intake

import (
	"fmt"
	"math"
	"strings"
	"time"

	"basecourse/internal/farm"
)

func regrades() *Table {
	type R = farm.Regrade
	return event(table(farm.KindRegrade, "regrades", R{Chance: nan},
		ident("regrade", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		text("first_layer", func(r *R) *string { return &r.FirstLayer }).must(),
		key("grader", farm.KindPerson, func(r *R) *string { return &r.Grader }).must(),
		when("graded_at", func(r *R) *time.Time { return &r.GradedAt }).must(),
		code("grade", farm.Grades, func(r *R) *string { return &r.Grade }).must(),
		list("marks", Marks, func(r *R) *[]farm.Mark { return &r.Marks }),
		code("seen_from", farm.RegradeSeen, func(r *R) *string { return &r.SeenFrom }).must(),
		text("batch", func(r *R) *string { return &r.Batch }),
		num("chance", 0, 1, func(r *R) *float64 { return &r.Chance }).above(),
		text("note", func(r *R) *string { return &r.Note }),
	), "graded_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if _, err := farm.NewID(farm.KindFirstLayer, r.FirstLayer); r.FirstLayer != "" && err != nil {
			return []fieldProblem{{"first_layer", r.FirstLayer, "the id of a first layer: 1 to 64 characters"}}
		}
		return nil
	})
}

func practiceItems() *Table {
	type R = farm.PracticeItem
	return event(table(farm.KindPracticeItem, "practice_items", R{},
		ident("practice_item", func(r *R) *farm.ID { return &r.ID }),
		key("printer", farm.KindPrinter, func(r *R) *string { return &r.Printer }).must(),
		text("photo", func(r *R) *string { return &r.Photo }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		code("grade", farm.Grades, func(r *R) *string { return &r.Grade }).must(),
		text("shows", func(r *R) *string { return &r.Shows }),
		text("why", func(r *R) *string { return &r.Why }),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if _, err := farm.NewID(farm.KindPhoto, r.Photo); r.Photo != "" && err != nil {
			return []fieldProblem{{"photo", r.Photo, "the id of a photo: 1 to 64 characters"}}
		}
		for _, m := range strings.Fields(r.Shows) {
			if _, known := farm.MarkCode(m); !known {
				return []fieldProblem{{"shows", m, "marks by spaces: " + strings.Join(farm.Marks, " ")}}
			}
		}
		return nil
	})
}

func qualifications() *Table {
	type R = farm.Qualification
	return event(table(farm.KindQualification, "qualifications", R{GradesRight: nan, MarksRight: nan},
		ident("qualification", func(r *R) *farm.ID { return &r.ID }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		when("until", func(r *R) *time.Time { return &r.Until }).ahead(),
		whole("items", 1, 1000, func(r *R) *int { return &r.Items }).must(),
		num("grades_right", 0, 1000, func(r *R) *float64 { return &r.GradesRight }).must(),
		num("marks_right", 0, 1000, func(r *R) *float64 { return &r.MarksRight }),
		code("passed", farm.YesNo, func(r *R) *string { return &r.Passed }).must(),
		text("answers", func(r *R) *string { return &r.Answers }),
		text("note", func(r *R) *string { return &r.Note }),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		for name, n := range map[string]float64{"grades_right": r.GradesRight, "marks_right": r.MarksRight} {
			if farm.Known(n) && r.Items > 0 && (n != math.Trunc(n) || n > float64(r.Items)) {
				return []fieldProblem{{name, fmt.Sprint(n), fmt.Sprintf("a whole number, no more than the %d items", r.Items)}}
			}
		}
		return inOrder("at", r.At, "until", r.Until)
	})
}
