package web_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// holder takes connections out of a pool and keeps them.
type holder struct {
	armed atomic.Bool
	taken chan struct{}
	free  chan struct{}
}

// on makes whoever acquires a connection while armed keep it until free is closed.
func (h *holder) on(cfg *pgxpool.Config) {
	cfg.MaxConns, cfg.MinConns = 3, 0
	cfg.PrepareConn = func(context.Context, *pgx.Conn) (bool, error) {
		if h.armed.Load() {
			h.taken <- struct{}{}
			<-h.free
		}
		return true, nil
	}
}

// TestWithEveryConnectionTaken holds all connections of the pool: each request is
// told in time what is wrong, nothing is stored, and all is as before once they are
// given back.
func TestWithEveryConnectionTaken(t *testing.T) {
	t.Parallel() // it waits, as TestWithEveryTableLocked does
	ctx, db := context.Background(), testdb.New(t)
	h := &holder{taken: make(chan struct{}), free: make(chan struct{})}
	st, err := store.Open(ctx, db, h.on)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	site := webtest.Over(t, st, db)
	things(t, site)
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	h.armed.Store(true)
	var held, wait sync.WaitGroup
	for range 3 {
		held.Go(func() { _ = st.Ready(ctx) })
		<-h.taken
	}
	h.armed.Store(false)
	const body = `{"records":[{"kind":"cleaning","id":"C-1","plate":"L-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}]}`
	ask := func(c *webtest.Client, method, path, body string, want int, within time.Duration) {
		wait.Go(func() {
			began := time.Now()
			kind := ""
			if body != "" {
				kind = "application/json"
			}
			a := c.Do(method, path, kind, body)
			if took := time.Since(began); a.Status != want || took > within {
				t.Errorf("%s %s: got status %d after %s, want %d within %s", method, path, a.Status, took, want, within)
			}
			if want == http.StatusServiceUnavailable && (a.Header.Get("Retry-After") == "" || !strings.Contains(a.Body, "All connections to the database are in use")) {
				t.Errorf("%s %s: Retry-After %q, %s\nwant what is wrong", method, path, a.Header.Get("Retry-After"), a.Body)
			}
			if strings.HasPrefix(path, "/api/") || path == "/readyz" {
				problem(t, a, want, "busy")
			}
		})
	}
	for _, path := range []string{"/floor", "/upkeep", "/sign-in"} {
		ask(c, "GET", path, "", 503, 6*time.Second)
	}
	ask(token, "GET", "/api/v1/printers", "", 503, 6*time.Second)
	ask(token, "POST", "/api/v1/records", body, 503, 6*time.Second)
	ask(c, "GET", "/readyz", "", 503, 3*time.Second)
	ask(c, "GET", "/healthz", "", 200, time.Second)
	wait.Wait()
	close(h.free)
	held.Wait()
	began := time.Now()
	for _, path := range []string{"/floor", "/readyz"} {
		if a := c.Get(path); a.Status != http.StatusOK || time.Since(began) > 2*time.Second {
			t.Errorf("afterwards %s: got status %d after %s", path, a.Status, time.Since(began))
		}
	}
	for _, want := range []string{`"recorded"`, `"already_recorded"`} {
		if a := token.Do("POST", "/api/v1/records", "application/json", body); a.Status != http.StatusOK || !strings.Contains(a.Body, want) {
			t.Errorf("sent again: got %d %s, want %s", a.Status, a.Body, want)
		}
	}
}

