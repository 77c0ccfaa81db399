package store

import (
	"sync"
	"sync/atomic"
	"time"
)

// People look while machines record in a crowd: then people come first.
const (
	// patientFor is how long a transaction of many machines' records lets pages go
	// first. One goes at least this often, with all that waits, however many look.
	patientFor = 50 * time.Millisecond

	crowdFrom = 8           // senders in one transaction that are a crowd
	crowdFor  = time.Second // how long it is one after that
)

// crowd knows who looks, who records, and what people did.
type crowd struct {
	mu    sync.Mutex
	pages int           // that somebody waits for
	none  chan struct{} // closed when the last of them is answered

	met  atomic.Int64 // when a crowd was last met, by the machine's own clock
	said atomic.Int64 // what was written through this program otherwise than by a crowd of machines
}

// PageFirst says that somebody waits for a page: until the function given is called,
// and for a moment at most, records that machines send at once stay in their queue, so
// that they do not take the processor and the disk from it.
func (s *Store) PageFirst() (answered func()) {
	c := s.crowd
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.pages == 0 {
		c.none = make(chan struct{})
	}
	c.pages++
	return sync.OnceFunc(func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.pages--; c.pages == 0 {
			close(c.none)
		}
	})
}

// letPagesGo returns when nobody waits for a page, or after a while.
func (c *crowd) letPagesGo() {
	c.mu.Lock()
	pages, none := c.pages, c.none
	c.mu.Unlock()
	if pages == 0 {
		return
	}
	late := time.NewTimer(patientFor)
	defer late.Stop()
	select {
	case <-none:
	case <-late.C:
	}
}

// note takes in who recorded together.
func (c *crowd) note(calls []*call) {
	if len(calls) >= crowdFrom {
		c.met.Store(time.Now().UnixNano())
	}
	for _, x := range calls {
		if x.act.Via != "api" {
			c.said.Add(1)
			return
		}
	}
}

// ManyRecord tells whether machines recorded in a crowd within the last second,
// through this program.
func (s *Store) ManyRecord() bool {
	age := time.Duration(time.Now().UnixNano() - s.crowd.met.Load())
	return age >= 0 && age < crowdFor
}

// Said counts what was written through this program otherwise than in a crowd of
// machines: while it stays, no person has done anything here.
func (s *Store) Said() int64 { return s.crowd.said.Load() }
