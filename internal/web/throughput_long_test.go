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
// prepared single statements: all that a record is (its act and that it waits for a seal,
// its place among the ids and itself, in one statement), and, told beside it, the record's
// own row alone. Batches beside them. The bar: 0.7 times the inserts of all rows.
func TestApiThroughput(t *testing.T) {
	b := busyFarm(t)
	row, whole := peerTable(t, b.url)
	var own, peer, peerAll, batch []float64
	for round := range apiRounds {
		peer = append(peer, atOnce(row))
		peerAll = append(peerAll, atOnce(whole))
		own = append(own, atOnce(func(i int) int { return b.sendLayers(i, 1) }))
		t.Logf("round %d: inserts %.0f rows/s, of all rows of a record %.0f records/s, API one a request %.0f records/s (%.2f and %.2f)", round+1, peer[round], peerAll[round], own[round], own[round]/peer[round], own[round]/peerAll[round])
	}
	for range apiRounds {
		batch = append(batch, atOnce(func(i int) int { return b.sendLayers(i, apiBatch) }))
	}
	ratio := middle(own) / middle(peerAll)
	t.Logf("medians: inserts %.0f, of all rows %.0f, one a request %.0f = %.2f and %.2f times, batches %.0f = %.2f times; %d told to wait", middle(peer), middle(peerAll), middle(own), middle(own)/middle(peer), ratio, middle(batch), middle(batch)/middle(peer), b.refused.Load())
	if ratio < 0.7 {
		t.Errorf("the API records %.2f times as many records as plain inserts of all their rows, want 0.7", ratio)
	}
}

// While 50 clients record as fast as they are let, one reader opens Floor, Grade and
// Trends without a pause. The bar: p99 of a page at most 5 times its median on the same
// farm without load, and 500 ms.
func TestPagesUnderLoad(t *testing.T) {
	b := busyFarm(t)
	pages := []string{"/floor", "/grade", "/trends"}
	calm, loaded := map[string][]time.Duration{}, map[string][]time.Duration{}
	look := func(times map[string][]time.Duration, p string) { times[p] = append(times[p], timed(t, b.reader, p)) }
	var read []float64
	for round := range apiRounds + 1 {
		if round == 1 { // a server that runs has asked all that on all its connections
			clear(calm)
			clear(loaded)
		}
		for range 20 {
			for _, p := range pages {
				look(calm, p)
			}
		}
		stop := make(chan struct{})
		var beside sync.WaitGroup
		beside.Go(func() { b.tend(stop) })
		beside.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				look(loaded, pages[i%len(pages)])
			}
		})
		read = append(read, atOnce(func(i int) int { return b.sendLayers(i, 1) }))
		close(stop)
		beside.Wait()
		time.Sleep(2 * time.Second)
	}
	t.Logf("%.0f records/s while pages are read; %d told to wait", middle(read), b.refused.Load())
	for _, p := range pages {
		slices.Sort(calm[p])
		slices.Sort(loaded[p])
		median, p99 := calm[p][len(calm[p])/2], loaded[p][(len(loaded[p])*99+99)/100-1]
		t.Logf("%s: median without load %v, under load median %v, p99 %v = %.1f times of %d", p, median.Round(time.Millisecond/10), loaded[p][len(loaded[p])/2].Round(time.Millisecond/10), p99.Round(time.Millisecond/10), float64(p99)/float64(median), len(loaded[p]))
		if p99 > 5*median || p99 > 500*time.Millisecond {
			t.Errorf("%s: p99 %v under load, want at most %v and 500 ms", p, p99, 5*median)
		}
	}
}

// busy is a farm on a durable cluster with what machines and a manager need.
type busy struct {
	url     string
	reader  *webtest.Client
	spots   []store.Spot
	clients []func(body string) (status int, answer string)
	refused atomic.Int64
}

