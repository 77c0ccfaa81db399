package store

import (
	"encoding/binary"
	"iter"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"
)

// trendThings are what first layers name, by number.
type trendThings struct {
	printers, plates, materials, jobs, graders map[int32]string
	bays, surfaces                             map[int32]string // of printers, of plates
	// How many printers stand in each bay, how many plates have each surface; of all.
	inBay, withSurface map[string]int
}

// trendTables are where things are read from: their names and what else they are
// grouped by, "" nothing.
var trendTables = [dimensions]struct{ table, name, second string }{
	dimPrinter: {"printers", "printer", "bay"}, dimPlate: {"plates", "plate", "surface::text"},
	dimMaterial: {"materials", "material", ""}, dimJob: {"jobs", "job", ""}, dimGrader: {"people", "person", ""},
}

// names gives the maps of a dimension; seconds is nil where there are none.
func (t *trendThings) names(dim dimension) (names, seconds map[int32]string) {
	switch dim {
	case dimPrinter:
		return t.printers, t.bays
	case dimPlate:
		return t.plates, t.surfaces
	case dimMaterial:
		return t.materials, nil
	case dimJob:
		return t.jobs, nil
	}
	return t.graders, nil
}

// read asks for things with a batch; where says which.
func (t *trendThings) read(batch *pgx.Batch, dim dimension, where string, args ...any) {
	from := trendTables[dim]
	columns := `id, ` + from.name
	if from.second != "" {
		columns += `, coalesce(` + from.second + `, '')`
	}
	names, seconds := t.names(dim)
	batch.Queue(`SELECT `+columns+` FROM `+from.table+where, args...).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			v := rows.RawValues()
			id := int4(v[0])
			names[id] = string(v[1])
			if seconds != nil {
				seconds[id] = string(v[2])
			}
		}
		return rows.Err()
	})
}

// readNamed asks for the things that a filter names.
func (t *trendThings) readNamed(batch *pgx.Batch, dim dimension, name, second string) {
	from := trendTables[dim]
	switch {
	case name != "" && second != "":
		t.read(batch, dim, ` WHERE `+from.name+` = $1 OR `+from.second+` = $2`, name, second)
	case name != "":
		t.read(batch, dim, ` WHERE `+from.name+` = $1`, name)
	case second != "":
		t.read(batch, dim, ` WHERE `+from.second+` = $1`, second)
	}
}

// queueThings asks for the things, or only those that a filter names where all is false,
// and what one can filter by, where that is asked for. Jobs may be many: they are read
// where they are asked for.
func (r *trendReader) queueThings(all bool, batch *pgx.Batch) {
	r.things = trendThings{printers: map[int32]string{}, plates: map[int32]string{}, materials: map[int32]string{}, jobs: map[int32]string{}, graders: map[int32]string{},
		bays: map[int32]string{}, surfaces: map[int32]string{}, inBay: map[string]int{}, withSurface: map[string]int{}}
	t, f := &r.things, r.q.Filter
	for dim, named := range [dimensions]struct {
		all          bool
		name, second string
	}{
		dimPrinter:  {all, f.Printer, f.Bay},
		dimPlate:    {all, f.Plate, f.Surface},
		dimMaterial: {all || r.q.Choices, f.Material, ""},
		dimJob:      {all && r.q.By == TrendJob, f.Job, ""},
		dimGrader:   {all || r.q.Choices, f.Grader, ""},
	} {
		if named.all {
			t.read(batch, dimension(dim), "")
		} else {
			t.readNamed(batch, dimension(dim), named.name, named.second)
		}
	}
	if !all && f.Bay != "" || r.q.Choices {
		countOf(batch, `SELECT coalesce(bay, ''), count(*) FROM printers GROUP BY 1`, t.inBay)
	}
	if !all && f.Surface != "" || r.q.Choices {
		countOf(batch, `SELECT surface::text, count(*) FROM plates GROUP BY surface`, t.withSurface)
	}
}

// countOf asks for counts by name.
func countOf(batch *pgx.Batch, sql string, into map[string]int) {
	batch.Queue(sql).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			v := rows.RawValues()
			into[string(v[0])] = int(binary.BigEndian.Uint64(v[1]))
		}
		return rows.Err()
	})
}

// choices are what one can filter by.
func (t *trendThings) choices() TrendChoices {
	return TrendChoices{Surfaces: different(maps.Keys(t.withSurface)), Materials: different(maps.Values(t.materials)),
		Bays: different(maps.Keys(t.inBay)), Graders: different(maps.Values(t.graders))}
}

// different lists the names but "" in their byte order.
func different(names iter.Seq[string]) []string {
	list := slices.DeleteFunc(slices.Collect(names), func(n string) bool { return n == "" })
	slices.Sort(list)
	return slices.Compact(list)
}
