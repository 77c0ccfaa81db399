package store

import (
	"context"
	"errors"
	"slices"
	"strconv"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

// Batch tells what became of records that were stored together.
type Batch struct {
	Act     int64    // that stored them, now or before; it is what Undo takes back
	Results []Result // in the order given
}

// New tells whether any record was not in the farm before.
func (b Batch) New() bool {
	return slices.ContainsFunc(b.Results, func(r Result) bool { return r.Outcome == Recorded })
}

// RecordAll stores records in one transaction: all of them or none. It is
// otherwise like Record. When some are refused, the refusal has the problems of
// all of them, each with its place as a JSON pointer, /records/INDEX/FIELD; its
// kind is Conflict when any record stands under its id with other content.
// What is recorded without a time of noting is noted now: it is meant for people
// who record what they have done.
func (s *Store) RecordAll(ctx context.Context, act Act, items []intake.Item) (Batch, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var b Batch
	err := s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		b = Batch{Act: w.act, Results: make([]Result, len(items))}
		var refused *fault.Error
		for i := range items {
			result, err := w.one(ctx, items[i])
			if err == nil {
				b.Results[i] = result
			} else if refused, err = alsoRefused(refused, err, i); err != nil {
				return err
			}
		}
		if refused != nil {
			return refused
		}
		if len(items) == 0 || b.New() {
			return nil
		}
		// The same came before: an act that ended the record last, or made it.
		return w.tx.QueryRow(ctx, `SELECT coalesce((SELECT max(act) FROM changes WHERE record = $1 AND field IN ('released_at', 'removed_at', 'grade', 'unseen')),
			(SELECT act FROM records WHERE id = $1))`, b.Results[0].ID.UUID).Scan(&b.Act)
	})
	if err != nil {
		return Batch{}, wrap("store.RecordAll", err)
	}
	return b, nil
}

func (w *writer) one(ctx context.Context, item intake.Item) (Result, error) {
	switch {
	case item.Err != nil:
		return Result{ID: item.ID}, item.Err
	case item.Kind == intake.KindVoid:
		return w.void(ctx, item.Rec.(*intake.Void))
	}
	return w.event(ctx, item)
}

// alsoRefused adds the refusal of record i to those before it. What is no
// refusal of the record itself comes back as err.
func alsoRefused(all *fault.Error, err error, i int) (*fault.Error, error) {
	var e *fault.Error
	if !errors.As(err, &e) || e.Kind != fault.Invalid && e.Kind != fault.Conflict && e.Kind != fault.Forbidden {
		return nil, err
	}
	if all == nil {
		all = &fault.Error{Kind: e.Kind, Detail: e.Detail}
	} else if e.Kind == fault.Conflict {
		all.Kind, all.Detail = e.Kind, e.Detail
	}
	for _, p := range e.Problems {
		if p.Pointer == "" && p.Column != "" {
			p.Pointer = "/" + p.Column
		}
		p.Pointer, p.Column = "/records/"+strconv.Itoa(i)+p.Pointer, ""
		all.Problems = append(all.Problems, p)
	}
	return all, nil
}
