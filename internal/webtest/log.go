package webtest

import (
	"bytes"
	"sync"
)

// Log keeps what a server logs.
type Log struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

// Write adds a line.
func (l *Log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

// String gives everything so far.
func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}
