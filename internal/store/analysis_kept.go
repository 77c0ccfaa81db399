package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// KeptAnalysis reads the farm as Store.Analysis does, and keeps what it read in
// memory (some hundred bytes a first layer with its probes): the next reading
// takes only what acts since then recorded, filled or voided. It answers what
// reading all would, to the bit. For a process that reads again and again.
type KeptAnalysis struct {
	store *Store
	busy  chan struct{} // one reads at a time

	reach time.Duration // how far back from the last start rows stay row by row

	rows             *analysisRows // nil: nothing is kept
	past             *pastRows     // what lies before rows; nil: nothing
	printers, plates numbering
	things           [2]int
	startWindow      int64        // of the farm, as in exposure.History
	last             int64        // newest act that is in rows
	pending          []pendingAct // older ones that may not be
	read             time.Time    // when all was read

	whole, part int // readings
}

// How long kept rows are added to before all is read anew, as a precaution; how
// many first layers are kept at most; and among how many of the newest acts those
// that are not committed yet are looked for when all is read.
const (
	keptFor  = 24 * time.Hour
	keptMost = 4_000_000
	lookBack = 100_000
	// Numbers of acts are given a moment before their transaction has a number of
	// its own, so that one alone does not tell that an act will never come.
	pendingLeast = time.Minute
)

// KeepAnalysis makes one. Nothing is read yet. What lies further back from the last start
// than reach is kept apart (Analysis.Past) where that is a good part of all; 0: never.
func (s *Store) KeepAnalysis(reach time.Duration) *KeptAnalysis {
	return &KeptAnalysis{store: s, busy: make(chan struct{}, 1), reach: reach}
}

