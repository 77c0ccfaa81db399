package webtest

import (
	"bytes"
	"regexp"
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

// counted is what a line makes up by itself.
var counted = regexp.MustCompile(`"time":"[0-9T:.+Z-]+",?|"request":"[0-9a-f]{16}",?|"(micros|bytes)":[0-9]+,?`)

// Said gives everything so far without times, numbers of requests, durations and sizes:
// a PIN of four digits is found in those now and then by chance.
func (l *Log) Said() string {
	return counted.ReplaceAllString(l.String(), "")
}
