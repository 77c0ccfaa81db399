package store

import (
	"context"
	"encoding/binary"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// seenIDs remembers the ids of a bundle in a few bits each (a Bloom filter of
// four probes and about twelve bits an id): "no" is sure, "maybe" is one in
// some hundred and is then looked up in the database, where the rows before
// already are. So memory does not grow with a map of all ids.
type seenIDs struct {
	bits []uint64
	mask uint64
}

func newSeenIDs(expected int64) *seenIDs {
	n := uint64(1 << 16)
	for n < uint64(max(expected, 0))*12 && n < 1<<33 {
		n <<= 1
	}
	return &seenIDs{make([]uint64, n/64), n - 1}
}

// add remembers an id and tells whether it may have been there.
func (s *seenIDs) add(id uuid.UUID) (maybe bool) {
	a, b := binary.LittleEndian.Uint64(id[:8]), binary.LittleEndian.Uint64(id[8:])
	a *= 0x9e3779b97f4a7c15
	b = (b^b>>29)*0xbf58476d1ce4e5b9 | 1
	a ^= a>>32 ^ b>>31
	maybe = true
	for range 4 {
		at := (a ^ a>>27) & s.mask
		bit := uint64(1) << (at & 63)
		if s.bits[at>>6]&bit == 0 {
			maybe = false
			s.bits[at>>6] |= bit
		}
		a += b
	}
	return maybe
}

// events stores a chunk of one event file.
//
// A row whose id is new goes into the next COPY. A row whose id may be known is
// looked up; if it is, an equal digest says that it is the same row again, and
// otherwise it is compared field by field with what is stored. A row whose id
// stands in this very chunk waits until the chunk is stored.
func (im *importer) events(ctx context.Context, c *chunk, file *FileReport) error {
	l := layouts[c.table.Kind]
	knownIDs, err := im.lookUp(ctx, l, c)
	if err != nil {
		return err
	}
	batch := &eventBatch{importer: im, layout: l, columns: l.columnCount(), file: file, inChunk: map[uuid.UUID]int64{},
		rows:    append(make([]byte, 0, 3<<20), copyHeader...),
		records: append(make([]byte, 0, 1<<20), copyHeader...),
		things:  make([]int32, len(l.Fields))}
	var later []int
	for i := range c.n {
		row, rec := &c.rows[i], c.recs[i]
		if len(row.Problems) > 0 {
			if err := im.refused(file, row, row.Problems); err != nil {
				return err
			}
			continue
		}
		id := l.Fields[0].At(rec).(*farm.ID).UUID
		if digest, here := batch.inChunk[id]; here {
			if digest == batch.digest(ctx, rec) {
				file.AlreadyRecorded++
			} else {
				later = append(later, i)
			}
			continue
		}
		if k, ok := knownIDs[id]; ok {
			if k.kind == l.Kind && k.digest == batch.digest(ctx, rec) {
				file.AlreadyRecorded++
			} else {
				later = append(later, i)
			}
			continue
		}
		if err := batch.add(ctx, row, rec); err != nil {
			return err
		}
	}
	if batch.n > 0 {
		im.copier.send(copyRecords, append(batch.records, copyTrailer...))
		im.copier.send(l.copySQL, append(batch.rows, copyTrailer...))
	}
	return im.compare(ctx, l, c, later, file)
}

// lookUp finds which of a chunk's ids are known already.
func (im *importer) lookUp(ctx context.Context, l *layout, c *chunk) (map[uuid.UUID]known, error) {
	var ids []uuid.UUID
	for i := range c.n {
		if len(c.rows[i].Problems) > 0 {
			continue
		}
		id := l.Fields[0].At(c.recs[i]).(*farm.ID).UUID
		if maybe := im.seen.add(id); maybe || !im.fresh {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	return im.findKnown(ctx, ids, "")
}

// findKnown asks the id table. To compare and fill, the rows are locked
// (lock = "ORDER BY id FOR UPDATE"), so that nobody fills the same record
// meanwhile.
func (im *importer) findKnown(ctx context.Context, ids []uuid.UUID, lock string) (map[uuid.UUID]known, error) {
	if err := im.copier.wait(); err != nil {
		return nil, err
	}
	rows, err := im.tx.Query(ctx, `SELECT `+knownColumns+` FROM records WHERE id = ANY ($1) `+lock, ids)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, scanKnown)
	if err != nil {
		return nil, err
	}
	found := make(map[uuid.UUID]known, len(list))
	for _, k := range list {
		found[k.id] = k
	}
	return found, nil
}

// eventBatch collects the new rows of a chunk in the form COPY takes.
type eventBatch struct {
	*importer
	layout        *layout
	columns       int
	file          *FileReport
	rows, records []byte
	scratch       []byte
	n             int
	inChunk       map[uuid.UUID]int64
	things        []int32
}

func (b *eventBatch) add(ctx context.Context, row *intake.Row, rec any) error {
	l := b.layout
	pending, problems, err := b.resolve(ctx, l, rec, b.things, b.listed)
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		return b.refused(b.file, row, problems)
	}
	if len(pending) > 0 {
		if err := b.copier.wait(); err != nil {
			return err
		}
		if err := b.createPending(ctx, l, rec, b.things, pending); err != nil {
			return err
		}
	}
	var digest int64
	b.rows, digest = l.putRow(b.rows, b.columns, rec, b.things, &b.scratch, func() time.Time { return b.complete(l, rec, b.things) })
	b.records = b.putRecord(b.records, l, rec, b.things[l.owner], digest)
	b.inChunk[l.Fields[0].At(rec).(*farm.ID).UUID] = digest
	b.n++
	b.file.Recorded++
	return nil
}

// digest gives the digest a record would have; 0 when it names things that are
// not there.
func (b *eventBatch) digest(ctx context.Context, rec any) int64 {
	pending, problems, err := b.resolve(ctx, b.layout, rec, b.things, b.listed)
	if err != nil || len(pending) > 0 || len(problems) > 0 {
		return 0
	}
	_, digest := b.layout.putRow(nil, b.columns, rec, b.things, &b.scratch, func() time.Time { return time.Time{} })
	return digest
}

// compare handles rows whose ids are known, in their order. Rows of one id
// follow each other in rounds, because each may fill what the next is compared
// with.
func (im *importer) compare(ctx context.Context, l *layout, c *chunk, rows []int, file *FileReport) error {
	for len(rows) > 0 {
		var round, rest []int
		var ids []uuid.UUID
		taken := map[uuid.UUID]bool{}
		for _, i := range rows {
			id := l.Fields[0].At(c.recs[i]).(*farm.ID).UUID
			if taken[id] {
				rest = append(rest, i)
				continue
			}
			taken[id] = true
			round, ids = append(round, i), append(ids, id)
		}
		found, err := im.findKnown(ctx, ids, `ORDER BY id FOR UPDATE`)
		if err != nil {
			return err
		}
		list := make([]known, 0, len(found))
		for _, k := range found {
			if k.kind == l.Kind {
				list = append(list, k)
			}
		}
		stored, err := im.stored(ctx, l, list)
		if err != nil {
			return err
		}
		things := make([]int32, len(l.Fields))
		for n, i := range round {
			if err := im.compareOne(ctx, l, found[ids[n]], stored[ids[n]], &c.rows[i], c.recs[i], things, file); err != nil {
				return err
			}
		}
		rows = rest
	}
	return nil
}

func (im *importer) compareOne(ctx context.Context, l *layout, k known, old any, row *intake.Row, rec any, things []int32, file *FileReport) error {
	var filled bool
	var err error
	if k.kind != l.Kind {
		err = otherKind(l, k)
	} else if old == nil {
		return errGone
	} else {
		filled, err = im.again(ctx, l, old, rec, things, im.listed)
	}
	if err != nil {
		problems, err := refusal(err)
		if err != nil {
			return err
		}
		return im.refused(file, row, append([]fault.Problem(nil), problems...))
	}
	if filled {
		file.Recorded++
	} else {
		file.AlreadyRecorded++
	}
	return nil
}
