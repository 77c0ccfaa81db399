package web

import (
	"sync"
	"time"

	"basecourse/internal/store"
)

// keptFor is how long a reading of the farm as of now stands for the moments
// after it while nothing is written. Only what was recorded ahead of a clock that
// goes wrong could change in that time.
const keptFor = 30 * time.Second

// kept is the last reading of something of the whole farm, given again while the
// farm's data has the version it had before the reading. What it gives is shared:
// nobody changes it.
type kept[T any] struct {
	mu      sync.Mutex
	version store.DataVersion
	at      time.Time
	window  time.Duration
	value   T
}

// read gives the reading as of now, by read where the one that is kept is of other
// data or too old. version must have been read before.
func (k *kept[T]) read(version store.DataVersion, now time.Time, window time.Duration, read func() (T, error)) (T, error) {
	k.mu.Lock()
	age := now.Sub(k.at)
	if !version.IsZero() && k.version == version && k.window == window && age >= 0 && age < keptFor {
		defer k.mu.Unlock()
		return k.value, nil
	}
	k.mu.Unlock()
	value, err := read()
	if err != nil {
		return value, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.version, k.at, k.window, k.value = version, now, window, value
	return value, nil
}
