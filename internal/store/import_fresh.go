package store

import (
	"context"
	"fmt"
	mathbits "math/bits"

	"basecourse/internal/intake"
)

// Filling an index row by row in no order costs more than the row itself, and
// building it once over all rows costs a fraction; so does checking all rows'
// references once. So a big bundle that goes into a farm without any record
// takes the indexes of the big tables away and their checks of references off, and
// builds them and looks up what all rows together name before it commits, all in its
// one transaction: nobody ever sees a farm without them. Until then whoever reads
// those (empty) tables waits, which is why a small bundle does not do it.

// liftAbove is the size in bytes from which a first import lifts the indexes.
var liftAbove int64 = 16 << 20

// mostDeferred bounds the rows that wait for the indexes.
const mostDeferred = 50_000

var liftedTables = []string{"records", "first_layers", "cleanings", "probes"}

type liftedIndex struct{ name, table, constraint, definition string }

type deferredRow struct {
	file  int
	table *intake.Table
	row   intake.Row
	rec   any
}

// lift takes the indexes away, if this account may and nobody is using the
// tables at this moment.
func (im *importer) lift(ctx context.Context) error {
	sp, err := im.tx.Begin(ctx) // a savepoint: what fails here is only an advantage lost
	if err != nil {
		return err
	}
	lifted, err := im.tryLift(ctx)
	if err != nil && sqlState(err) != "55P03" {
		return err
	}
	if err != nil || lifted == nil {
		return sp.Rollback(ctx) // and with it the locks
	}
	im.lifted, im.named = lifted, namedThings{}
	return sp.Commit(ctx)
}

