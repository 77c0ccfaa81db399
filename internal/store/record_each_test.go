package store_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// Forty senders at once share transactions: what one sends wrong or twice does
// nothing to the others, every record has an act of its own with its sender's name,
// and the trail holds.
func TestManySendersShareTransactions(t *testing.T) {
	s, url := farmWithThings(t)
	ctx := context.Background()
	layer := func(id int) string {
		return fmt.Sprintf(`{"kind":"first_layer","id":"F-%d","printer":"R-1","plate":"T-1","started_at":"2026-03-01T07:00:00Z","grade":"clean","job":"O-1"}`, id)
	}
	var all sync.WaitGroup
	var mu sync.Mutex
	outcomes := map[string]int{}
	for sender := range 40 {
		all.Go(func() {
			for round := range 5 {
				n := 5*sender + round
				bodies := []string{layer(n), layer(n - n%2), fmt.Sprintf(`{"kind":"probe","id":"P-%d","printer":"R-9","probed_at":"2026-03-01T07:00:00Z"}`, n),
					fmt.Sprintf(`{"kind":"cleaning","id":"C-%d","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","person":"new %d"}`, n, n%3)}
				if round == 4 { // and one to a request
					bodies = bodies[:1]
				}
				items := make([]intake.Item, len(bodies))
				for i, b := range bodies {
					items[i] = intake.ParseRecord([]byte(b), "", clock)
				}
				each, err := s.RecordEach(ctx, store.Act{Via: "api", Device: fmt.Sprintf("tablet %d", sender)}, items)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				for i, e := range each {
					outcome := string(e.Result.Outcome)
					if e.Err != nil {
						outcome = string(fault.KindOf(e.Err))
					}
					outcomes[string(items[i].Kind)+" "+outcome]++
				}
				mu.Unlock()
			}
		})
	}
	all.Wait()
	// Of the 360 layers, 160 are those of somebody else or the same again.
	want := map[string]int{"first_layer recorded": 200, "first_layer already_recorded": 160, "probe invalid": 160, "cleaning recorded": 160}
	for k, n := range want {
		if outcomes[k] != n {
			t.Errorf("%s: %d, want %d (of %v)", k, outcomes[k], n, outcomes)
		}
	}
	conn := connect(t, url)
	for sql, want := range map[string]int{
		`SELECT count(*)::int FROM first_layers WHERE underside = 'shown'`:                                                       200,
		`SELECT count(*)::int FROM records r JOIN acts a ON a.id = r.act WHERE a.device LIKE 'tablet %'`:                         360,
		`SELECT count(DISTINCT r.act)::int FROM records r JOIN acts a ON a.id = r.act WHERE a.device LIKE 'tablet %'`:            360,
		`SELECT count(*)::int FROM acts a WHERE a.device LIKE 'tablet %' AND a.id NOT IN (SELECT act FROM records)`:              160, // the repeats
		`SELECT count(*)::int FROM people WHERE person LIKE 'new %'`:                                                             3,
		`SELECT count(*)::int FROM records r JOIN acts a ON a.id = r.act WHERE a.device LIKE 'tablet %' AND r.arrived_at = a.at`: 360,
	} {
		if got := one[int](t, conn, sql); got != want {
			t.Errorf("%s: %d, want %d", sql, got, want)
		}
	}
	if n, err := s.Seal(ctx); err != nil || n == 0 {
		t.Fatal(n, err)
	}
	if a, err := s.Verify(ctx, ""); err != nil || len(a.Breaks) > 0 {
		t.Errorf("the trail does not hold: %v %v", a, err)
	}
}

// Who leaves before anything of it is written has recorded nothing; after that the
// answer waits for what is being written.
func TestWhoLeavesEarlyIsToldWhatBecameOfIt(t *testing.T) {
	s, url := farmWithThings(t)
	told := 0
	for i := range 30 {
		ctx, cancel := context.WithCancel(context.Background())
		if i%2 == 0 {
			cancel()
		} else {
			go cancel()
		}
		items := []intake.Item{intake.ParseRecord(fmt.Appendf(nil, `{"kind":"first_layer","id":"F-%d","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`, i), "", clock)}
		each, err := s.RecordEach(ctx, byAPI, items)
		cancel()
		switch {
		case err != nil && !fault.Is(err, fault.Busy):
			t.Error(err)
		case err == nil && each[0].Err == nil:
			told++
		}
	}
	if n := one[int](t, connect(t, url), `SELECT count(*)::int FROM first_layers`); n != told {
		t.Errorf("%d are stored, %d were told to be", n, told)
	}
}

// Somebody who is writing one of the ids keeps nobody else's record waiting.
func TestAnIdThatIsBeingWrittenKeepsNobodyElseWaiting(t *testing.T) {
	s, url := farmWithThings(t)
	ctx := context.Background()
	conn := connect(t, url)
	held := intake.ParseRecord([]byte(`{"kind":"first_layer","id":"F-held","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`), "", clock)
	tx, err := conn.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(ctx, `INSERT INTO records (id, happened_at, arrived_at, digest, act, owner, kind) SELECT $1, now(), now(), 0, max(id), 1, 'first_layer' FROM acts`, held.ID.UUID); err != nil {
		t.Fatal(err)
	}
	waits := make(chan error)
	go func() {
		each, err := s.RecordEach(ctx, byAPI, []intake.Item{held})
		if err == nil {
			err = each[0].Err
		}
		waits <- err
	}()
	began := time.Now()
	for i := range 20 {
		item := intake.ParseRecord(fmt.Appendf(nil, `{"kind":"first_layer","id":"F-%d","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`, i), "", clock)
		if each, err := s.RecordEach(ctx, byAPI, []intake.Item{item}); err != nil || each[0].Err != nil {
			t.Error(each, err)
		}
	}
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("the others waited %s", took)
	}
	if err := tx.Rollback(ctx); err != nil {
		t.Fatal(err)
	}
	if err := <-waits; err != nil {
		t.Error(err)
	}
}
