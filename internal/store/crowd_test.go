package store_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// While somebody waits for a page, what machines send waits, but never for long; and
// many senders at once are noticed.
func TestPagesGoFirst(t *testing.T) {
	s, _ := farmWithThings(t)
	send := func(id string) error {
		item := intake.ParseRecord([]byte(fmt.Sprintf(`{"kind":"probe","id":%q,"printer":"R-1","probed_at":"2026-03-01T07:00:00Z"}`, id)), "", clock)
		each, err := s.RecordEach(context.Background(), store.Act{Via: "api"}, []intake.Item{item})
		if err == nil {
			err = each[0].Err
		}
		return err
	}
	before := s.Said()
	answered := s.PageFirst()
	began := time.Now()
	if err := send("S-1"); err != nil { // though the page is never answered
		t.Fatal(err)
	}
	if took := time.Since(began); took < 50*time.Millisecond {
		t.Errorf("it was recorded after %s, beside a page", took)
	}
	if s.ManyRecord() {
		t.Error("one sender is a crowd")
	}
	other := s.PageFirst()
	answered()
	answered() // twice is once
	other()
	for round := range 3 { // how many meet in a transaction is not certain
		answered = s.PageFirst()
		var all sync.WaitGroup
		for i := range 30 {
			all.Go(func() {
				if err := send(fmt.Sprintf("S-%d-%d", round, i)); err != nil {
					t.Error(err)
				}
			})
		}
		time.Sleep(20 * time.Millisecond)
		answered()
		all.Wait()
		if s.ManyRecord() {
			break
		}
	}
	if !s.ManyRecord() {
		t.Error("thirty senders at once are no crowd")
	}
	if n := s.Said(); n != before {
		t.Errorf("machines count as people: %d, was %d", n, before)
	}
	each, err := s.RecordEach(context.Background(), store.Act{Via: "page"}, []intake.Item{intake.ParseRecord([]byte(`{"kind":"probe","id":"S-9","printer":"R-1","probed_at":"2026-03-01T07:00:00Z"}`), "", clock)})
	if err != nil || each[0].Err != nil {
		t.Fatal(err, each)
	}
	if n := s.Said(); n != before+1 {
		t.Errorf("what a person did is not noticed: %d, was %d", n, before)
	}
}
