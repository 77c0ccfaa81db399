package assess

import (
	"runtime/debug"
	"sync"
)

// leanPercent is how much may lie about while a farm is computed, in percent of what
// is in use: that is some hundred megabytes on a large farm, without pointers, so that
// collecting it more often costs little.
const leanPercent = 30

var lean struct {
	sync.Mutex
	busy, was int
}

// leanly lets memory be collected more often until what it gives is called.
func leanly() (ended func()) {
	lean.Lock()
	defer lean.Unlock()
	if lean.busy == 0 {
		if lean.was = debug.SetGCPercent(leanPercent); lean.was < leanPercent {
			debug.SetGCPercent(lean.was) // somebody chose less, or none
		}
	}
	lean.busy++
	return func() {
		lean.Lock()
		defer lean.Unlock()
		if lean.busy--; lean.busy == 0 {
			debug.SetGCPercent(lean.was)
		}
	}
}
