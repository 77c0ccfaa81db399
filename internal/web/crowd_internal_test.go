package web

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"basecourse/internal/fault"
)

// What machines send lets pages go first, but never for long; few of it are worked on at
// once while people look, and all where nobody does.
func TestPagesGoFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c crowd
		take := func() (time.Duration, func()) {
			t.Helper()
			began := time.Now()
			done, err := c.takeTurn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return time.Since(began), done
		}
		for range 3 * turnsBesidePeople { // nobody looks
			if took, done := take(); took != 0 {
				t.Errorf("with nobody there it waited %s", took)
			} else {
				defer done()
			}
		}
		c.working = 0 // of another farm, say

		answered := c.pageFirst()
		took, done := take() // though the page is not answered
		if took != patientFor {
			t.Errorf("beside a page it waited %s", took)
		}
		done()
		other := c.pageFirst()
		answered()
		answered() // twice is once
		time.AfterFunc(10*time.Millisecond, other)
		if took, done = take(); took != 10*time.Millisecond {
			t.Errorf("beside a page of 10 ms it waited %s", took)
		}
		done()

		var all sync.WaitGroup
		most, working := 0, 0
		var mu sync.Mutex
		for range 5 * turnsBesidePeople {
			all.Go(func() {
				_, done := take()
				mu.Lock()
				working++
				most = max(most, working)
				mu.Unlock()
				time.Sleep(time.Millisecond)
				mu.Lock()
				working--
				mu.Unlock()
				done()
			})
		}
		all.Wait()
		if most != turnsBesidePeople {
			t.Errorf("just after a page %d were worked on at once, want %d", most, turnsBesidePeople)
		}
		time.Sleep(lookFor)
		var dones []func()
		for range 2 * turnsBesidePeople {
			took, done := take()
			if took != 0 {
				t.Errorf("long after a page it waited %s", took)
			}
			dones = append(dones, done)
		}

		// With no turn free whoever leaves, or waits too long, takes none.
		c.pageFirst()()
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Millisecond, cancel)
		if _, err := c.takeTurn(ctx); !fault.Is(err, fault.Busy) {
			t.Errorf("whoever leaves gets %v", err)
		}
		stop := time.AfterFunc(lookFor/2, func() { c.pageFirst()() })
		began := time.Now()
		stay := c.pageFirst()
		if _, err := c.takeTurn(t.Context()); !fault.Is(err, fault.Busy) || time.Since(began) != workersPatience {
			t.Errorf("with no turn free: %v after %s", err, time.Since(began))
		}
		stop.Stop()
		stay()
		for _, done := range dones {
			done()
		}
		if c.working != 0 || len(c.queue) != 0 {
			t.Errorf("left behind: %d under way, %d waiting", c.working, len(c.queue))
		}
	})
}

// Many senders at once are a crowd, for a while.
func TestACrowdIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c crowd
		for i := range crowdFrom {
			if c.many() {
				t.Errorf("%d senders are a crowd", i)
			}
			if _, err := c.takeTurn(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if !c.many() {
			t.Errorf("%d senders at once are no crowd", crowdFrom)
		}
		time.Sleep(crowdFor)
		if c.many() {
			t.Error("there is a crowd for ever")
		}
	})
}
