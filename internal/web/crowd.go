package web

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"basecourse/internal/fault"
)

// People look while machines record in a crowd: then people come first.
const (
	// patientFor is how long a machine's records let pages go first: they are taken at
	// least this often, however many look.
	patientFor = 50 * time.Millisecond
	// turnsBesidePeople is how many machines' requests are worked on at once while
	// people look: what is under way when a page is asked for takes the processors
	// and the disk from it.
	turnsBesidePeople = 3
	lookFor           = time.Second // how long people look, after a page

	crowdFrom = 8           // requests at once that are a crowd
	crowdFor  = time.Second // how long it is one after that
)

// crowd lets people's pages go before machines' records.
type crowd struct {
	mu      sync.Mutex
	pages   int       // that somebody waits for
	looked  time.Time // when the last was answered
	working int       // machines' requests under way
	queue   []*turn   // those that wait, the first come first

	met atomic.Int64 // when there was a crowd last, by the machine's own clock
}

// turn is one machine's request that waits for its turn.
type turn struct {
	came time.Time
	come chan struct{} // closed when it may go on
}

// pageFirst says that somebody waits for a page, until the function given is called.
func (c *crowd) pageFirst() (answered func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pages++
	return sync.OnceFunc(func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.pages--
		c.looked = time.Now()
		c.letGo(c.looked)
	})
}

// takeTurn waits until a machine's request may be worked on; the function given says
// that it is done.
func (c *crowd) takeTurn(ctx context.Context) (done func(), err error) {
	t := &turn{came: time.Now(), come: make(chan struct{})}
	c.mu.Lock()
	c.queue = append(c.queue, t)
	if len(c.queue)+c.working >= crowdFrom {
		c.met.Store(t.came.UnixNano())
	}
	c.letGo(t.came)
	c.mu.Unlock()
	done = sync.OnceFunc(func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.working--
		c.letGo(time.Now())
	})
	patience := time.NewTimer(patientFor)
	defer patience.Stop()
	late := time.NewTimer(workersPatience)
	defer late.Stop()
	for {
		select {
		case <-t.come:
			return done, nil
		case now := <-patience.C:
			c.mu.Lock()
			c.letGo(now)
			c.mu.Unlock()
			continue
		case <-late.C:
			err = fault.New(fault.Busy, "Too much is going on at once. Try again in a moment.")
		case <-ctx.Done():
			err = fault.Wrap(fault.Busy, ctx.Err(), "The sender went away.")
		}
		if !c.leave(t) { // its turn came at this very moment
			done()
		}
		return nil, err
	}
}

// letGo gives their turn to those whose turn it is. The caller holds the lock.
func (c *crowd) letGo(now time.Time) {
	look := c.looks(now)
	for len(c.queue) > 0 {
		t := c.queue[0]
		if look && c.working >= turnsBesidePeople || c.pages > 0 && now.Sub(t.came) < patientFor {
			return
		}
		c.queue = c.queue[1:]
		c.working++
		close(t.come)
	}
}

// look tells whether somebody looks at pages, or did a moment ago.
func (c *crowd) look() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.looks(time.Now())
}

func (c *crowd) looks(now time.Time) bool { return c.pages > 0 || now.Sub(c.looked) < lookFor }

// leave takes a request out of the queue, and tells whether it still stood there.
func (c *crowd) leave(t *turn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, x := range c.queue {
		if x == t {
			c.queue = append(c.queue[:i:i], c.queue[i+1:]...)
			return true
		}
	}
	return false
}

// many tells whether machines recorded in a crowd within the last second, through this
// program.
func (c *crowd) many() bool {
	age := time.Duration(time.Now().UnixNano() - c.met.Load())
	return age >= 0 && age < crowdFor
}
