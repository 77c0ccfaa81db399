package localdb

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// lock is a held flock. The kernel drops it when the process dies, however it
// dies, and children keep it for the moment before they become another program
// (Go opens files close-on-exec).
type lock struct{ f *os.File }

// release gives the lock back; releasing nil or twice does nothing.
func (l *lock) release() {
	if l != nil && l.f != nil {
		l.f.Close()
		l.f = nil
	}
}

// flock opens path and locks it without waiting; nil, nil when another holds it.
func flock(path string, how int, a account) (*lock, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("localdb: lock: %w", err)
	}
	if err := a.own(path); err != nil {
		f.Close()
		return nil, err
	}
	for {
		err = unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	switch {
	case err == nil:
		return &lock{f}, nil
	case errors.Is(err, unix.EWOULDBLOCK):
		f.Close()
		return nil, nil
	default:
		f.Close()
		return nil, fmt.Errorf("localdb: lock %s: %w", path, err)
	}
}

func tryLockFile(path string, a account) (*lock, error) { return flock(path, unix.LOCK_EX, a) }

// shareFile takes a shared lock; only ever called while holding "start", so
// nobody can hold it exclusively.
func shareFile(path string, a account) (*lock, error) {
	l, err := flock(path, unix.LOCK_SH, a)
	if l == nil && err == nil {
		err = fmt.Errorf("localdb: %s is locked by a process that does not follow the order of locks", path)
	}
	return l, err
}

// lockFile waits for the lock until ctx ends.
func lockFile(ctx context.Context, path string, a account) (*lock, error) {
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		l, err := tryLockFile(path, a)
		if l != nil || err != nil {
			return l, err
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
}