// TestWithoutRoomOnTheDisk fills the disk under the database's files. What was
// answered as recorded is there, once; reading goes on and says what is wrong.
func TestWithoutRoomOnTheDisk(t *testing.T) {
	disk := testdb.SmallDisk(t, 64)
	site := webtest.On(t, testdb.NewOn(t, disk))
	things(t, site)
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	noise := rand.New(rand.NewPCG(3, 4)) // text that cannot be packed
	note := make([]byte, 900)
	for i := range note {
		note[i] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.,"[noise.IntN(64)]
	}
	send := func(i int) webtest.Answer {
		return token.Do("POST", "/api/v1/records", "application/json",
			fmt.Sprintf(`{"records":[{"kind":"cleaning","id":"C-%d","plate":"L-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","note":"%s"}]}`, i, note))
	}
	if a := send(0); !strings.Contains(a.Body, `"recorded"`) {
		t.Fatalf("before: got %d %s", a.Status, a.Body)
	}
	layer := token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T08:00:00Z"}]}`)
	if !strings.Contains(layer.Body, `"recorded"`) {
		t.Fatalf("before: got %d %s", layer.Status, layer.Body)
	}
	free := testdb.Fill(t, disk)
	recorded := 1 // the pages there are have room for some
	for ; ; recorded++ {
		a := send(recorded)
		if a.Status == http.StatusOK && recorded < 500 {
			continue
		}
		if p := problem(t, a, http.StatusServiceUnavailable, "busy"); !strings.Contains(p.Detail, "disk is full") || a.Header.Get("Retry-After") == "" {
			t.Errorf("a record without room: got %+v, Retry-After %q", p, a.Header.Get("Retry-After"))
		}
		break
	}
	photo := func() webtest.Answer {
		return token.Do("POST", "/api/v1/photos?id=H-1&first_layer=F-1", "image/png", string(noisyPNG(t)))
	}
	if p := problem(t, photo(), http.StatusServiceUnavailable, "busy"); !strings.Contains(p.Detail, "disk is full") {
		t.Errorf("a photo without room: got %+v", p)
	}
	if p := problem(t, c.Get("/readyz"), http.StatusServiceUnavailable, "busy"); !strings.Contains(p.Detail, "disk is full") {
		t.Errorf("/readyz without room: got %+v", p)
	}
	if a := c.Get("/healthz"); a.Status != http.StatusOK {
		t.Errorf("/healthz: got %d", a.Status)
	}
	if said := c.Page("/floor").Text("[data-trouble]"); !strings.Contains(said, "disk is full") || !strings.Contains(said, "kept") {
		t.Errorf("the Floor without room says %q", said)
	}
	if a := token.Get("/api/v1/printers"); a.Status != http.StatusOK {
		t.Errorf("reading without room: got %d %s", a.Status, a.Body)
	}
	free()
	end := time.Now().Add(5 * time.Second)
	for c.Get("/readyz").Status != http.StatusOK && time.Now().Before(end) {
		time.Sleep(50 * time.Millisecond)
	}
	if a := c.Get("/readyz"); a.Status != http.StatusOK {
		t.Errorf("/readyz with room: got %d %s", a.Status, a.Body)
	}
	if a := c.Get("/floor"); strings.Contains(a.Body, "data-trouble") {
		t.Error("the Floor still says that the disk is full")
	}
	for i := range recorded {
		if a := send(i); !strings.Contains(a.Body, `"already_recorded"`) {
			t.Fatalf("record %d was acknowledged; sent again: %d %s", i, a.Status, a.Body)
		}
	}
	if a := send(recorded); !strings.Contains(a.Body, `"recorded"`) {
		t.Errorf("what was refused is stored by halves: %d %s", a.Status, a.Body)
	}
	if a := photo(); a.Status != http.StatusOK || !strings.Contains(a.Body, `"recorded"`) {
		t.Errorf("the photo sent again: %d %s", a.Status, a.Body)
	}
}

// things are a printer R-1 and a plate L-1.
func things(t *testing.T, site *webtest.Site) {
	t.Helper()
	b := &farm.Bundle{Printers: []farm.Printer{{Tag: "R-1", BedXMM: 220, BedYMM: 220, ZoneCols: 3, ZoneRows: 3, ZStepMM: 0.01, ProbingRecorded: "all"}},
		Plates: []farm.Plate{{Tag: "L-1", Surface: "glass", SizeXMM: farm.Unknown(), SizeYMM: farm.Unknown()}}}
	if report, err := site.Store.ImportFarm(context.Background(), store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatalf("%v %+v", err, report.Problems)
	}
}

// noisyPNG is a picture that cannot be made small.
func noisyPNG(t *testing.T) []byte {
	t.Helper()
	noise := rand.New(rand.NewPCG(1, 2))
	m := image.NewGray(image.Rect(0, 0, 500, 500))
	for i := range m.Pix {
		m.Pix[i] = byte(noise.Uint32())
	}
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestAnUploadForWhichThereIsNoRoom: the page says what is wrong, nothing is kept of
// it, and it goes in once there is room.
func TestAnUploadForWhichThereIsNoRoom(t *testing.T) {
	disk := testdb.SmallDisk(t, 1)
	site := webtest.New(t, func(c *web.Config) { c.TempDir = filepath.Join(disk, "uploads") })
	c := site.As("amara", "admin")
	free := testdb.Fill(t, disk)
	layers := layersCSV[:strings.Index(layersCSV, "\n")+1]
	for i := range 2000 {
		layers += fmt.Sprintf("F-%d,P-1,L-1,2026-03-01T08:00:00Z,clean\n", i)
	}
	send := func() webtest.Answer {
		return upload(c, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV}, sentFile{"first_layers.csv", layers})
	}
	a := send()
	if a.Status != http.StatusServiceUnavailable || !strings.Contains(a.Body, "disk of the server is full") || a.Header.Get("Retry-After") == "" {
		t.Errorf("without room: got %d %s", a.Status, a.Body)
	}
	if left := testdb.Files(t, disk); len(left) != 1 {
		t.Errorf("left on the disk: %v, want the ballast alone", left)
	}
	free()
	if a := send(); a.Status != http.StatusSeeOther {
		t.Errorf("with room: got %d %s", a.Status, a.Body)
	}
}
