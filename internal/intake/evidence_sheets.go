package intake

import (
	"encoding/json"
	"time"

	"basecourse/internal/farm"
)

func evidenceSheets() *Table {
	type R = farm.EvidenceSheet
	return event(table(farm.KindEvidenceSheet, "evidence_sheets", R{},
		ident("evidence_sheet", func(r *R) *farm.ID { return &r.ID }),
		code("subject_kind", farm.SubjectKinds, func(r *R) *string { return &r.SubjectKind }).must(),
		key("subject", Subject, func(r *R) *string { return &r.Subject }).must(),
		code("cause", farm.Causes, func(r *R) *string { return &r.Cause }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		when("known_at", func(r *R) *time.Time { return &r.KnownAt }).must(),
		code("because", farm.SheetReasons, func(r *R) *string { return &r.Because }).must(),
		code("state", farm.Evidences, func(r *R) *string { return &r.State }).must(),
		text("definitions", func(r *R) *string { return &r.Definitions }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("sheet", func(r *R) *string { return &r.Sheet }).must().long(200_000),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		switch {
		case r.SubjectKind == "plate" && r.Cause == "skipped_probing":
			return []fieldProblem{{"cause", r.Cause, "cleaning_gap: plates are not asked about probing"}}
		case r.Sheet != "" && !json.Valid([]byte(r.Sheet)):
			return []fieldProblem{{"sheet", "text that is no JSON", "the sheet as the program wrote it: one JSON object"}}
		}
		return inOrder("at", r.At, "known_at", r.KnownAt)
	})
}
