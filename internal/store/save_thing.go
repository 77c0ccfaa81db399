package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// ThingEdit is a thing as somebody found it and as they want it: pointers to the
// kind's struct in farm. Before nil is a new thing.
type ThingEdit struct{ Before, After any }

// SaveThings adds or changes printers, plates, people … of one kind, all or
// none. Unlike an import's row an edit says everything: a field that is empty in
// After is emptied (or gets its default). What somebody else saved since Before
// is a Conflict whose problems say, by field, what stands there now; nothing is
// overwritten. A new thing whose name is taken is a Conflict too; names of
// unknown materials and people are Invalid.
func (s *Store) SaveThings(ctx context.Context, act Act, kind farm.Kind, edits ...ThingEdit) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	l := layouts[kind]
	err := s.write(ctx, act, func(w *writer) error {
		for _, e := range edits {
			if problems := l.Problems(e.After); len(problems) > 0 {
				return fault.At(problems...)
			}
			withDefaults(e.After)
			var err error
			if e.Before == nil {
				err = w.addThing(ctx, l, e.After)
			} else {
				err = w.changeThing(ctx, l, e.Before, e.After)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	if isUniqueViolation(err) {
		return fault.Wrap(fault.Conflict, err, "Somebody saved the same at the same moment. Look at it and try again.")
	}
	return wrap("store.SaveThings", err)
}

// taken refuses a name that is in use; tags of printers and plates may not
// differ by case alone either.
func (w *writer) taken(ctx context.Context, l *layout, rec any) error {
	name := *l.Fields[0].At(rec).(*string)
	if l.Kind == farm.KindScrew {
		return nil // the primary key says it
	}
	condition := "%[1]s = $1"
	if l.Kind == farm.KindPrinter || l.Kind == farm.KindPlate {
		condition = "lower(%[1]s) = lower($1)"
	}
	var other string
	err := w.tx.QueryRow(ctx, fmt.Sprintf(`SELECT %[1]s FROM %[2]s WHERE `+condition+` LIMIT 1`, l.Fields[0].Name, l.Name), name).Scan(&other)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	e := fault.New(fault.Conflict, "There is %s already.", fault.Quote(other))
	e.Problems = []fault.Problem{{Column: l.Fields[0].Name, Found: name, Expected: "a name that is not in use; " + other + " is there already"}}
	return e
}

func (w *writer) addThing(ctx context.Context, l *layout, rec any) error {
	if err := w.taken(ctx, l, rec); err != nil {
		return err
	}
	numbers, err := w.known(ctx, l, rec)
	if err != nil {
		return err
	}
	sql, args := insertOf(l, rec, numbers)
	if _, err := w.tx.Exec(ctx, sql, args...); err != nil {
		return err
	}
	name := thingNameOf(l.Table, rec)
	for i := range l.Fields {
		if f := &l.Fields[i]; !f.Empty(rec) {
			w.changedThing(l.Kind, name, f.Name, "", f.Text(rec))
		}
	}
	return nil
}

// thingNameOf is what changes call a thing.
func thingNameOf(t *intake.Table, rec any) string {
	return strings.ReplaceAll(keyOf(t, rec), "\x00", " ")
}

// insertOf gives the statement that stores a new thing's fields that say
// something.
func insertOf(l *layout, rec any, numbers []int32) (string, []any) {
	var columns, places []string
	var args []any
	for i := range l.Fields {
		if f := &l.Fields[i]; !f.Empty(rec) {
			args = append(args, value(f, rec, numbers[i]))
			columns = append(columns, f.Name)
			places = append(places, fmt.Sprintf("$%d", len(args)))
		}
	}
	return fmt.Sprintf(`INSERT INTO %s (%s) VALUES (%s)`, l.Name, strings.Join(columns, ", "), strings.Join(places, ", ")), args
}

// known finds the things a thing names; one nobody knows is refused.
func (w *writer) known(ctx context.Context, l *layout, rec any) ([]int32, error) {
	numbers := make([]int32, len(l.Fields))
	pending, problems, err := w.resolve(ctx, l, rec, numbers, nil)
	if err != nil {
		return nil, err
	}
	for _, i := range pending {
		f := &l.Fields[i]
		problems = append(problems, fault.Problem{Column: f.Name, Found: f.Text(rec), Expected: "the name of a known " + string(f.Ref)})
	}
	if len(problems) > 0 {
		return nil, fault.At(problems...)
	}
	return numbers, nil
}

func (w *writer) changeThing(ctx context.Context, l *layout, before, after any) error {
	now, err := w.lockThing(ctx, l, before)
	if err != nil {
		return err
	}
	var meanwhile []fault.Problem
	var changed []int
	for i := range l.Fields {
		f := &l.Fields[i]
		if !f.Same(now, before) && !f.Same(now, after) {
			meanwhile = append(meanwhile, fault.Problem{Column: f.Name, Found: f.Text(now), Expected: f.Text(before)})
		}
		if !f.Same(now, after) {
			changed = append(changed, i)
		}
	}
	if len(meanwhile) > 0 {
		e := fault.New(fault.Conflict, "Somebody else saved meanwhile. Nothing was overwritten.")
		e.Problems = meanwhile
		return e
	}
	if len(changed) == 0 {
		return nil
	}
	numbers, err := w.known(ctx, l, after)
	if err != nil {
		return err
	}
	switch p := after.(type) {
	case *farm.Printer:
		id, err := w.thing(ctx, l.Kind, p.Tag)
		if err != nil {
			return err
		}
		if err := w.zonesStay(ctx, p, id); err != nil {
			return err
		}
	case *farm.Person:
		if now.(*farm.Person).Role == "admin" && p.Role != "admin" {
			if err := w.anotherAdmin(ctx, p.Handle); err != nil {
				return err
			}
		}
	}
	return w.updateThing(ctx, l, now, after, numbers, changed)
}

// updateThing stores the fields that changed and notes from what to what.
func (w *writer) updateThing(ctx context.Context, l *layout, old, rec any, numbers []int32, changed []int) error {
	var sets, where []string
	var args []any
	name := thingNameOf(l.Table, rec)
	for _, i := range changed {
		f := &l.Fields[i]
		if f.Empty(rec) {
			sets = append(sets, f.Name+" = NULL")
		} else {
			args = append(args, value(f, rec, numbers[i]))
			sets = append(sets, fmt.Sprintf("%s = $%d", f.Name, len(args)))
		}
		w.changedThing(l.Kind, name, f.Name, f.Text(old), f.Text(rec))
	}
	for i := range keyColumns(l.Table) {
		f := &l.Fields[i]
		args = append(args, value(f, rec, numbers[i]))
		where = append(where, fmt.Sprintf("%s = $%d", f.Name, len(args)))
	}
	_, err := w.tx.Exec(ctx, fmt.Sprintf(`UPDATE %s SET %s WHERE %s`, l.Name, strings.Join(sets, ", "), strings.Join(where, " AND ")), args...)
	return err
}

// lockThing reads a thing as it is and keeps others from changing it until the
// transaction ends.
func (w *writer) lockThing(ctx context.Context, l *layout, like any) (any, error) {
	where, args := "t."+l.Fields[0].Name+" = $1", []any{*l.Fields[0].At(like).(*string)}
	if screw, ok := like.(*farm.Screw); ok {
		where, args = "t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.screw = $2", []any{screw.Printer, screw.Screw}
	}
	rows, err := w.tx.Query(ctx, `SELECT `+l.readNames+` FROM `+l.Name+` t WHERE `+where+` FOR UPDATE OF t`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	rec := l.New()
	if !rows.Next() {
		if err := rows.Err(); err != nil {
			return nil, err
		}
		if setting, ok := like.(*farm.Setting); ok { // never set: its standard value is in force
			return setting, w.addSetting(ctx, setting)
		}
		return nil, fault.New(fault.NotFound, "there is no %s %s", l.Kind, fault.Quote(thingNameOf(l.Table, like)))
	}
	if err := l.takeRow(rows.RawValues(), rows.FieldDescriptions(), rec, nil); err != nil {
		return nil, err
	}
	return rec, nil
}

// addSetting writes a setting that had its standard value, so that it can be
// changed from it.
func (w *writer) addSetting(ctx context.Context, r *farm.Setting) error {
	rule, ok := farm.SettingRuleOf(r.Key)
	if !ok {
		return fault.New(fault.NotFound, "there is no setting %s", fault.Quote(r.Key))
	}
	r.Value = rule.Default
	_, err := w.tx.Exec(ctx, `INSERT INTO settings (key, value) VALUES ($1, $2)`, r.Key, r.Value)
	return err
}

// anotherAdmin refuses what would leave nobody who may look after people: it
// locks the admins, so that two cannot step down at the same moment.
func (w *writer) anotherAdmin(ctx context.Context, handle string) error {
	rows, err := w.tx.Query(ctx, `SELECT p.person FROM people p JOIN passwords w ON w.person = p.id
		WHERE p.role = 'admin' AND p.disabled_at IS NULL ORDER BY p.id FOR UPDATE OF p`)
	if err != nil {
		return err
	}
	admins, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	if len(admins) == 1 && admins[0] == handle {
		e := fault.New(fault.Conflict, "%s is the last admin who may sign in. Make somebody else an admin with a password first.", handle)
		e.Problems = []fault.Problem{{Column: "role", Found: "another role", Expected: "admin: " + handle + " is the last admin who may sign in"}}
		return e
	}
	return nil
}

// ThingChange is one act's change of one thing.
type ThingChange struct {
	Act    int64
	At     time.Time
	Via    string
	Person string // handle; "" nobody signed in
	Token  string // name; "" none
	Why    string
	Kind   farm.Kind
	Thing  string
	Field  string
	Was    string
	Became string
}

// ThingName names a thing among the changes; a screw is "PRINTER SCREW".
type ThingName struct {
	Kind farm.Kind
	Name string
}

// ThingChanges gives what was changed in things, newest first.
func (s *Store) ThingChanges(ctx context.Context, limit int, things ...ThingName) ([]ThingChange, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	kinds, names := make([]string, len(things)), make([]string, len(things))
	for i, t := range things {
		kinds[i], names[i] = string(t.Kind), t.Name
	}
	rows, err := s.pool.Query(ctx, `SELECT a.id AS act, a.at, a.via, coalesce(p.person, '') AS person, coalesce(k.name, '') AS token, coalesce(a.why, '') AS why,
			c.kind, of.thing, c.field, coalesce(n.was, `+named("c.was")+`, '') AS was, coalesce(n.became, `+named("c.became")+`, '') AS became
		FROM unnest($1::text[], $2::text[]) AS of (kind, thing)
		JOIN changes c ON c.kind = of.kind AND c.thing = CASE WHEN of.kind = 'person' THEN (SELECT '#' || id FROM people WHERE people.person = of.thing) ELSE of.thing END
		JOIN acts a ON a.id = c.act LEFT JOIN people p ON p.id = a.person LEFT JOIN tokens k ON k.id = a.token
		LEFT JOIN changed_names n ON c.kind = 'person' AND c.field = 'name' AND n.act = c.act AND c.thing = '#' || n.person
		ORDER BY c.id DESC LIMIT $3`, kinds, names, limit)
	if err != nil {
		return nil, wrap("store.ThingChanges", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[ThingChange])
	return list, wrap("store.ThingChanges", err)
}
