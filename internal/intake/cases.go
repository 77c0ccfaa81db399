package intake

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
)

func caseSteps() *Table {
	type R = farm.CaseStep
	return event(table(farm.KindCaseStep, "case_steps", R{},
		ident("case_step", func(r *R) *farm.ID { return &r.ID }),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		code("cause", farm.Causes, func(r *R) *string { return &r.Cause }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("step", farm.CaseSteps, func(r *R) *string { return &r.Step }).must(),
		code("state", farm.Evidences, func(r *R) *string { return &r.State }),
		text("test", func(r *R) *string { return &r.Test }),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }).must(),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if p := causeOf(r.SubjectKind, r.Cause); p != nil {
			return p
		}
		if r.Test != "" {
			if _, err := farm.NewID(farm.KindPlannedTest, r.Test); err != nil {
				return []fieldProblem{{"test", r.Test, "the id of a planned test: 1 to 64 characters"}}
			}
		}
		return nil
	})
}

func plannedTests() *Table {
	type R = farm.PlannedTest
	return event(table(farm.KindPlannedTest, "planned_tests", R{Share: nan, FailsLeft: nan, FailsDone: nan, Power: nan},
		ident("planned_test", func(r *R) *farm.ID { return &r.ID }),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		code("cause", farm.Causes, func(r *R) *string { return &r.Cause }).must(),
		code("task", farm.TestedAre, func(r *R) *string { return &r.Task }).must(),
		when("begins_at", func(r *R) *time.Time { return &r.BeginsAt }).must(),
		when("ended_at", func(r *R) *time.Time { return &r.EndedAt }).fill(),
		whole("starts", 1, 30000, func(r *R) *int { return &r.Starts }).must(),
		num("share", 0, 1, func(r *R) *float64 { return &r.Share }).must().above(),
		num("fails_left", 0, 1, func(r *R) *float64 { return &r.FailsLeft }).must(),
		num("fails_done", 0, 1, func(r *R) *float64 { return &r.FailsDone }).must(),
		num("power", 0, 1, func(r *R) *float64 { return &r.Power }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("reason", func(r *R) *string { return &r.Reason }).must(),
		key("ended_by", farm.KindPerson, func(r *R) *string { return &r.EndedBy }).fill(),
		code("end_is", farm.TestEndIs, func(r *R) *string { return &r.EndIs }).fill(),
		text("end_reason", func(r *R) *string { return &r.EndReason }).fill(),
	), "begins_at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if p := causeOf(r.SubjectKind, r.Cause); p != nil {
			return p
		}
		if of := farm.TestsOf[r.SubjectKind+" "+r.Cause]; r.Task != "" && len(of) > 0 && !slices.Contains(of, r.Task) {
			return []fieldProblem{{"task", r.Task, "one of " + strings.Join(of, ", ") + ", which this finding is about"}}
		}
		if r.Share >= 1 {
			return []fieldProblem{{"share", strconv.FormatFloat(r.Share, 'g', -1, 64), "a share between 0 and 1, both left out"}}
		}
		if r.EndedAt.IsZero() && (r.EndIs != "" || r.EndReason != "" || r.EndedBy != "") {
			return []fieldProblem{{"ended_at", "", "when it ended, where its end is told of"}}
		}
		return inOrder("begins_at", r.BeginsAt, "ended_at", r.EndedAt)
	})
}

// causeOf refuses a question that is not asked of plates.
func causeOf(kind, cause string) []fieldProblem {
	if kind == "plate" && cause == "skipped_probing" {
		return []fieldProblem{{"cause", cause, "cleaning_gap: plates are not asked about probing"}}
	}
	return nil
}
