package assess

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// leanPercent is how much may lie about while a farm is computed, in percent of what
// is in use: that is some hundred megabytes on a large farm, without pointers, so that
// collecting it more often costs little. Where less than leanFrom is in use, as much may
// lie about.
const (
	leanPercent = 30
	leanFrom    = 256 << 20
)

// light tells whether little is in use, by what was when memory was collected last: what
// lies about since then is none of it. It holds for a farm whose rows are kept alone: what
// the others take is not there yet.
func light() bool {
	use := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(use)
	return use[0].Value.Uint64() < leanFrom
}

// tidy collects what computing a large farm left, once it is answered: the next answer
// then finds that memory and need not ask the system for more, which on many machines
// takes longer than computing.
func tidy() {
	if !light() {
		runtime.GC()
	}
}

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
