package web

import (
	"context"
	"fmt"
	"sync"
	"time"

	"basecourse/internal/store"
)

// keptFor is how long a reading of the farm as of now stands for the moments
// after it while nothing is written. Only what was recorded ahead of a clock that
// goes wrong could change in that time.
const keptFor = 30 * time.Second

// kept is the last reading of something of the whole farm, given again while the
// farm's data has the version it had before the reading. Where much is written, those
// who come while one reading is under way share the next one, so that each is given what
// was there when it came and nobody reads beside another. What it gives is shared: nobody
// changes it.
type kept[T any] struct {
	mu      sync.Mutex
	last    *reading[T]
	next    *reading[T]
	running bool
	began   time.Time // when the reading that is under way was begun
}

// stuckAfter is how long a reading may be under way before those who come read for
// themselves instead of waiting for its end.
const stuckAfter = time.Second

// lateFor is how old a reading may be that whoever does not mind (asked.late) is given
// while a new one is under way, which is begun when it is freshFor old.
const (
	lateFor  = time.Second
	freshFor = lateFor / 2
)

// asked is what a reading is to be of. What it says must have been read before the
// reading is asked for.
type asked struct {
	version store.DataVersion
	now     time.Time
	window  time.Duration // in which a start that only says when it was sent counts after a probe
	said    int64         // what people had done (store.Said)
	late    bool          // what machines sent in the last second may be missing
}

// reading is one reading, of what was asked by who came last.
type reading[T any] struct {
	asked
	read func(ctx context.Context, at time.Time) (T, error)

	value T
	err   error
	done  chan struct{}
}

// read gives a reading of what is asked, by read where the one that is kept is of other
// data or too old. Which version it is of stands in it.
func (k *kept[T]) read(ctx context.Context, a asked, read func(ctx context.Context, at time.Time) (T, error)) (*reading[T], error) {
	k.mu.Lock()
	if r := k.last; r != nil && !a.version.IsZero() && r.window == a.window {
		age := a.now.Sub(r.now)
		same := r.version == a.version
		if age >= 0 && (same && age < keptFor || a.late && r.said == a.said && age < lateFor) {
			if !same && age >= freshFor && (k.next == nil || k.next.window == a.window) {
				_ = k.ask(ctx, a, read) // for who comes next
			}
			k.mu.Unlock()
			return r, nil
		}
	}
	if k.next != nil && k.next.window != a.window || // the setting changes just now
		k.running && time.Since(k.began) > stuckAfter {
		k.mu.Unlock()
		value, err := read(ctx, a.now)
		return &reading[T]{asked: a, value: value}, err
	}
	r := k.ask(ctx, a, read)
	k.mu.Unlock()
	select {
	case <-r.done:
		return r, r.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// ask has the next reading be of what is asked. The caller holds the lock.
func (k *kept[T]) ask(ctx context.Context, a asked, read func(ctx context.Context, at time.Time) (T, error)) *reading[T] {
	if k.next == nil {
		k.next = &reading[T]{done: make(chan struct{})}
	} else if k.next.now.After(a.now) {
		a.now = k.next.now // of the latest who wait
	}
	k.next.asked, k.next.read = a, read
	r := k.next
	if !k.running {
		k.running, k.began = true, time.Now()
		go k.run(context.WithoutCancel(ctx))
	}
	return r
}

// run reads until nobody waits.
func (k *kept[T]) run(ctx context.Context) {
	for {
		k.mu.Lock()
		r := k.next
		k.next, k.running, k.began = nil, r != nil, time.Now()
		k.mu.Unlock()
		if r == nil {
			return
		}
		r.once(ctx)
		if r.err == nil {
			k.mu.Lock()
			k.last = r
			k.mu.Unlock()
		}
		r.read = nil // what it holds of its request is not needed any more
		close(r.done)
	}
}

func (r *reading[T]) once(ctx context.Context) {
	defer func() {
		if x := recover(); x != nil {
			r.err = fmt.Errorf("reading the farm: %v", x)
		}
	}()
	r.value, r.err = r.read(ctx, r.now)
}
