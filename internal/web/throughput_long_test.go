//go:build long

package web_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/localdb"
	"basecourse/internal/store"
	"basecourse/internal/webtest"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

const (
	apiClients = 50
	apiRound   = 8 * time.Second
	apiRounds  = 3
	apiBatch   = 100
)

// Records through the API, one a request, from 50 clients at once on a durable
// cluster, beside the same rows put into equal tables by as many connections with
// prepared single statements: all that a record is (its act, its place among the ids
// and itself, in one statement), and, told beside it, the record's own row alone.
// Batches beside them. Then clients write while one reader opens Floor, Grade and
// Trends. The bars: 0.7 times the inserts of all rows; p99 of a page at most 5 times its
// median without load, and 500 ms.
func TestApiThroughput(t *testing.T) {
	ctx := context.Background()
	home, err := os.MkdirTemp("", "basecourse-speed-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cluster.Close(ctx) })
	if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	url := cluster.URL("farm")
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	if r, err := st.ImportFarm(ctx, store.Act{Via: "import"}, recent(), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatal(r.Text(), err)
	}
	site := webtest.Over(t, st, url)
	site.URL, _ = served(t, site) // with all that a server does beside, as the trail's seals
	// Clients of their own that keep their connections: webtest's hold every answer
	// against the description, which takes longer than the answer.
	clients := make([]func(body string) (status int, answer string), apiClients)
	wire := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: apiClients}}
	for i := range clients {
		token := site.WithToken(fmt.Sprintf("machine %d", i), "operator").Token
		clients[i] = func(body string) (int, string) {
			req, err := http.NewRequest(http.MethodPost, site.URL+"/api/v1/records", strings.NewReader(body))
			if err != nil {
				panic(err) // a constant address
			}
			req.Header.Set("Content-Type", "application/json")
			req.Header.Set("Authorization", "Bearer "+token)
			res, err := wire.Do(req)
			if err != nil {
				return 0, err.Error()
			}
			defer func() { _ = res.Body.Close() }()
			b, err := io.ReadAll(res.Body)
			if err != nil {
				return 0, err.Error()
			}
			return res.StatusCode, string(b)
		}
	}
	reader := site.As("amara", "manager")
	spots, err := st.Spots(ctx, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	spots = slices.DeleteFunc(spots, func(x store.Spot) bool { return x.Printer == "" })
	for range 20 { // as on any farm, people graded some today
		body := fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":"P-001","started_at":%q,"grade":"clean","material":"PLA"}`, uuid.Must(uuid.NewV7()), time.Now().UTC().Format(time.RFC3339Nano))
		if _, err := st.Record(ctx, store.Act{Via: "page", Person: "amara"}, intake.ParseRecord([]byte(body), "", time.Now())); err != nil {
			t.Fatal(err)
		}
	}
	pages := []string{"/floor", "/grade", "/trends"}
	row, whole := peerTable(t, url)
	var own, read, peer, peerAll, batch []float64
	calm, loaded := map[string][]time.Duration{}, map[string][]time.Duration{}
	refused := atomic.Int64{}
	for round := range apiRounds {
		peer = append(peer, atOnce(row))
		peerAll = append(peerAll, atOnce(whole))
		own = append(own, atOnce(func(i int) int { return sendLayers(clients[i], 1, &refused) }))
		for _, spot := range spots { // no printer starts hundreds of times between two probes
			tendOne(spot, clients[0])
		}
		stop := make(chan struct{})
		var beside sync.WaitGroup
		beside.Go(func() { tend(stop, spots, clients[0]) })
		beside.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				p := pages[i%len(pages)]
				loaded[p] = append(loaded[p], timed(t, reader, p))
			}
		})
		read = append(read, atOnce(func(i int) int { return sendLayers(clients[i], 1, &refused) }))
		close(stop)
		beside.Wait()
		time.Sleep(2 * time.Second)
		for range 20 { // of the same farm as it is by now, without load
			for _, p := range pages {
				calm[p] = append(calm[p], timed(t, reader, p))
			}
		}
		t.Logf("round %d: inserts %.0f rows/s, of all rows of a record %.0f records/s, API one a request %.0f records/s (%.2f and %.2f), %.0f while pages are read", round+1, peer[round], peerAll[round], own[round], own[round]/peer[round], own[round]/peerAll[round], read[round])
	}
	for range apiRounds { // after the pages: no farm starts so much at once
		batch = append(batch, atOnce(func(i int) int { return sendLayers(clients[i], apiBatch, &refused) }))
	}
	ratio := middle(own) / middle(peerAll)
	t.Logf("medians: inserts %.0f, of all rows %.0f, one a request %.0f = %.2f and %.2f times, %.0f while pages are read, batches %.0f = %.2f times; %d told to wait", middle(peer), middle(peerAll), middle(own), middle(own)/middle(peer), ratio, middle(read), middle(batch), middle(batch)/middle(peer), refused.Load())
	if ratio < 0.7 {
		t.Errorf("the API records %.2f times as many records as plain inserts of all their rows, want 0.7", ratio)
	}
	for _, p := range pages {
		slices.Sort(calm[p])
		slices.Sort(loaded[p])
		median, p99 := calm[p][len(calm[p])/2], loaded[p][(len(loaded[p])*99+99)/100-1]
		t.Logf("%s: median without load %v, under load median %v, p99 %v of %d", p, median.Round(time.Millisecond/10), loaded[p][len(loaded[p])/2].Round(time.Millisecond/10), p99.Round(time.Millisecond/10), len(loaded[p]))
		if p99 > 5*median || p99 > 500*time.Millisecond {
			t.Errorf("%s: p99 %v under load, want at most %v and 500 ms", p, p99, 5*median)
		}
	}
}