func (im *importer) tryLift(ctx context.Context) ([]liftedIndex, error) {
	rows, err := im.tx.Query(ctx, `SELECT i.indexrelid::regclass::text, i.indrelid::regclass::text, coalesce(c.conname, ''),
			coalesce(pg_get_constraintdef(c.oid), pg_get_indexdef(i.indexrelid))
		FROM pg_index i JOIN pg_class t ON t.oid = i.indrelid LEFT JOIN pg_constraint c ON c.conindid = i.indexrelid AND c.contype IN ('p', 'u')
		WHERE i.indrelid = ANY ($1::text[]::regclass[]) AND pg_has_role(t.relowner, 'USAGE') ORDER BY i.indexrelid`, liftedTables)
	if err != nil {
		return nil, err
	}
	var list []liftedIndex
	for rows.Next() {
		var l liftedIndex
		if err := rows.Scan(&l.name, &l.table, &l.constraint, &l.definition); err != nil {
			return nil, err
		}
		list = append(list, l)
	}
	if err := rows.Err(); err != nil || len(list) == 0 {
		return nil, err
	}
	if _, err := im.tx.Exec(ctx, `SET LOCAL lock_timeout = '1s'`); err != nil {
		return nil, err
	}
	if _, err := im.tx.Exec(ctx, `LOCK TABLE records, first_layers, cleanings, probes IN ACCESS EXCLUSIVE MODE`); err != nil {
		return nil, err
	}
	// Somebody may have recorded something just before the lock.
	if err := im.tx.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM records)`).Scan(&im.fresh); err != nil || !im.fresh {
		return nil, err
	}
	for _, l := range list {
		sql := `DROP INDEX ` + l.name
		if l.constraint != "" {
			sql = `ALTER TABLE ` + l.table + ` DROP CONSTRAINT ` + l.constraint
		}
		if _, err := im.tx.Exec(ctx, sql); err != nil {
			return nil, err
		}
	}
	for _, t := range liftedTables {
		if _, err := im.tx.Exec(ctx, `ALTER TABLE `+t+` DISABLE TRIGGER check_inserted`); err != nil {
			return nil, err
		}
	}
	_, err = im.tx.Exec(ctx, `SET LOCAL lock_timeout = 0; SET LOCAL maintenance_work_mem = '256MB'; SET LOCAL default_statistics_target = 20`)
	return list, err
}

// settle builds the indexes again and handles the rows that waited for them.
func (im *importer) settle(ctx context.Context) error {
	if im.lifted == nil {
		return nil
	}
	if err := im.copier.wait(); err != nil {
		return err
	}
	for _, l := range im.lifted {
		sql := l.definition
		if l.constraint != "" {
			sql = `ALTER TABLE ` + l.table + ` ADD CONSTRAINT ` + l.constraint + ` ` + l.definition
		}
		if _, err := im.tx.Exec(ctx, sql); err != nil {
			return fmt.Errorf("index %s: %w", l.name, err)
		}
	}
	if err := im.checkReferences(ctx); err != nil {
		return err
	}
	im.lifted, im.named = nil, nil
	waiting := im.deferred
	im.deferred = nil
	if len(waiting) > 0 {
		if err := im.analyse(ctx); err != nil {
			return err
		}
	}
	for len(waiting) > 0 {
		c := &chunk{file: waiting[0].file, table: waiting[0].table}
		for c.n < len(waiting) && c.n < chunkRows && waiting[c.n].table == c.table {
			c.rows = append(c.rows, waiting[c.n].row)
			c.recs = append(c.recs, waiting[c.n].rec)
			c.n++
		}
		waiting = waiting[c.n:]
		if err := im.eventsAgainst(ctx, c, &im.report.Files[c.file], true); err != nil {
			return err
		}
	}
	return nil
}

// analyseAbove is the size in bytes from which an import tells the planner what came.
const analyseAbove = 1 << 20

// analyse looks at what many rows make of the tables: the planner would take them for
// empty until the server looks by itself, and next to everything for voided, and sort
// histories instead of reading their ends.
func (im *importer) analyse(ctx context.Context) error {
	_, err := im.tx.Exec(ctx, `ANALYZE first_layers (printer, plate, started_at, arrived_at, voided_at), probes (printer, probed_at, voided_at, extent), cleanings (plate, cleaned_at, voided_at, method), fittings (printer, plate, fitted_at, voided_at)`)
	return err
}

// wait keeps a row whose id may be known until there are indexes to look it up.
func (im *importer) wait(c *chunk, i int) {
	kept := c.table.New()
	for n := range c.table.Fields {
		c.table.Fields[n].Copy(kept, c.recs[i])
	}
	im.deferred = append(im.deferred, deferredRow{c.file, c.table, intake.Row{Line: c.rows[i].Line, Raw: c.rows[i].Raw}, kept})
}

// namedThings are the numbers of things that rows without their check name, a bit each,
// by the things' table.
type namedThings map[string]*[]uint64

// of gives the numbers to note for each field of a layout; nil for one that names nothing.
func (n namedThings) of(l *layout) []*[]uint64 {
	out := make([]*[]uint64, len(l.Fields))
	for i, f := range l.Fields {
		if table := thingColumn[f.Ref][0]; table != "" {
			if n[table] == nil {
				n[table] = &[]uint64{}
			}
			out[i] = n[table]
		}
	}
	return out
}

// note takes down what a row names; 0 is nothing.
func note(named []*[]uint64, things []int32) {
	for i, bits := range named {
		id := int(things[i])
		if bits == nil || id == 0 {
			continue
		}
		for id>>6 >= len(*bits) {
			*bits = append(*bits, make([]uint64, 64+len(*bits))...)
		}
		(*bits)[id>>6] |= 1 << (id & 63)
	}
}

// checkReferences does for all rows together what the tables' triggers do for new rows:
// all of them came through here, so the things they name are looked up once each. It sets
// the triggers in force again.
func (im *importer) checkReferences(ctx context.Context) error {
	for table, bits := range im.named {
		var ids []int32
		for k, word := range *bits {
			for ; word != 0; word &= word - 1 {
				ids = append(ids, int32(k<<6+mathbits.TrailingZeros64(word)))
			}
		}
		var bad []int32
		if err := im.tx.QueryRow(ctx, `SELECT array_agg(id) FROM unnest($1::int[]) id WHERE id NOT IN (SELECT id FROM `+table+`)`, ids).Scan(&bad); err != nil {
			return err
		}
		if len(bad) > 0 {
			return fmt.Errorf("rows name %d of %s that are not there, the first is %d", len(bad), table, bad[0])
		}
	}
	var there bool
	if err := im.tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM acts WHERE id = $1)`, im.act).Scan(&there); err != nil {
		return err
	}
	if !there {
		return fmt.Errorf("act %d of the import is not there", im.act)
	}
	for _, t := range liftedTables {
		if _, err := im.tx.Exec(ctx, `ALTER TABLE `+t+` ENABLE TRIGGER check_inserted`); err != nil {
			return err
		}
	}
	return nil
}
