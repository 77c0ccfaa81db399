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
// five probes and sixteen bits an id or more): "no" is sure, a wrong "maybe" is
// one in some hundred or rarer and is then looked up in the database, where the rows before
// already are. So memory does not grow with a map of all ids.
type seenIDs struct {
	bits []uint64
	mask uint64
}

func newSeenIDs(expected int64) *seenIDs {
	n := uint64(1 << 16)
	for n < uint64(max(expected, 0))*16 && n < 1<<31 {
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
	for range 5 {
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
// stands in this very chunk waits until the chunk is stored. While the indexes
// are away (import_fresh.go) rows that would be looked up wait for them.
func (im *importer) events(ctx context.Context, c *chunk, file *FileReport) error {
	if err := im.eventsAgainst(ctx, c, file, !im.fresh); err != nil {
		return err
	}
	if len(im.deferred) > mostDeferred {
		return im.settle(ctx)
	}
	return nil
}

// eventsAgainst is events; all says that every id may be known.
func (im *importer) eventsAgainst(ctx context.Context, c *chunk, file *FileReport, all bool) error {
	l := layouts[c.table.Kind]
	if err := im.anew(ctx, l, c, file); err != nil {
		return err
	}
	maybe := im.maybeKnown(l, c, all)
	knownIDs, err := im.lookUp(ctx, l, c, maybe)
	if err != nil {
		return err
	}
	batch := &eventBatch{importer: im, rowForm: l.form(c.present), file: file,
		rows: append(im.copier.buffer(), copyHeader...), records: append(im.copier.buffer(), copyHeader...),
		things: make([]int32, len(l.Fields))}
	if im.lifted == nil {
		batch.inChunk = make(map[uuid.UUID]int64, c.n)
	} else {
		batch.named = im.named.of(l)
	}
	var later []int
	for i := range c.n {
		row, rec := &c.rows[i], c.recs[i]
		if len(row.Problems) > 0 {
			if err := im.refused(c.file, row, row.Problems); err != nil {
				return err
			}
			continue
		}
		id := l.Fields[0].At(rec).(*farm.ID).UUID
		if !maybe[i] { // the filter knows the chunk's own ids too
			if err := batch.add(ctx, c, row, rec); err != nil {
				return err
			}
			continue
		}
		digest, here := batch.inChunk[id]
		k, found := knownIDs[id]
		switch {
		case here && digest == batch.digest(ctx, rec), found && k.kind == l.Kind && k.digest == batch.digest(ctx, rec):
			file.AlreadyRecorded++
		case im.lifted != nil:
			im.wait(c, i)
		case here || found:
			later = append(later, i)
		default:
			if err := batch.add(ctx, c, row, rec); err != nil {
				return err
			}
		}
	}
	if batch.n > 0 {
		im.copier.send(copyRecords, append(batch.records, copyTrailer...))
		im.copier.send(batch.copySQL, append(batch.rows, copyTrailer...))
	}
	return im.compare(ctx, l, c, later, file)
}

// maybeKnown tells by row whether its id may be in the farm already.
func (im *importer) maybeKnown(l *layout, c *chunk, all bool) []bool {
	maybe := make([]bool, c.n)
	for i := range c.n {
		if len(c.rows[i].Problems) == 0 {
			maybe[i] = im.seen.add(l.Fields[0].At(c.recs[i]).(*farm.ID).UUID) || all
		}
	}
	return maybe
}

// lookUp finds which of a chunk's ids are known already.
func (im *importer) lookUp(ctx context.Context, l *layout, c *chunk, maybe []bool) (map[uuid.UUID]known, error) {
	if im.lifted != nil {
		return nil, nil
	}
	var ids []uuid.UUID
	for i := range c.n {
		if maybe[i] {
			ids = append(ids, l.Fields[0].At(c.recs[i]).(*farm.ID).UUID)
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
	*rowForm
	file          *FileReport
	rows, records []byte
	scratch       []byte
	n             int
	inChunk       map[uuid.UUID]int64 // digests by id; nil while the indexes are away
	things        []int32
	named         []*[]uint64 // see namedThings; none while the tables' own checks are in force
}

func (b *eventBatch) add(ctx context.Context, c *chunk, row *intake.Row, rec any) error {
	l := b.rowForm.layout
	pending, problems, err := b.resolve(ctx, l, rec, b.things, b.listed)
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		return b.refused(c.file, row, b.placed(problems))
	}
	if len(pending) > 0 {
		if err := b.copier.wait(); err != nil {
			return err
		}
		if err := b.createPending(ctx, l, rec, b.things, pending); err != nil {
			return err
		}
	}
	note(b.named, b.things)
	if f, ok := rec.(*farm.FirstLayer); ok {
		b.touch(f.StartedAt)
	}
	var digest int64
	b.rows, digest = b.putRow(b.rows, rec, b.things, &b.scratch, func() time.Time { return b.complete(l, rec, b.things) })
	b.records = b.putRecord(b.records, l, rec, l.ownerOf(b.things), digest)
	if b.inChunk != nil {
		b.inChunk[l.Fields[0].At(rec).(*farm.ID).UUID] = digest
	}
	b.n++
	b.file.Recorded++
	return nil
}

// digest gives the digest a record would have; 0 when it names things that are
// not there.
func (b *eventBatch) digest(ctx context.Context, rec any) int64 {
	pending, problems, err := b.resolve(ctx, b.rowForm.layout, rec, b.things, b.listed)
	if err != nil || len(pending) > 0 || len(problems) > 0 {
		return 0
	}
	_, digest := b.putRow(nil, rec, b.things, &b.scratch, func() time.Time { return time.Time{} })
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
			if err := im.compareOne(ctx, l, found[ids[n]], stored[ids[n]], c, i, things, file); err != nil {
				return err
			}
		}
		rows = rest
	}
	return nil
}

func (im *importer) compareOne(ctx context.Context, l *layout, k known, old any, c *chunk, i int, things []int32, file *FileReport) error {
	row, rec := &c.rows[i], c.recs[i]
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
		return im.refused(c.file, row, im.placed(append([]fault.Problem(nil), problems...)))
	}
	if filled {
		file.Recorded++
	} else {
		file.AlreadyRecorded++
	}
	return nil
}