// take waits until nobody else reads; whoever took it gives it back by busy.
func (k *KeptAnalysis) take(ctx context.Context) error {
	select {
	case k.busy <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Analysis reads the farm as of a time, as Store.Analysis does without knownAt, but for
// what Past has. The history's lists are shared and must not be changed.
func (k *KeptAnalysis) Analysis(ctx context.Context, at time.Time) (*Analysis, error) {
	if err := k.take(ctx); err != nil {
		return nil, err
	}
	defer func() { <-k.busy }()
	r, whole, err := k.reading(ctx)
	if err != nil {
		return nil, wrap("store.KeptAnalysis", err)
	}
	if whole {
		k.whole++
	} else {
		k.part++
	}
	r.fromPast(at.UnixMicro(), k.past)
	return r.a, nil
}

// MoveUp puts more of the rows apart, where a good part more lies further back than reach
// by now, and gives the analysis as of a time then; nil where there is nothing to do. It
// is for when nobody waits for an answer: that the next rests on less makes it no other.
func (k *KeptAnalysis) MoveUp(ctx context.Context, at time.Time) (*Analysis, error) {
	if err := k.take(ctx); err != nil {
		return nil, err
	}
	defer func() { <-k.busy }()
	if k.rows == nil || !k.divide() {
		return nil, nil
	}
	r, _, err := k.reading(ctx)
	if err != nil {
		return nil, wrap("store.KeptAnalysis", err)
	}
	r.fromPast(at.UnixMicro(), k.past)
	return r.a, nil
}

// Kept tells whether rows are kept, so that the next reading takes only what changed.
func (k *KeptAnalysis) Kept() bool {
	select {
	case k.busy <- struct{}{}:
		defer func() { <-k.busy }()
		return k.rows != nil
	default:
		return false // it is being read
	}
}

// Readings tells how often all was read, and how often only what had changed.
func (k *KeptAnalysis) Readings() (whole, part int) {
	k.busy <- struct{}{}
	defer func() { <-k.busy }()
	return k.whole, k.part
}

// reading reads what changed, or all: then whole is true.
func (k *KeptAnalysis) reading(ctx context.Context) (r *analysisReader, whole bool, err error) {
	tx, err := k.store.long(ctx)
	if err != nil {
		return nil, false, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	r = &analysisReader{ctx: ctx, tx: tx, a: &Analysis{}}
	if err := r.readThings(); err != nil {
		return nil, false, err
	}
	seen, err := k.see(r)
	if err != nil {
		return nil, false, err
	}
	done := false
	if k.rows != nil && time.Since(k.read) < keptFor && r.a.Version.last >= k.last {
		if done, err = k.follow(r, seen); err != nil {
			return nil, false, err
		}
	}
	if !done {
		k.rows, k.past = nil, nil // the old rows go before the new ones come
		r.since, r.rows = nil, &analysisRows{}
		if err := r.readAll(k.store); err != nil {
			return nil, false, err
		}
		k.read = time.Now()
	}
	if len(r.rows.h.Starts)+k.past.starts() > keptMost {
		k.rows, k.past = nil, nil
		return r, !done, nil
	}
	k.printers, k.plates = r.printers, r.plates
	k.things = [2]int{len(r.a.Printers), len(r.a.Plates)}
	k.startWindow = r.a.History.StartWindow
	k.rows = r.rows
	if !done {
		k.divide()
		r.rows = k.rows
	}
	k.last, k.pending = r.a.Version.last, seen.pending
	return r, !done, nil
}

// follow brings the kept rows up to the reader's instant; false where all must be
// read.
func (k *KeptAnalysis) follow(r *analysisReader, seen *actsSeen) (bool, error) {
	rows, past := k.rows, k.past
	printers, movedPrinters, ok := k.printers.moves(r.printers, k.things[0])
	plates, movedPlates, also := k.plates.moves(r.plates, k.things[1])
	if !ok || !also {
		return false, nil
	}
	if r.a.Version.last == k.last && len(seen.late) == 0 {
		r.rows = rows
	} else {
		r.since = sinceRows(rows, past, k.last, seen.late)
		ok, err := r.readChanged(k.store, rows.size()+past.size())
		if err != nil || !ok {
			return false, err
		}
		if past = past.follow(r); past == nil && k.past != nil {
			return false, nil
		}
	}
	k.past = past
	var moved *moves
	if movedPrinters || movedPlates {
		moved = &moves{printers, plates}
	}
	switch {
	case r.since != nil:
		r.rows = rows.merge(r.rows, &r.since.void, moved)
	case moved != nil:
		r.rows = rows.merge(&analysisRows{latest: rows.latest}, &[analysisLists][]bool{}, moved)
	}
	return true, nil
}

// actsSeen is what a reading can see of acts.
type actsSeen struct {
	late    []int64      // that could not be seen before
	pending []pendingAct // that cannot be seen yet
}

// see finds which acts became visible since the rows were read, and which may
// become so later: a number is given when an act begins and seen when it ends.
func (k *KeptAnalysis) see(r *analysisReader) (*actsSeen, error) {
	var oldest, next int64 // transactions: all before the oldest have ended
	if err := r.tx.QueryRow(r.ctx, `SELECT pg_snapshot_xmin(s)::text::bigint, pg_snapshot_xmax(s)::text::bigint FROM pg_current_snapshot() s`).Scan(&oldest, &next); err != nil {
		return nil, err
	}
	after, missing := k.last, []int64{}
	if k.rows == nil {
		after = max(0, r.a.Version.last-lookBack)
	}
	visible, err := r.acts(fmt.Sprintf("id > %d", after))
	if err != nil {
		return nil, err
	}
	for _, id := range visible {
		for after++; after < id; after++ {
			missing = append(missing, after)
		}
	}
	seen := &actsSeen{}
	if k.rows != nil && len(k.pending) > 0 {
		list := make([]string, len(k.pending))
		for i, p := range k.pending {
			list[i] = fmt.Sprint(p.id)
		}
		if seen.late, err = r.acts("id IN (" + strings.Join(list, ", ") + ")"); err != nil {
			return nil, err
		}
		for _, p := range k.pending {
			_, came := slices.BinarySearch(seen.late, p.id)
			if !came && (oldest < p.before || time.Since(p.missed) < pendingLeast) {
				seen.pending = append(seen.pending, p)
			}
		}
	}
	now := time.Now()
	for _, id := range missing {
		seen.pending = append(seen.pending, pendingAct{id, next, now})
	}
	return seen, nil
}

// acts gives the numbers of visible acts, in order.
func (r *analysisReader) acts(where string) ([]int64, error) {
	rows, err := r.tx.Query(r.ctx, `SELECT id FROM acts WHERE `+where+` ORDER BY id`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}
