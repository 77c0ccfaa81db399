package store

import (
	"context"
	"errors"
	"sync"

	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
)

// Each tells what became of one record of several that do not depend on one
// another: its result, or the refusal.
type Each struct {
	Result Result
	Err    error
}

// Records that are new and whole go together, those of many callers in one
// transaction; what is a repeat, voids or names something that is not there goes
// alone, as Record takes it.
const (
	togetherMost   = 256 // records in a transaction, but that a caller's are not parted
	togetherAtOnce = 2   // transactions: one is being written while another is made durable
	aloneAtOnce    = 4   // so that pages find a connection while many record
)

// call is what a caller wants recorded together.
type call struct {
	ctx   context.Context
	act   Act
	items []intake.Item
	each  []Each
	aside []bool // not recorded: goes alone
	taken bool   // by a transaction, or given up by its caller
	done  chan struct{}
}

// together gathers calls for the transactions to come.
type together struct {
	mu      sync.Mutex
	waiting []*call
	running int
	alone   chan struct{} // one place for each record that goes alone
}

// RecordEach stores records one by one, each as an act of its own: the outcome of
// each is what Record gives for it alone, in the order given, and a refused one
// hides no other. When it returns, what is recorded is durable. An error says that
// the database does not answer, or that it is not known what became of some: then all
// are to be sent again.
func (s *Store) RecordEach(ctx context.Context, act Act, items []intake.Item) ([]Each, error) {
	each := make([]Each, len(items))
	aside := make([]bool, len(items))
	for from := 0; from < len(items); {
		to := from
		for ids := map[uuid.UUID]bool{}; to < len(items) && mayJoin(&items[to]) && !ids[items[to].ID.UUID]; to++ {
			ids[items[to].ID.UUID] = true
		}
		if to > from {
			if err := s.recordTogether(ctx, &call{ctx: ctx, act: act, items: items[from:to], each: each[from:to], aside: aside[from:to], done: make(chan struct{})}); err != nil {
				return nil, err
			}
		} else {
			aside[to] = true
			to++
		}
		for i := from; i < to; i++ {
			if aside[i] {
				if each[i].Result, each[i].Err = s.recordAlone(ctx, act, items[i]); each[i].Err != nil {
					each[i].Result.ID = items[i].ID
				}
			}
			if err := each[i].Err; fault.Is(err, fault.Busy) || errors.Is(err, ErrUnknownOutcome) {
				return nil, err
			}
		}
		from = to
	}
	return each, nil
}

func mayJoin(item *intake.Item) bool {
	if item.Err != nil || item.Kind == intake.KindVoid {
		return false
	}
	l := layouts[item.Kind]
	return l != nil && l.Kind == item.Kind && l.Event
}

func (s *Store) recordAlone(ctx context.Context, act Act, item intake.Item) (Result, error) {
	select {
	case s.together.alone <- struct{}{}:
		defer func() { <-s.together.alone }()
	case <-ctx.Done():
		return Result{}, fault.Wrap(fault.Busy, ctx.Err(), "Too much is recorded at once. Send it again in a moment.")
	}
	return s.Record(ctx, act, item)
}

// recordTogether waits until a transaction has taken a call. A caller that leaves
// before takes its call back; after that it has to wait, for what it sent is being
// written.
func (s *Store) recordTogether(ctx context.Context, c *call) error {
	t := s.together
	t.mu.Lock()
	t.waiting = append(t.waiting, c)
	if t.running < togetherAtOnce {
		t.running++
		go s.runTogether()
	}
	t.mu.Unlock()
	select {
	case <-c.done:
		return nil
	case <-ctx.Done():
	}
	t.mu.Lock()
	left := !c.taken
	c.taken = true
	t.mu.Unlock()
	if left {
		return fault.Wrap(fault.Busy, ctx.Err(), "Too much is recorded at once. Send it again in a moment.")
	}
	<-c.done
	return nil
}

// runTogether records calls until none waits.
func (s *Store) runTogether() {
	t := s.together
	for {
		var calls []*call
		t.mu.Lock()
		n := 0
		for len(t.waiting) > 0 && (n == 0 || n+len(t.waiting[0].items) <= togetherMost) {
			if c := t.waiting[0]; !c.taken {
				c.taken = true
				calls = append(calls, c)
				n += len(c.items)
			}
			t.waiting = t.waiting[1:]
		}
		if len(calls) == 0 {
			t.running--
			t.mu.Unlock()
			return
		}
		t.mu.Unlock()
		s.oneTogether(calls)
	}
}

// oneTogether records calls in one transaction. Where that fails by anything but
// the connection, nothing of it is stored and each goes alone, to its own outcome.
func (s *Store) oneTogether(calls []*call) {
	ctx, cancel := brief(context.WithoutCancel(calls[0].ctx))
	defer cancel()
	list := make([]*joined, 0, togetherMost)
	seen := map[uuid.UUID]bool{}
	for _, c := range calls {
		for i := range c.items {
			if id := c.items[i].ID.UUID; seen[id] {
				c.aside[i] = true
			} else {
				seen[id] = true
				list = append(list, &joined{act: &c.act, item: &c.items[i], each: &c.each[i], aside: &c.aside[i]})
			}
		}
	}
	err := errUnfinished
	defer func() {
		_ = recover() // whose record it is meets it again, where its request is
		for _, j := range list {
			switch {
			case err == nil:
			case errors.Is(err, ErrUnknownOutcome), broken(err):
				*j.each, *j.aside = Each{Result: Result{ID: j.item.ID}, Err: wrap("store.RecordEach", err)}, false
			default:
				*j.each, *j.aside = Each{}, true
			}
		}
		for _, c := range calls {
			close(c.done)
		}
	}()
	if err = s.join(ctx, list); err == nil {
		for _, c := range calls {
			if c.act.Via != "api" {
				s.count(c.act)
			}
		}
		s.tell()
	}
}

var errUnfinished = errors.New("a transaction of many did not come to its end")

// joined is one record of a transaction of many.
type joined struct {
	act   *Act
	item  *intake.Item
	each  *Each
	aside *bool
}