func busyFarm(t *testing.T) *busy {
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
	b := &busy{url: cluster.URL("farm")}
	if err := store.Migrate(ctx, b.url); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ctx, b.url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	if r, err := st.ImportFarm(ctx, store.Act{Via: "import"}, recent(), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatal(r.Text(), err)
	}
	site := webtest.Over(t, st, b.url)
	site.URL, _ = served(t, site) // with all that a server does beside, as the trail's seals
	// Clients of their own that keep their connections: webtest's hold every answer
	// against the description, which takes longer than the answer.
	wire := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: apiClients}}
	for i := range apiClients {
		token := site.WithToken(fmt.Sprintf("machine %d", i), "operator").Token
		b.clients = append(b.clients, func(body string) (int, string) {
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
			answer, err := io.ReadAll(res.Body)
			if err != nil {
				return 0, err.Error()
			}
			return res.StatusCode, string(answer)
		})
	}
	b.reader = site.As("amara", "manager")
	if b.spots, err = st.Spots(ctx, time.Now()); err != nil {
		t.Fatal(err)
	}
	b.spots = slices.DeleteFunc(b.spots, func(x store.Spot) bool { return x.Printer == "" })
	for range 20 { // as on any farm, people graded some today
		body := fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":"P-001","started_at":%q,"grade":"clean","material":"PLA"}`, uuid.Must(uuid.NewV7()), time.Now().UTC().Format(time.RFC3339Nano))
		if _, err := st.Record(ctx, store.Act{Via: "page", Person: "amara"}, intake.ParseRecord([]byte(body), "", time.Now())); err != nil {
			t.Fatal(err)
		}
	}
	return b
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
func (b *busy) sendLayers(client, n int) int {
	var body strings.Builder
	body.WriteString(`{"records":[`)
	for i := range n {
		if i > 0 {
			body.WriteByte(',')
		}
		fmt.Fprintf(&body, `{"kind":"first_layer","id":%q,"printer":"P-%03d","started_at":%q,"grade":"clean","material":"PLA","layer_height_mm":0.2}`,
			uuid.Must(uuid.NewV7()), started.Add(1)%60+1, time.Now().UTC().Format(time.RFC3339Nano))
	}
	body.WriteString(`]}`)
	status, answer := b.clients[client](body.String())
	if status != http.StatusOK {
		b.refused.Add(1)
		time.Sleep(50 * time.Millisecond)
		return 0
	}
	return strings.Count(answer, `"recorded"`)
}

// tend probes each printer and wipes its plate about once a second, as the pages count
// starts since: a printer that starts a thousand times without either is none.
func (b *busy) tend(stop <-chan struct{}) {
	for n := 0; ; n++ {
		select {
		case <-stop:
			return
		case <-time.After(time.Second / time.Duration(len(b.spots))):
		}
		spot, now := b.spots[n%len(b.spots)], time.Now().UTC().Format(time.RFC3339Nano)
		b.clients[0](fmt.Sprintf(`{"records":[{"kind":"probe","id":%q,"printer":%q,"probed_at":%q,"extent":"full"},{"kind":"cleaning","id":%q,"plate":%q,"cleaned_at":%q,"method":"wipe"}]}`,
			uuid.Must(uuid.NewV7()), spot.Printer, now, uuid.Must(uuid.NewV7()), spot.Plate, now))
	}
}

// likeTable makes a table equal to another, with all that is checked of a row that comes.
func likeTable(t *testing.T, conn *pgx.Conn, table, peer string) {
	t.Helper()
	ctx := context.Background()
	sql := []string{fmt.Sprintf(`CREATE TABLE %s (LIKE %s INCLUDING ALL)`, peer, table)}
	rows, err := conn.Query(ctx, `SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE contype = 'f' AND conrelid = $1::text::regclass`, table)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, def := range keys {
		sql = append(sql, `ALTER TABLE `+peer+` ADD `+strings.Replace(def, "REFERENCES acts", "REFERENCES peer_acts", 1))
	}
	// What puts an act among those that wait for a seal would put it among the farm's, so
	// that here the statement does it; and what looks whether a record's act is there would
	// look among the farm's, so that here nobody looks.
	rows, err = conn.Query(ctx, `SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal AND tgrelid = $1::text::regclass
		AND tgname <> 'await_seal' AND (tgname <> 'check_inserted' OR $1 <> 'records')`, table)
	if err != nil {
		t.Fatal(err)
	}
	triggers, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, def := range triggers {
		sql = append(sql, strings.Replace(def, " ON public."+table+" ", " ON "+peer+" ", 1))
	}
	for _, q := range sql {
		if _, err := conn.Exec(ctx, q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
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
	for _, table := range []string{"acts", "unsealed", "records", "first_layers"} {
		likeTable(t, conns[0], table, "peer_"+table)
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
		u AS (INSERT INTO peer_unsealed (act) SELECT id FROM a),
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
