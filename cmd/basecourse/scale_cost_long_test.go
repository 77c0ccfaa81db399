//go:build long

package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"basecourse/internal/web"

	"github.com/jackc/pgx/v5"
)

// cost is what one page costs.
type cost struct {
	path          string
	took, fastest time.Duration // the median; the fastest tells how busy the machine was
	inQueries     time.Duration
	queries       int
	plain, packed int
}

func scaleCost(t *testing.T, server *web.Server, cookie *http.Cookie, counter *queryCounter, path string) cost {
	t.Helper()
	var took, inQueries []time.Duration
	c := cost{path: path}
	for i := range scaleRequests + 3 {
		req := httptest.NewRequest("GET", path, nil)
		req.Header.Set("Accept-Encoding", "gzip")
		req.AddCookie(cookie)
		rec := httptest.NewRecorder()
		counter.reset()
		begun := time.Now()
		server.ServeHTTP(rec, req)
		d := time.Since(begun)
		n, in := counter.read()
		if rec.Code != http.StatusOK && rec.Code != http.StatusSeeOther {
			t.Errorf("GET %s: got status %d", path, rec.Code)
			return c
		}
		if i < 3 {
			continue // warm
		}
		took, inQueries = append(took, d), append(inQueries, in)
		c.queries, c.packed = n, rec.Body.Len()
		c.plain = plainSize(rec)
	}
	slices.Sort(took)
	slices.Sort(inQueries)
	c.took, c.fastest, c.inQueries = took[len(took)/2], took[0], inQueries[len(inQueries)/2]
	return c
}

func plainSize(rec *httptest.ResponseRecorder) int {
	if rec.Header().Get("Content-Encoding") != "gzip" {
		return rec.Body.Len()
	}
	z, err := gzip.NewReader(bytes.NewReader(rec.Body.Bytes()))
	if err != nil {
		return 0
	}
	n, _ := io.Copy(io.Discard, z)
	return int(n)
}

// queryCounter counts statements and the time in which at least one of them was
// under way: from sending it until its last row was read.
type queryCounter struct {
	mu    sync.Mutex
	n     int
	open  int
	since time.Time
	total time.Duration
}

var (
	_ pgx.QueryTracer = &queryCounter{}
	_ pgx.BatchTracer = &queryCounter{}
)

func (q *queryCounter) reset() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.n, q.total = 0, 0
}

func (q *queryCounter) read() (int, time.Duration) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.n, q.total
}

func (q *queryCounter) begin(n int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.n += n
	if q.open++; q.open == 1 {
		q.since = time.Now()
	}
}

func (q *queryCounter) end() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.open--; q.open == 0 {
		q.total += time.Since(q.since)
	}
}

// TraceQueryStart counts one statement.
func (q *queryCounter) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	q.begin(1)
	return ctx
}

// TraceQueryEnd stops the clock.
func (q *queryCounter) TraceQueryEnd(_ context.Context, _ *pgx.Conn, d pgx.TraceQueryEndData) {
	if d.Err != nil && !errors.Is(d.Err, context.Canceled) && os.Getenv("BASECOURSE_SCALE_PAGE") != "" {
		fmt.Fprintln(os.Stderr, d.Err)
	}
	q.end()
}

// TraceBatchStart counts every statement of a batch.
func (q *queryCounter) TraceBatchStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceBatchStartData) context.Context {
	q.begin(len(d.Batch.QueuedQueries))
	return ctx
}

// TraceBatchQuery is told of by TraceBatchStart already.
func (q *queryCounter) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd stops the clock.
func (q *queryCounter) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) { q.end() }
