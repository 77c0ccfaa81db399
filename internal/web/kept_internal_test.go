package web

import (
	"context"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// What is kept is given while the data is the same; of older data only to whoever does
// not mind, for a second, and never of before something that a person did.
func TestWhatIsKept(t *testing.T) {
	old, newer := twoVersions(t)
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	first := asked{version: old, now: at, said: 7}
	for name, c := range map[string]struct {
		ask   asked
		given int // which reading
	}{
		"the same data":                        {asked{version: old, now: at.Add(20 * time.Second), said: 8}, 1},
		"the same data, too old":               {asked{version: old, now: at.Add(keptFor), said: 7}, 2},
		"a clock that went back":               {asked{version: old, now: at.Add(-time.Second), said: 7}, 2},
		"other data":                           {asked{version: newer, now: at.Add(lateFor / 2), said: 7}, 2},
		"other data, late":                     {asked{version: newer, now: at.Add(lateFor / 2), said: 7, late: true}, 1},
		"other data, late, a second":           {asked{version: newer, now: at.Add(lateFor), said: 7, late: true}, 2},
		"other data, late, a person did it":    {asked{version: newer, now: at.Add(lateFor / 2), said: 8, late: true}, 2},
		"other data, late, another setting":    {asked{version: newer, now: at.Add(lateFor / 2), said: 7, late: true, window: time.Hour}, 2},
		"other data, late, a clock went back":  {asked{version: newer, now: at.Add(-time.Millisecond), said: 7, late: true}, 2},
		"the version is not known: a new farm": {asked{now: at, said: 7}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			var k kept[int]
			n := 0
			done := make(chan struct{}, 9)
			read := func(context.Context, time.Time) (int, error) {
				n++
				done <- struct{}{}
				return n, nil
			}
			if r, err := k.read(t.Context(), first, read); err != nil || r.value != 1 || r.version != old {
				t.Fatalf("first: %+v %v", r, err)
			}
			<-done
			r, err := k.read(t.Context(), c.ask, read)
			if err != nil || r.value != c.given {
				t.Fatalf("got reading %d, want %d (%v)", r.value, c.given, err)
			}
			want := old
			if c.given == 2 {
				want = c.ask.version
			}
			if r.version != want {
				t.Errorf("got version %s, want %s", r.version, want)
			}
			if c.ask.late && c.given == 1 { // and the next one is of the new data
				<-done
				for k.busy() {
					time.Sleep(time.Millisecond)
				}
				if r, err := k.read(t.Context(), c.ask, read); err != nil || r.value != 2 || r.version != newer {
					t.Errorf("after it: %+v %v", r, err)
				}
			}
		})
	}
}

// twoVersions gives the versions of a farm's data before and after a tablet came.
func twoVersions(t *testing.T) (old, newer store.DataVersion) {
	s, err := store.Open(t.Context(), testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	var seen []store.DataVersion
	for i, name := range []string{"north", "south"} {
		if _, err := s.AddTablet(t.Context(), store.Act{Via: "command"}, name, "", [32]byte{byte(i)}, time.Now().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		v, err := s.DataVersion(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		seen = append(seen, v)
	}
	return seen[0], seen[1]
}

func (k *kept[T]) busy() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.running
}
