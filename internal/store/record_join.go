package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// errOverlap: somebody recorded one of the ids at the same moment.
var errOverlap = errors.New("one of the ids was recorded meanwhile")

// joinWait is how long a transaction of many waits for somebody who is writing one of
// its ids: nobody else's records shall wait for that one, nor keep an import from
// going on.
const joinWait = "50ms"

// join stores those of the list that are new and name only what is there, each under
// an act of its own, in one transaction of three round trips; the others are set
// aside. Nothing is stored on an error, but that the outcome is unknown where
// ErrUnknownOutcome lies beneath it.
func (s *Store) join(ctx context.Context, list []*joined) (err error) {
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	defer func() {
		if conn.Conn().PgConn().TxStatus() == 'I' {
			return
		}
		clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), callLimit)
		defer cancel()
		_, _ = conn.Exec(clean, "ROLLBACK")
	}()
	w := s.writer(nil)
	acts, known, err := w.prepare(ctx, conn.Conn(), list)
	if err != nil {
		return err
	}
	var fresh []*joined
	things := make([][]int32, 0, len(list))
	for _, j := range list {
		l := layouts[j.item.Kind]
		its := make([]int32, len(l.Fields))
		pending, problems, err := w.resolve(ctx, l, j.item.Rec, its, nil)
		if err != nil {
			return err
		}
		if known[j.item.ID.UUID] || len(pending)+len(problems) > 0 {
			*j.aside = true
			continue
		}
		fresh, things = append(fresh, j), append(things, its)
	}
	if len(fresh) == 0 {
		return nil
	}
	rows := map[farm.Kind]*bytes.Buffer{}
	var (
		scratch                             []byte
		ids                                 = make([]uuid.UUID, len(fresh))
		happened, arrived                   = make([]time.Time, len(fresh)), make([]time.Time, len(fresh))
		digests                             = make([]int64, len(fresh))
		owners, tokens                      = make([]int32, len(fresh)), make([]int32, len(fresh))
		kinds, vias, persons, devices, whys = make([]string, len(fresh)), make([]string, len(fresh)), make([]string, len(fresh)), make([]string, len(fresh)), make([]string, len(fresh))
	)
	for i, j := range fresh {
		l := layouts[j.item.Kind]
		rec := l.New()
		for f := range l.Fields {
			l.Fields[f].Copy(rec, j.item.Rec)
		}
		b := rows[l.Kind]
		if b == nil {
			b = bytes.NewBuffer(append(make([]byte, 0, 256*len(fresh)), copyHeader...))
			rows[l.Kind] = b
		}
		row, digest := l.all.putRow(b.AvailableBuffer(), rec, things[i], &scratch, func() time.Time { return w.complete(l, rec, things[i]) })
		b.Write(row)
		owner := l.ownerOf(things[i])
		ids[i], kinds[i], digests[i], owners[i] = j.item.ID.UUID, string(l.Kind), digest, max(owner, -owner)
		happened[i], arrived[i] = *l.Fields[l.When].At(rec).(*time.Time), *l.Fields[l.arrived].At(rec).(*time.Time)
		vias[i], persons[i], tokens[i], devices[i], whys[i] = j.act.Via, j.act.Person, int32(j.act.Token), j.act.Device, j.act.Why
		if f, ok := rec.(*farm.FirstLayer); ok {
			w.touch(f.StartedAt)
		}
		*j.each = Each{Result: Result{ID: j.item.ID, Outcome: Recorded}}
	}
	acts = acts[:len(fresh)]
	var batch pgx.Batch
	batch.Queue(`INSERT INTO acts (id, at, via, person, token, device, why) OVERRIDING SYSTEM VALUE
		SELECT u.id, $1, u.via, p.id, nullif(u.token, 0), nullif(u.device, ''), nullif(u.why, '')
		FROM unnest($2::bigint[], $3::text[], $4::text[], $5::int[], $6::text[], $7::text[]) AS u(id, via, person, token, device, why)
		LEFT JOIN people p ON p.person = nullif(u.person, '') ORDER BY u.id`, w.at, acts, vias, persons, tokens, devices, whys)
	// In the order of ids, so that two that record the same wait for one another and
	// never both.
	stored := 0
	batch.Queue(`INSERT INTO records (id, happened_at, arrived_at, digest, act, owner, kind)
		SELECT u.id, u.happened_at, u.arrived_at, u.digest, u.act, u.owner, u.kind::event_code
		FROM unnest($1::uuid[], $2::timestamptz[], $3::timestamptz[], $4::bigint[], $5::bigint[], $6::int[], $7::text[])
			AS u(id, happened_at, arrived_at, digest, act, owner, kind) ORDER BY u.id
		ON CONFLICT (id) DO NOTHING`, ids, happened, arrived, digests, acts, owners, kinds).Exec(func(tag pgconn.CommandTag) error {
		stored = int(tag.RowsAffected())
		return nil
	})
	w.queueTouched(&batch)
	if err := conn.SendBatch(ctx, &batch).Close(); err != nil {
		return err
	}
	if stored != len(fresh) {
		return errOverlap
	}
	kindsIn := slices.Sorted(maps.Keys(rows))
	for i, kind := range kindsIn {
		b := rows[kind]
		b.Write(copyTrailer)
		sql, last := layouts[kind].all.copySQL, i == len(kindsIn)-1
		if last {
			sql += "; COMMIT"
		}
		_, err := conn.Conn().PgConn().CopyFrom(ctx, b, sql)
		if last {
			return committed(err)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// prepare begins the transaction and reads in one go the numbers of all that the list names, which of its ids
// are known, and numbers for acts.
func (w *writer) prepare(ctx context.Context, conn *pgx.Conn, list []*joined) (acts []int64, known map[uuid.UUID]bool, err error) {
	names := map[farm.Kind]map[string]struct{}{}
	ids := make([]uuid.UUID, len(list))
	for i, j := range list {
		ids[i] = j.item.ID.UUID
		l := layouts[j.item.Kind]
		for f := range l.Fields {
			kind := l.Fields[f].Ref
			if kind == "" {
				continue
			}
			name := *l.Fields[f].At(j.item.Rec).(*string)
			if name == "" {
				continue
			}
			if kind == intake.Subject {
				kind = j.item.Rec.(intake.Subjected).KindOfSubject()
			}
			if names[kind] == nil {
				names[kind] = map[string]struct{}{}
			}
			names[kind][name] = struct{}{}
		}
	}
	var batch pgx.Batch
	batch.Queue(`BEGIN`)
	batch.Queue(`SET LOCAL lock_timeout = '` + joinWait + `'`)
	known = map[uuid.UUID]bool{}
	batch.Queue(`SELECT nextval(pg_get_serial_sequence('acts', 'id')) FROM generate_series(1, $1)`, len(list)).Query(func(rows pgx.Rows) error {
		acts, err = pgx.CollectRows(rows, pgx.RowTo[int64])
		return err
	})
	batch.Queue(`SELECT id FROM records WHERE id = ANY ($1)`, ids).Query(func(rows pgx.Rows) error {
		var id uuid.UUID
		_, err := pgx.ForEachRow(rows, []any{&id}, func() error { known[id] = true; return nil })
		return err
	})
	for kind, set := range names {
		where := thingColumn[kind]
		more := `, 0, 0, ''`
		switch kind {
		case farm.KindPrinter:
			more = `, zone_cols, zone_rows, ''`
		case farm.KindJob:
			more = `, 0, 0, coalesce(underside::text, '')`
		}
		batch.Queue(fmt.Sprintf(`SELECT %s, id%s FROM %s WHERE %[1]s = ANY ($1)`, where[1], more, where[0]), slices.Collect(maps.Keys(set))).Query(func(rows pgx.Rows) error {
			var name, underside string
			var id int32
			var g grid
			_, err := pgx.ForEachRow(rows, []any{&name, &id, &g.cols, &g.rows, &underside}, func() error {
				w.remember(kind, name, id)
				switch kind {
				case farm.KindPrinter:
					w.grids[id] = g
				case farm.KindJob:
					w.undersides[id] = underside
				}
				return nil
			})
			return err
		})
	}
	w.all = true // what is not among them is not there
	if err := conn.SendBatch(ctx, &batch).Close(); err != nil {
		return nil, nil, err
	}
	return acts, known, nil
}
