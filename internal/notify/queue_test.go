package notify_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/notify"
	"basecourse/internal/store"
)

// board is a receiver of webhooks that counts what it gets by key.
type board struct {
	*httptest.Server
	mu     sync.Mutex
	seen   map[string]int
	status int
	slow   time.Duration
	last   *http.Request
	body   []byte
}

func newBoard(t *testing.T) *board {
	b := &board{seen: map[string]int{}, status: http.StatusNoContent}
	b.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		b.mu.Lock()
		b.seen[r.Header.Get(notify.HeaderKey)]++
		b.last, b.body = r, body
		status, slow := b.status, b.slow
		b.mu.Unlock()
		time.Sleep(slow)
		w.WriteHeader(status)
	}))
	t.Cleanup(b.Close)
	return b
}

func (b *board) got() (keys, all int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.seen {
		all += n
	}
	return len(b.seen), all
}

func (b *board) set(status int, slow time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.status, b.slow = status, slow
}

func loopback(t *testing.T) *notify.Guard {
	t.Helper()
	g, err := notify.ParseGuard("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func tags(n int) (list []string) {
	for i := range n {
		list = append(list, fmt.Sprintf("P-%03d", i+1))
	}
	return list
}

func TestAWebhookGetsSignedJSON(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.hook(t, "board", b.URL+"/in")
	n := notify.New(notify.Config{Store: f.Store, Guard: loopback(t), Link: "https://farm.example/bc"})
	f.tell(t, "P-014")
	f.move(time.Minute)
	drain(t, n)
	if keys, all := b.got(); keys != 1 || all != 1 {
		t.Fatalf("%d keys, %d posts, want 1 of each", keys, all)
	}
	var got map[string]string
	if err := json.Unmarshal(b.body, &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"id": b.last.Header.Get(notify.HeaderKey), "kind": "hold", "at": "2026-03-09T08:00:00Z", "subject_kind": "printer", "subject": "P-014",
		"words": "P-014 is on hold since 2026-03-09 08:00: start no jobs on it.", "link": "https://farm.example/bc/printers/P-014"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("posted %v, want %v", got, want)
	}
	stamp := b.last.Header.Get(notify.HeaderTime)
	if stamp != notices.Stamp(f.Now()) || b.last.Method != "POST" || b.last.Header.Get("Content-Type") != "application/json" {
		t.Errorf("%s at %s as %s", b.last.Method, stamp, b.last.Header.Get("Content-Type"))
	}
	if _, err := exec.LookPath("openssl"); err == nil { // the check of the help, by another program
		cmd := exec.Command("openssl", "dgst", "-sha256", "-hmac", secret, "-r")
		cmd.Stdin = strings.NewReader(stamp + "." + string(b.body))
		out, err := cmd.Output()
		if sum, _, _ := strings.Cut(string(out), " "); err != nil || sum != b.last.Header.Get(notify.HeaderSignature) {
			t.Errorf("signed %s, openssl says %s (%v)", b.last.Header.Get(notify.HeaderSignature), sum, err)
		}
	}
	if sent := f.number(t, `SELECT count(*) FROM deliveries WHERE state = 'sent' AND tries = 1 AND answer = 'answered 204'`); sent != 1 {
		t.Error("the delivery is not noted as sent")
	}
}

func TestTriesWaitLongerAndEndAsGivenUp(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.hook(t, "board", b.URL)
	b.set(http.StatusServiceUnavailable, 0)
	n := notify.New(notify.Config{Store: f.Store, Guard: loopback(t)})
	f.tell(t, "P-014")
	for try := 1; try <= notices.MostTries; try++ {
		drain(t, n)
		if _, all := b.got(); all != try {
			t.Fatalf("%d posts, want %d", all, try)
		}
		wait, again := notices.Wait(try)
		if !again {
			break
		}
		f.move(wait - time.Second)
		drain(t, n)
		if _, all := b.got(); all != try {
			t.Fatalf("a second before try %d: %d posts", try+1, all)
		}
		f.move(2 * time.Second)
	}
	f.move(48 * time.Hour)
	drain(t, n)
	if keys, all := b.got(); keys != 1 || all != notices.MostTries {
		t.Errorf("%d keys, %d posts, want one key and %d posts", keys, all, notices.MostTries)
	}
	dead, err := f.DeadDeliveries(context.Background(), 10)
	if err != nil || len(dead) != 1 || dead[0].To != "board" || dead[0].Answer != "answered 503" || dead[0].Tries != notices.MostTries {
		t.Fatalf("given up: %+v, %v", dead, err)
	}
	if q, err := f.Queues(context.Background()); err != nil || q["deliveries_given_up"] != 1 || q["deliveries_to_send"] != 0 {
		t.Errorf("queues: %v, %v", q, err)
	}
	b.set(http.StatusOK, 0)
	if err := f.RetryDelivery(context.Background(), dead[0].ID); err != nil {
		t.Fatal(err)
	}
	drain(t, n)
	if keys, all := b.got(); keys != 1 || all != notices.MostTries+1 {
		t.Errorf("tried again: %d keys, %d posts, want the same key once more", keys, all)
	}
}

func TestAnAddressInsideIsGivenUpAtOnce(t *testing.T) {
	f := newFarm(t)
	f.hook(t, "board", "https://10.0.0.7/in?key=planted")
	n := notify.New(notify.Config{Store: f.Store})
	f.tell(t, "P-014")
	drain(t, n)
	dead, err := f.DeadDeliveries(context.Background(), 10)
	if err != nil || len(dead) != 1 || dead[0].Tries != 1 || strings.Contains(dead[0].Answer, "planted") {
		t.Fatalf("given up: %+v, %v", dead, err)
	}
}

func TestTwoWorkersSendEachOnce(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.hook(t, "board", b.URL)
	f.tell(t, tags(40)...)
	b.set(http.StatusOK, 5*time.Millisecond)
	var both sync.WaitGroup
	for range 2 {
		n := notify.New(notify.Config{Store: f.Store, Guard: loopback(t)})
		both.Go(func() { drain(t, n) })
	}
	both.Wait()
	if keys, all := b.got(); keys != 40 || all != 40 {
		t.Errorf("%d keys, %d posts, want 40 of each", keys, all)
	}
}

func TestAWebhookSwitchedOffGetsNothing(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.hook(t, "board", b.URL)
	f.tell(t, "P-001")
	if err := f.SwitchWebhook(context.Background(), store.Act{Via: "command"}, "board", false); err != nil {
		t.Fatal(err)
	}
	f.tell(t, "P-002")
	drain(t, notify.New(notify.Config{Store: f.Store, Guard: loopback(t)}))
	if _, all := b.got(); all != 0 || f.number(t, `SELECT count(*) FROM deliveries`) != 0 {
		t.Errorf("%d posts, want none, and nothing waiting", all)
	}
}

// TestAKilledWorkerLosesNothing kills a process of workers in the middle, several
// times: each notice arrives, and only what was under way comes again, under its
// own key.
func TestAKilledWorkerLosesNothing(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.SetClock(time.Now)
	f.hook(t, "board", b.URL)
	b.set(http.StatusOK, 15*time.Millisecond)
	const all = 60
	f.tell(t, tags(all)...)
	const kills = 3
	for round := range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "NOTIFY_TEST_WORKER="+f.url)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(2 * time.Millisecond) {
			if keys, _ := b.got(); keys >= (round+1)*12 {
				break
			}
			if time.Now().After(deadline) {
				_ = cmd.Process.Kill()
				t.Fatal("the worker sends nothing")
			}
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait()
	}
	time.Sleep(50 * time.Millisecond) // what was under way has arrived
	if keys, _ := b.got(); keys == all {
		t.Fatal("everything was sent before the last kill: the test shows nothing")
	}
	f.SetClock(func() time.Time { return time.Now().Add(3 * time.Minute) }) // the leases are over
	drain(t, notify.New(notify.Config{Store: f.Store, Guard: loopback(t)}))
	keys, posts := b.got()
	if keys != all || posts > all+2*kills { // two workers a process
		t.Errorf("%d of %d keys, %d posts, want all and at most %d", keys, all, posts, all+2*kills)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for key, n := range b.seen {
		if n > 2 {
			t.Errorf("%s came %d times, want at most one repeat", key, n)
		}
	}
}
