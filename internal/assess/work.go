package assess

import (
	"context"
	"errors"
	"time"
)

// work is what is told about computing, for whoever watches the process.
type work struct {
	runs, failed int64
	took         time.Duration
	ended        time.Time
}

// note counts a computation; one that nobody waited for any longer did not fail.
func (w *work) note(err error, took time.Duration) {
	w.runs++
	if err != nil && !errors.Is(err, context.Canceled) {
		w.failed++
	}
	w.took, w.ended = took, time.Now()
}

// Work gives how often the farm was read and computed and how often that failed,
// how long the last took and when it ended (zero: never).
func (a *Assessor) Work() (runs, failed int64, took time.Duration, ended time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.work.runs, a.work.failed, a.work.took, a.work.ended
}
