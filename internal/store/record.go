package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Outcome of recording one record that was not refused.
type Outcome string

// The outcomes.
const (
	Recorded        Outcome = "recorded"
	AlreadyRecorded Outcome = "already_recorded"
)

// Result tells what became of one record.
type Result struct {
	ID      farm.ID // of the record; for a void, of the record it voids
	Outcome Outcome
	Created []Created // things made by name alone, because the record named them
}

// Record stores one record, parsed by intake, in a transaction of its own; when
// it returns without an error the record is durable. Sending a record again is
// safe: nothing new is AlreadyRecorded, empty fields that may be filled are
// filled, other content under a known id is a Conflict with the fields that
// differ. An unknown printer or plate is Invalid; unknown materials, people,
// jobs and instruments are created by name. A record that arrives twice at once
// is stored once. Problems have the field in Column.
func (s *Store) Record(ctx context.Context, act Act, item intake.Item) (Result, error) {
	if item.Err != nil {
		return Result{}, item.Err
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	var result Result
	err := s.write(ctx, act, func(w *writer) error {
		var err error
		result, err = w.one(ctx, item)
		result.Created = w.created
		return err
	})
	if err != nil {
		return Result{ID: item.ID}, wrap("store.Record", err)
	}
	return result, nil
}

func (w *writer) event(ctx context.Context, item intake.Item) (Result, error) {
	l := layouts[item.Kind]
	if l == nil || l.Kind != item.Kind {
		return Result{}, fmt.Errorf("no table for records of kind %q", item.Kind)
	}
	rec := item.Rec
	result := Result{ID: item.ID, Outcome: Recorded}
	things := make([]int32, len(l.Fields))
	pending, problems, err := w.resolve(ctx, l, rec, things, nil)
	if err != nil {
		return result, err
	}
	// Somebody may have sent this id before; then things it names need not be
	// known any more than they were then. Where all are, the insert finds out.
	if len(pending)+len(problems) > 0 {
		if k, found, err := w.lockKnown(ctx, item.ID.UUID); err != nil {
			return result, err
		} else if found {
			clear(things)
			result.Outcome, err = w.onceMore(ctx, l, k, rec, things)
			return result, err
		}
	}
	if len(problems) > 0 {
		return result, fault.At(problems...)
	}
	if err := w.createPending(ctx, l, rec, things, pending); err != nil {
		return result, err
	}
	given := l.New()
	for i := range l.Fields {
		l.Fields[i].Copy(given, rec)
	}
	var scratch []byte
	row, digest := l.all.putRow(append([]byte(nil), copyHeader...), rec, things, &scratch,
		func() time.Time { return w.complete(l, rec, things) })
	// The insert waits for anybody who is recording the same id at this moment.
	owner := l.ownerOf(things)
	tag, err := w.tx.Exec(ctx, `INSERT INTO records (id, happened_at, arrived_at, digest, act, owner, kind)
		VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (id) DO NOTHING`,
		item.ID.UUID, *l.Fields[l.When].At(rec).(*time.Time), *l.Fields[l.arrived].At(rec).(*time.Time), digest, w.act,
		max(owner, -owner), string(l.Kind))
	if err != nil {
		return result, err
	}
	if tag.RowsAffected() == 0 {
		k, found, err := w.lockKnown(ctx, item.ID.UUID)
		if err != nil || !found {
			return result, errors.Join(err, errGone)
		}
		result.Outcome, err = w.onceMore(ctx, l, k, given, things)
		return result, err
	}
	if f, ok := rec.(*farm.FirstLayer); ok {
		w.touch(f.StartedAt)
	}
	_, err = w.tx.Conn().PgConn().CopyFrom(ctx, strings.NewReader(string(append(row, copyTrailer...))), l.all.copySQL)
	return result, err
}

func (w *writer) lockKnown(ctx context.Context, id uuid.UUID) (k known, found bool, err error) {
	rows, err := w.tx.Query(ctx, `SELECT `+knownColumns+` FROM records WHERE id = $1 FOR UPDATE`, id)
	if err != nil {
		return k, false, err
	}
	k, err = pgx.CollectExactlyOneRow(rows, scanKnown)
	if errors.Is(err, pgx.ErrNoRows) {
		return k, false, nil
	}
	return k, err == nil, err
}

// onceMore handles a record whose id is known; k is locked.
func (w *writer) onceMore(ctx context.Context, l *layout, k known, rec any, things []int32) (Outcome, error) {
	if k.kind != l.Kind {
		return "", otherKind(l, k)
	}
	found, err := w.stored(ctx, l, []known{k})
	if err != nil {
		return "", err
	}
	old := found[k.id]
	if old == nil {
		return "", fmt.Errorf("%w: %s %s", errGone, l.Kind, k.id)
	}
	filled, err := w.again(ctx, l, old, rec, things, nil)
	if err != nil {
		return "", err
	}
	if filled {
		return Recorded, nil
	}
	return AlreadyRecorded, nil
}

func otherKind(l *layout, k known) error {
	return &fault.Error{Kind: fault.Conflict, Detail: "other content is recorded under this id", Problems: []fault.Problem{{
		Column: l.Fields[0].Name, Found: "the id of a " + string(k.kind), Expected: "an id of its own for this " + string(l.Kind)}}}
}

// identify finds the one record an id text means, whatever its kind.
func (w *writer) identify(ctx context.Context, field, text string) (known, error) {
	var candidates []uuid.UUID
	for _, kind := range farm.EventKinds {
		if id, err := farm.NewID(kind, text); err == nil {
			candidates = append(candidates, id.UUID)
		}
	}
	rows, err := w.tx.Query(ctx, `SELECT `+knownColumns+` FROM records WHERE id = ANY ($1) ORDER BY id FOR UPDATE`, candidates)
	if err != nil {
		return known{}, err
	}
	list, err := pgx.CollectRows(rows, scanKnown)
	switch {
	case err != nil:
		return known{}, err
	case len(list) == 0:
		return known{}, fault.At(fault.Problem{Column: field, Found: text, Expected: "the id of a record that is in the farm: send that one first"})
	case len(list) > 1:
		return known{}, fault.At(fault.Problem{Column: field, Found: text, Expected: "a UUID, because records of several kinds have this text for an id"})
	}
	return list[0], nil
}

// void voids a record, and notes on the record that replaces it which one it
// replaces.
func (w *writer) void(ctx context.Context, v *intake.Void) (Result, error) {
	k, err := w.identify(ctx, "record", v.Record)
	if err != nil {
		return Result{}, err
	}
	l := layouts[k.kind]
	found, err := w.stored(ctx, l, []known{k})
	if err != nil {
		return Result{}, err
	}
	old := found[k.id]
	if old == nil {
		return Result{}, fmt.Errorf("%w: %s %s", errGone, k.kind, k.id)
	}
	result := Result{ID: *l.Fields[0].At(old).(*farm.ID), Outcome: AlreadyRecorded}
	given := l.New()
	*l.Fields[l.voided].At(given).(*time.Time) = v.VoidedAt
	*l.Fields[l.Field("voided_by")].At(given).(*string) = v.VoidedBy
	*l.Fields[l.Field("void_reason")].At(given).(*string) = v.VoidReason
	filled, err := w.again(ctx, l, old, given, make([]int32, len(l.Fields)), nil)
	if err != nil {
		return result, err
	}
	if filled {
		result.Outcome = Recorded
	}
	if v.ReplacedBy != "" {
		noted, err := w.replace(ctx, l, k, old, v.ReplacedBy)
		if err != nil {
			return result, err
		}
		if noted {
			result.Outcome = Recorded
		}
	}
	return result, nil
}

// replace notes on the record by which another is replaced that it replaces it.
func (w *writer) replace(ctx context.Context, l *layout, wrong known, was any, by string) (noted bool, err error) {
	wrongID := *l.Fields[0].At(was).(*farm.ID)
	k, err := w.identify(ctx, "replaced_by", by)
	if err != nil {
		return false, err
	}
	if k.kind != wrong.kind || k.id == wrong.id {
		return false, fault.At(fault.Problem{Column: "replaced_by", Found: by, Expected: "another record of kind " + string(wrong.kind)})
	}
	found, err := w.stored(ctx, l, []known{k})
	if err != nil {
		return false, err
	}
	old := found[k.id]
	if old == nil {
		return false, fmt.Errorf("%w: %s %s", errGone, k.kind, k.id)
	}
	replaces := l.Fields[l.Field("replaces")].At(old).(*farm.ID)
	switch {
	case replaces.UUID == wrong.id:
		return false, nil
	case !replaces.IsZero():
		return false, &fault.Error{Kind: fault.Conflict, Detail: "the replacement already replaces another record",
			Problems: []fault.Problem{{Column: "replaced_by", Found: by, Expected: "a record that replaces nothing yet; this one replaces " + replaces.Text()}}}
	}
	w.changed(k.kind, k.id, "replaces", "", wrongID.Text())
	_, err = w.tx.Exec(ctx, `UPDATE `+l.Name+` t SET replaces = $4, replaces_ref = nullif($5, '') WHERE `+l.ownerMatch("$1")+
		` AND t.`+l.whenColumn()+` = $2 AND t.id = $3`, k.owner, k.happenedAt, k.id, wrong.id, wrongID.Ref)
	if err != nil {
		return false, err
	}
	return true, w.staysDrawn(ctx, l, was, old)
}

// staysDrawn lets a first layer that replaces a wrong one stay drawn as that was: whoever
// corrects a record cannot say what the look list drew, and nothing is drawn twice.
func (w *writer) staysDrawn(ctx context.Context, l *layout, was, by any) error {
	f, ok := was.(*farm.FirstLayer)
	if !ok || f.LookDrawn == "" {
		return nil
	}
	if now := by.(*farm.FirstLayer); now.LookDrawn != "" || farm.Known(now.LookChance) {
		return nil
	}
	given := l.New()
	to := given.(*farm.FirstLayer)
	to.LookDrawn, to.LookChance = f.LookDrawn, f.LookChance
	_, err := w.again(ctx, l, by, given, make([]int32, len(l.Fields)), nil)
	return err
}

// digestOf is the first eight bytes of a SHA-256 as the number it is kept as.
func digestOf(sum [32]byte) int64 { return int64(binary.BigEndian.Uint64(sum[:8])) }