func middle(list []float64) float64 { return slices.Sorted(slices.Values(list))[len(list)/2] }

func timed(t *testing.T, c *webtest.Client, page string) time.Duration {
	began := time.Now()
	if a := c.Get(page); a.Status != 200 {
		t.Errorf("%s: got %d", page, a.Status)
	}
	return time.Since(began)
}

// atOnce lets every client work for a round and gives rows a second.
func atOnce(work func(i int) int) float64 {
	var rows atomic.Int64
	var all sync.WaitGroup
	began := time.Now()
	for i := range apiClients {
		all.Go(func() {
			for time.Since(began) < apiRound {
				rows.Add(int64(work(i)))
			}
		})
	}
	all.Wait()
	return float64(rows.Load()) / time.Since(began).Seconds()
}

var started atomic.Int64

// sendLayers records n first layers in one request and gives how many were
// recorded; told to wait, it waits.
func sendLayers(send func(string) (int, string), n int, refused *atomic.Int64) int {
	var b strings.Builder
	b.WriteString(`{"records":[`)
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"kind":"first_layer","id":%q,"printer":"P-%03d","started_at":%q,"grade":"clean","material":"PLA","layer_height_mm":0.2}`,
			uuid.Must(uuid.NewV7()), started.Add(1)%60+1, time.Now().UTC().Format(time.RFC3339Nano))
	}
	b.WriteString(`]}`)
	status, answer := send(b.String())
	if status != http.StatusOK {
		refused.Add(1)
		time.Sleep(50 * time.Millisecond)
		return 0
	}
	return strings.Count(answer, `"recorded"`)
}

// tend probes each printer and wipes its plate about once a second, as the pages count
// starts since: a printer that starts a thousand times without either is none.
func tend(stop <-chan struct{}, spots []store.Spot, send func(string) (int, string)) {
	for n := 0; ; n++ {
		select {
		case <-stop:
			return
		case <-time.After(time.Second / time.Duration(len(spots))):
		}
		tendOne(spots[n%len(spots)], send)
	}
}

func tendOne(spot store.Spot, send func(string) (int, string)) {
	now := time.Now().UTC().Format(time.RFC3339Nano)
	send(fmt.Sprintf(`{"records":[{"kind":"probe","id":%q,"printer":%q,"probed_at":%q,"extent":"full"},{"kind":"cleaning","id":%q,"plate":%q,"cleaned_at":%q,"method":"wipe"}]}`,
		uuid.Must(uuid.NewV7()), spot.Printer, now, uuid.Must(uuid.NewV7()), spot.Plate, now))
}

// peerTable makes tables equal to those a record stands in and gives what inserts one
// first layer from a connection's prepared statement, and what inserts all its rows.
func peerTable(t *testing.T, url string) (row, whole func(i int) int) {
	ctx := context.Background()
	conns := make([]*pgx.Conn, apiClients)
	for i := range conns {
		conn, err := pgx.Connect(ctx, url)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close(ctx) })
		conns[i] = conn
	}
	if _, err := conns[0].Exec(ctx, `CREATE TABLE peer_first_layers (LIKE first_layers INCLUDING ALL)`); err != nil {
		t.Fatal(err)
	}
	if _, err := conns[0].Exec(ctx, `CREATE TABLE peer_acts (LIKE acts INCLUDING ALL); CREATE TABLE peer_records (LIKE records INCLUDING ALL)`); err != nil {
		t.Fatal(err)
	}
	const insert = `INSERT INTO peer_first_layers (id, printer, started_at, noted_at, arrived_at, grade, material, layer_height_mm, start_is, line_width_mm) VALUES ($1, $2, $3, $3, $3, 'clean', 1, 0.2, 'first_line', 0.45)`
	row = func(i int) int {
		if _, err := conns[i].Exec(ctx, insert, uuid.Must(uuid.NewV7()), i%20+1, time.Now()); err != nil {
			t.Error(err)
			return 0
		}
		return 1
	}
	const all = `WITH a AS (INSERT INTO peer_acts (at, via, token) VALUES ($3, 'api', 1) RETURNING id),
		r AS (INSERT INTO peer_records (id, happened_at, arrived_at, digest, act, owner, kind) SELECT $1, $3, $3, 1, a.id, $2, 'first_layer' FROM a)
		` + insert
	whole = func(i int) int {
		if _, err := conns[i].Exec(ctx, all, uuid.Must(uuid.NewV7()), i%20+1, time.Now()); err != nil {
			t.Error(err)
			return 0
		}
		return 1
	}
	return row, whole
}
