package intake

import (
	"time"

	"basecourse/internal/farm"
)

func handovers() *Table {
	type R = farm.Handover
	return event(table(farm.KindHandover, "handovers", R{},
		ident("handover", func(r *R) *farm.ID { return &r.ID }),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		when("shift_from", func(r *R) *time.Time { return &r.ShiftFrom }),
		when("shift_to", func(r *R) *time.Time { return &r.ShiftTo }).ahead(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("says", func(r *R) *string { return &r.Says }).must(),
		text("note", func(r *R) *string { return &r.Note }),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		return inOrder("shift_from", r.ShiftFrom, "shift_to", r.ShiftTo)
	})
}

func handoverEntries() *Table {
	type R = farm.HandoverEntry
	return event(table(farm.KindHandoverEntry, "handover_entries", R{},
		ident("handover_entry", func(r *R) *farm.ID { return &r.ID }),
		text("handover", func(r *R) *string { return &r.Handover }),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		code("what", farm.HandoverEntries, func(r *R) *string { return &r.What }).must(),
		key("person", farm.KindPerson, func(r *R) *string { return &r.Person }),
		text("note", func(r *R) *string { return &r.Note }),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		if r.Handover != "" {
			if _, err := farm.NewID(farm.KindHandover, r.Handover); err != nil {
				return []fieldProblem{{"handover", r.Handover, "the id of a handover: 1 to 64 characters"}}
			}
		}
		switch {
		case r.What == "receipt" && r.Handover == "":
			return []fieldProblem{{"handover", "", "the id of the handover that is receipted"}}
		case r.What == "receipt" && r.Person == "":
			return []fieldProblem{{"person", "", "who took over: a receipt is by name"}}
		case r.What == "note" && r.Note == "":
			return []fieldProblem{{"note", "", "what the next shift should know"}}
		}
		return nil
	})
}
