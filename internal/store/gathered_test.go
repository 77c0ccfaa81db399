package store

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
)

// Lookups at once share queries, each sees what was there when it came, and a failure
// reaches those who asked with it.
func TestGathered(t *testing.T) {
	var truth, queries atomic.Int64
	failing := atomic.Bool{}
	g := &gathered[int, int64]{ask: func(_ context.Context, keys []int) (map[int]int64, error) {
		queries.Add(1)
		if failing.Load() {
			return nil, errors.New("away")
		}
		m := map[int]int64{}
		for _, k := range keys {
			if k >= 0 {
				m[k] = truth.Load()
			}
		}
		return m, nil
	}}
	var all sync.WaitGroup
	for i := range 64 {
		all.Go(func() {
			for range 200 {
				at := truth.Add(1)
				v, found, err := g.get(context.Background(), i)
				if err != nil || !found || v < at {
					t.Errorf("%d at %d: %d %v %v", i, at, v, found, err)
					return
				}
			}
		})
	}
	all.Wait()
	if n := queries.Load(); n > 64*200 {
		t.Errorf("%d queries", n)
	}
	if _, found, err := g.get(context.Background(), -1); found || err != nil {
		t.Errorf("what is not there: %v %v", found, err)
	}
	failing.Store(true)
	if _, _, err := g.get(context.Background(), 1); err == nil {
		t.Error("a failure was not told")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	failing.Store(false)
	if _, _, err := g.get(ctx, 1); err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
