package store

import (
	"context"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5/pgconn"
)

// chunkRows is how many rows travel together: enough that a COPY's start and
// the check of references cost nothing a row, few enough to stay in the cache.
const chunkRows = 10_000

// chunk is a run of rows of one file.
type chunk struct {
	file  int // in the report
	table *intake.Table
	n     int
	rows  []intake.Row
	recs  []any
	bytes int64

	leftOut int // rows of the file so far that its mapping leaves out

	present        []bool // by field: the file has a column for it; nil: all
	first          bool   // of its file: header and its problems are set
	header         string
	headerProblems []fault.Problem
	headerBad      bool
}

// reading parses the files one behind the other, a few chunks ahead of who
// takes them.
type reading struct {
	chunks chan *chunk
	spare  chan *chunk
	err    error // valid when chunks is closed
	cancel context.CancelFunc
	done   sync.WaitGroup
}

type byteCounter struct {
	io.Reader
	n atomic.Int64
}

func (c *byteCounter) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.n.Add(int64(n))
	return n, err
}

func startReading(ctx context.Context, source intake.Source, tables []*intake.Table, now time.Time) *reading {
	ctx, cancel := context.WithCancel(ctx)
	r := &reading{chunks: make(chan *chunk, 1), spare: make(chan *chunk, 4), cancel: cancel}
	r.done.Add(1)
	go func() {
		defer r.done.Done()
		defer close(r.chunks)
		for i, t := range tables {
			if r.err = r.file(ctx, source, i, t, now); r.err != nil {
				return
			}
		}
	}()
	return r
}

// stop ends the reading, also in the middle.
func (r *reading) stop() {
	r.cancel()
	for range r.chunks {
	}
	r.done.Wait()
}

// free gives a chunk back for further rows.
func (r *reading) free(c *chunk) {
	select {
	case r.spare <- c:
	default:
	}
}

func (r *reading) file(ctx context.Context, source intake.Source, number int, t *intake.Table, now time.Time) error {
	in, err := source.Open(intake.FileOf(source, t))
	if err != nil {
		return fault.Wrap(fault.Invalid, err, "%s cannot be read", t.File)
	}
	defer func() { _ = in.Close() }()
	counter := &byteCounter{Reader: in}
	reader, err := intake.ReaderOf(source, t, counter, now)
	if err != nil {
		return readError(t, err)
	}
	first, read, present := true, int64(0), reader.Present()
	for more := true; more; {
		c := r.take(t)
		c.file, c.n, c.first, c.present = number, 0, first, present
		if first {
			c.header, c.headerProblems = reader.Header()
			c.headerBad = len(c.headerProblems) > 0
		} else {
			_, problems := reader.Header()
			c.headerBad = len(problems) > 0
		}
		for c.n < len(c.recs) {
			if more, err = reader.Next(&c.rows[c.n], c.recs[c.n]); err != nil {
				return readError(t, err)
			}
			if !more {
				break
			}
			c.n++
		}
		if log, ok := reader.(*intake.LogReader); ok {
			c.leftOut = log.LeftOut()
		}
		c.bytes = counter.n.Load() - read
		read += c.bytes
		first = false
		select {
		case r.chunks <- c:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func readError(t *intake.Table, err error) error {
	if fault.KindOf(err) != fault.Internal {
		return err
	}
	return fault.Wrap(fault.Invalid, err, "%s cannot be read", t.File)
}

func (r *reading) take(t *intake.Table) *chunk {
	for {
		select {
		case c := <-r.spare:
			if c.table == t {
				return c
			}
		default:
			return &chunk{table: t, rows: make([]intake.Row, chunkRows), recs: t.Batch(chunkRows)}
		}
	}
}

// copier sends rows to the database while the next ones are being made. Its
// connection is its own until wait has returned.
type copier struct {
	jobs    chan copyJob
	spare   chan []byte
	pending sync.WaitGroup
	err     error // read after pending.Wait
}

// buffer gives room for rows, used before where possible.
func (c *copier) buffer() []byte {
	select {
	case b := <-c.spare:
		return b[:0]
	default:
		return make([]byte, 0, 2<<20)
	}
}

type copyJob struct {
	sql  string
	data []byte
}

func startCopier(ctx context.Context, conn *pgconn.PgConn) *copier {
	c := &copier{jobs: make(chan copyJob, 2), spare: make(chan []byte, 8)}
	go func() {
		for job := range c.jobs {
			if c.err == nil {
				_, c.err = conn.CopyFrom(ctx, &sliceReader{job.data}, job.sql)
			}
			select {
			case c.spare <- job.data:
			default:
			}
			c.pending.Done()
		}
	}()
	return c
}

// send takes rows over; data belongs to the copier from here on.
func (c *copier) send(sql string, data []byte) {
	c.pending.Add(1)
	c.jobs <- copyJob{sql, data}
}

// wait returns when the database has taken everything.
func (c *copier) wait() error {
	c.pending.Wait()
	return c.err
}

func (c *copier) stop() {
	c.pending.Wait()
	close(c.jobs)
}

type sliceReader struct{ rest []byte }

func (s *sliceReader) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}
