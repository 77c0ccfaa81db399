package store

import (
	"context"
	"slices"
	"strconv"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// personFields are the fields whose values are people, whatever the kind.
var personFields = []string{"person", "grader", "noted_by", "voided_by", "released_by"}

// nameMark stands in the trail for a name; what it was is in changed_names.
const nameMark = "#name"

// named reads a value of the table changes: where it is a person it stands
// there by number.
func named(column string) string {
	return `CASE WHEN field IN ('person', 'grader', 'noted_by', 'voided_by', 'released_by') AND ` + column + ` ~ '^#[0-9]{1,9}$'
		THEN coalesce((SELECT people.person FROM people WHERE people.id = substr(` + column + `, 2)::integer), ` + column + `) ELSE ` + column + ` END`
}

// numberPeople puts people's numbers in the place of their handles, and names
// aside, so that the trail can stay when a name has to go.
func (w *writer) numberPeople(ctx context.Context) error {
	var handles []string
	seen := map[string]bool{}
	for i := range w.changes {
		for _, h := range w.changes[i].people() {
			if !seen[*h] {
				seen[*h] = true
				handles = append(handles, *h)
			}
		}
	}
	if len(handles) == 0 {
		return nil
	}
	numbers := map[string]int32{}
	rows, err := w.tx.Query(ctx, `SELECT id, person FROM people WHERE person = ANY ($1)`, handles)
	if err != nil {
		return err
	}
	var id int32
	var handle string
	if _, err := pgx.ForEachRow(rows, []any{&id, &handle}, func() error { numbers[handle] = id; return nil }); err != nil {
		return err
	}
	var names [][]any
	for i := range w.changes {
		c := &w.changes[i]
		if c.kind == farm.KindPerson && c.field == "name" {
			names = append(names, []any{w.act, numbers[c.thing], orNil(c.was), orNil(c.became)})
			for _, text := range []*string{&c.was, &c.became} {
				if *text != "" {
					*text = nameMark
				}
			}
		}
		for _, h := range c.people() {
			if n := numbers[*h]; n != 0 {
				*h = "#" + strconv.Itoa(int(n))
			}
		}
	}
	if len(names) == 0 {
		return nil
	}
	_, err = w.tx.CopyFrom(ctx, pgx.Identifier{"changed_names"}, []string{"act", "person", "was", "became"}, pgx.CopyFromRows(names))
	return err
}

// people gives the places of a change that hold a person's handle.
func (c *change) people() []*string {
	var list []*string
	if c.kind == farm.KindPerson && c.thing != "" {
		list = append(list, &c.thing)
	}
	if slices.Contains(personFields, c.field) {
		for _, text := range []*string{&c.was, &c.became} {
			if *text != "" {
				list = append(list, text)
			}
		}
	}
	return list
}
