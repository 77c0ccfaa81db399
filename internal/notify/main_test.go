package notify_test

import (
	"context"
	"os"
	"sync"
	"testing"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/notify"
	"basecourse/internal/store"
	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

func TestMain(m *testing.M) {
	if url := os.Getenv("NOTIFY_TEST_WORKER"); url != "" {
		worker(url) // until it is killed
	}
	os.Exit(m.Run())
}

// worker sends what is due, as the program does.
func worker(url string) {
	ctx := context.Background()
	st, err := store.Open(ctx, url)
	if err != nil {
		panic(err)
	}
	g, err := notify.ParseGuard("127.0.0.1")
	if err != nil {
		panic(err)
	}
	notify.New(notify.Config{Store: st, Guard: g}).Run(ctx)
}

// farmAt is a farm with a clock that stands until it is moved.
type farmAt struct {
	*store.Store
	url  string
	mu   sync.Mutex
	now  time.Time
	conn *pgx.Conn
}

func (f *farmAt) move(d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = f.now.Add(d)
}

var start = time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)

func newFarm(t *testing.T) *farmAt {
	t.Helper()
	f := &farmAt{url: testdb.New(t), now: start}
	ctx := context.Background()
	var err error
	if f.Store, err = store.Open(ctx, f.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Store.Close)
	f.SetClock(func() time.Time { f.mu.Lock(); defer f.mu.Unlock(); return f.now })
	if f.conn, err = pgx.Connect(ctx, f.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.conn.Close(ctx) })
	return f
}

func (f *farmAt) exec(t *testing.T, sql string, args ...any) {
	t.Helper()
	if _, err := f.conn.Exec(context.Background(), sql, args...); err != nil {
		t.Fatal(err)
	}
}

func (f *farmAt) number(t *testing.T, sql string, args ...any) (n int) {
	t.Helper()
	if err := f.conn.QueryRow(context.Background(), sql, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// person adds somebody who may sign in and gives their number.
func (f *farmAt) person(t *testing.T, handle string) int32 {
	t.Helper()
	if err := f.AddAccount(context.Background(), store.Act{Via: "command"}, handle, "operator", "x"); err != nil {
		t.Fatal(err)
	}
	return int32(f.number(t, `SELECT id FROM people WHERE person = $1`, handle))
}

// byMail lets somebody have everything by mail.
func (f *farmAt) byMail(t *testing.T, person int32, address, stop string, inShifts bool) {
	t.Helper()
	f.exec(t, `INSERT INTO mail_addresses (person, address, asked_at, confirmed_at, stop_key) VALUES ($1, $2, $3, $3, $4)`, person, address, start, stop)
	if err := f.SaveNoticeSettings(context.Background(), person, store.NoticeSettings{Hold: "mail", Finding: "mail", Job: "mail", InShifts: inShifts}); err != nil {
		t.Fatal(err)
	}
}

func (f *farmAt) hook(t *testing.T, name, url string) {
	t.Helper()
	if err := f.AddWebhook(context.Background(), store.Act{Via: "command"}, store.Webhook{Name: name, URL: url, Kinds: []string{"hold", "finding", "job"}}, []byte(secret)); err != nil {
		t.Fatal(err)
	}
}

const secret = "0123456789abcdef0123456789abcdef"

// tell tells holds on printers, one by one.
func (f *farmAt) tell(t *testing.T, tags ...string) {
	t.Helper()
	for _, tag := range tags {
		n, err := f.Tell(context.Background(), []notices.Notice{notices.Hold("printer", tag, f.Now(), time.UTC)}, time.UTC)
		if err != nil || n != 1 {
			t.Fatalf("telling of %s: %d, %v", tag, n, err)
		}
	}
}

// drain sends until nothing is due.
func drain(t *testing.T, n *notify.Notifier) {
	t.Helper()
	for {
		some, err := n.SendOne(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if !some {
			return
		}
	}
}
