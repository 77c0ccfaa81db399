package notify

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/store"
)

// Config is what a Notifier works with.
type Config struct {
	Store *store.Store
	Farm  Farm // nil: only holds are watched
	Log   *slog.Logger
	Link  string // what people type, with the base path: "https://farm.example/bc"; "" not known
	Guard *Guard // nil: public addresses only
	Mail  *Mail  // nil: no mail is sent
}

// Notifier watches and sends.
type Notifier struct {
	cfg    Config
	client *http.Client
	told   map[string]bool // what was said in the log already, until it works again
	mu     sync.Mutex
}

// New makes one.
func New(cfg Config) *Notifier {
	if cfg.Guard == nil {
		cfg.Guard = &Guard{}
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &Notifier{cfg: cfg, client: cfg.Guard.client(), told: map[string]bool{}}
}

// Workers and waits of the queue.
const (
	senders   = 2
	idlePause = 2 * time.Second
	lease     = 2 * time.Minute // longer than any try may take
)

// Run watches and sends until ctx ends; what is being sent is ended first.
func (n *Notifier) Run(ctx context.Context) {
	var work sync.WaitGroup
	defer work.Wait()
	for range senders {
		work.Go(func() { n.sendAll(ctx) })
	}
	work.Go(func() { n.watch(ctx) })
}

func (n *Notifier) sendAll(ctx context.Context) {
	for ctx.Err() == nil {
		some, err := n.SendOne(ctx)
		n.say(ctx, "the queue of notices", err)
		if some && err == nil {
			continue
		}
		pause(ctx, idlePause)
	}
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// say logs what goes wrong once, until it works again.
func (n *Notifier) say(ctx context.Context, what string, err error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if err != nil && ctx.Err() == nil && !n.told[what] {
		n.cfg.Log.Warn(what+" does not work just now", "error", err.Error())
	}
	n.told[what] = err != nil
}

// SendOne takes one delivery that is due and tries to send it; false: none is due.
func (n *Notifier) SendOne(ctx context.Context) (bool, error) {
	d, err := n.cfg.Store.TakeDelivery(ctx, lease)
	if err != nil || d == nil {
		return false, err
	}
	// A try that has begun is ended and noted, so that stopping repeats nothing.
	ctx = context.WithoutCancel(ctx)
	if d.Tries > notices.MostTries { // whoever had it last died each time
		return true, n.cfg.Store.EndDelivery(ctx, d, false, "given up: whoever sent it was stopped each time", 0)
	}
	var answer string
	if d.Way == "mail" {
		answer, err = n.mail(ctx, d)
	} else {
		answer, err = n.post(ctx, d)
	}
	var final gone
	switch {
	case err == nil:
		return true, n.cfg.Store.EndDelivery(ctx, d, true, answer, 0)
	case fault.Is(err, fault.NotFound):
		return true, n.cfg.Store.DropDelivery(ctx, d)
	case fault.Is(err, fault.Busy): // the database: the lease brings it up again
		return true, err
	case errors.As(err, &final):
		return true, n.cfg.Store.EndDelivery(ctx, d, false, final.Error(), 0)
	}
	wait, again := notices.Wait(d.Tries)
	if !again {
		wait = 0
	}
	return true, n.cfg.Store.EndDelivery(ctx, d, false, err.Error(), wait)
}

// link gives an address people can open; "" where the program's own is not known.
func (n *Notifier) link(path string) string {
	if n.cfg.Link == "" {
		return ""
	}
	return n.cfg.Link + path
}

// MailReady tells whether mail can be sent.
func (n *Notifier) MailReady() bool { return n.cfg.Mail != nil && n.cfg.Link != "" }

// CheckURL tells what is wrong with the address of a webhook; nil: nothing that
// can be seen before it is resolved.
func (n *Notifier) CheckURL(text string) error { return n.cfg.Guard.CheckURL(text) }
