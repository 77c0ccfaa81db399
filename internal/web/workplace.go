package web

import (
	"context"
	"io"
	"slices"
	"sync"
	"time"

	"basecourse/internal/fault"
)

// workplace is a request's place among those that may touch the database.
type workplace struct {
	server  *Server
	asked   context.Context
	page    bool // somebody waits for a page
	machine bool // a machine records

	mu   sync.Mutex
	held []func() // what gives it back; nil: it has none
}

// take waits for a place, for a while, and a machine for its turn.
func (p *workplace) take() error {
	s, held := p.server, []func(){}
	if p.machine {
		done, err := s.crowd.takeTurn(p.asked)
		if err != nil {
			s.metrics.refused.WithLabelValues("full").Inc()
			return err
		}
		held = append(held, done)
	}
	wait := time.NewTimer(workersPatience)
	defer wait.Stop()
	var full error
	select {
	case s.working <- struct{}{}:
		held = append(held, func() { <-s.working })
		if p.page {
			held = append(held, s.crowd.pageFirst())
		}
	case <-wait.C:
		s.metrics.refused.WithLabelValues("full").Inc()
		full = fault.New(fault.Busy, "Too much is going on at once. Try again in a moment.")
	case <-p.asked.Done():
		full = fault.Wrap(fault.Busy, p.asked.Err(), "The sender went away.")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.held = held
	if full != nil {
		p.giveBack()
	}
	return full
}

// leave gives the place to another request.
func (p *workplace) leave() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.giveBack()
}

func (p *workplace) giveBack() {
	for _, f := range slices.Backward(p.held) {
		f()
	}
	p.held = nil
}

// sendingPatience is how long a place is kept for somebody whose body is on its way.
const sendingPatience = 50 * time.Millisecond

// sending is a body on its way. Whoever takes long to send it holds no place meanwhile,
// or a few dozen who send a byte a second would keep everybody else out; the place is
// taken again when all is there. Uploads in parts, which are not read to their very
// end, go on without one: they have limits of their own.
type sending struct {
	io.ReadCloser
	place *workplace
	begun bool
	ended bool // by place.mu
}

func (b *sending) Read(p []byte) (int, error) {
	if !b.begun {
		b.begun = true
		time.AfterFunc(sendingPatience, func() {
			b.place.mu.Lock()
			defer b.place.mu.Unlock()
			if !b.ended {
				b.place.giveBack()
			}
		})
	}
	n, err := b.ReadCloser.Read(p)
	if err == nil {
		return n, nil
	}
	b.place.mu.Lock()
	b.ended = true
	held := b.place.held != nil
	b.place.mu.Unlock()
	if !held {
		if full := b.place.take(); full != nil {
			return n, full
		}
	}
	return n, err
}
