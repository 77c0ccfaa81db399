package store

import (
	"context"
	"sync"
)

// gathered lets lookups that come at once share a query: each is answered by a query
// that began after it came, so that it sees whatever was committed before.
type gathered[K comparable, V any] struct {
	ask func(ctx context.Context, keys []K) (map[K]V, error)

	mu      sync.Mutex
	next    *asking[K, V]
	running bool
}

type asking[K comparable, V any] struct {
	keys  map[K]struct{}
	found map[K]V
	err   error
	done  chan struct{}
}

// get gives the value of a key, and whether there is one.
func (g *gathered[K, V]) get(ctx context.Context, key K) (v V, found bool, err error) {
	g.mu.Lock()
	if g.next == nil {
		g.next = &asking[K, V]{keys: map[K]struct{}{}, done: make(chan struct{})}
	}
	mine := g.next
	mine.keys[key] = struct{}{}
	if !g.running {
		g.running = true
		go g.run(context.WithoutCancel(ctx))
	}
	g.mu.Unlock()
	select {
	case <-mine.done:
	case <-ctx.Done():
		return v, false, ctx.Err()
	}
	v, found = mine.found[key]
	return v, found, mine.err
}

func (g *gathered[K, V]) run(ctx context.Context) {
	for {
		g.mu.Lock()
		a := g.next
		g.next = nil
		g.running = a != nil
		g.mu.Unlock()
		if a == nil {
			return
		}
		g.once(ctx, a)
	}
}

func (g *gathered[K, V]) once(ctx context.Context, a *asking[K, V]) {
	ctx, cancel := brief(ctx)
	defer cancel()
	defer close(a.done)
	keys := make([]K, 0, len(a.keys))
	for k := range a.keys {
		keys = append(keys, k)
	}
	a.found, a.err = g.ask(ctx, keys)
}
