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

// reading is one reading, asked for as of the time of who came last.
type reading[T any] struct {
	version store.DataVersion
	at      time.Time
	window  time.Duration
	read    func(ctx context.Context, at time.Time) (T, error)

	value T
	err   error
	done  chan struct{}
}

// read gives the reading as of now, by read where the one that is kept is of other
// data or too old. version must have been read before.
func (k *kept[T]) read(ctx context.Context, version store.DataVersion, now time.Time, window time.Duration, read func(ctx context.Context, at time.Time) (T, error)) (T, error) {
	k.mu.Lock()
	if r := k.last; r != nil && !version.IsZero() && r.version == version && r.window == window {
		if age := now.Sub(r.at); age >= 0 && age < keptFor {
			k.mu.Unlock()
			return r.value, nil
		}
	}
	if k.next != nil && k.next.window != window || // the setting changes just now
		k.running && time.Since(k.began) > stuckAfter {
		k.mu.Unlock()
		return read(ctx, now)
	}
	if k.next == nil {
		k.next = &reading[T]{done: make(chan struct{})}
	}
	r := k.next
	r.version, r.at, r.window, r.read = version, now, window, read
	if !k.running {
		k.running, k.began = true, time.Now()
		go k.run(context.WithoutCancel(ctx))
	}
	k.mu.Unlock()
	select {
	case <-r.done:
		return r.value, r.err
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
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
		close(r.done)
	}
}

func (r *reading[T]) once(ctx context.Context) {
	defer func() {
		if x := recover(); x != nil {
			r.err = fmt.Errorf("reading the farm: %v", x)
		}
	}()
	r.value, r.err = r.read(ctx, r.at)
}
