// Package backupcopy sees that a farm is never without a copy: once a day it
// writes one into a folder, reads it back, and keeps the last few.
//
// There are two kinds. A bundle is a .zip of the export, so that `basecourse
// import COPY.zip` brings the records into any farm; a backup is the whole
// database for `basecourse restore`. A copy is named by the time it was written.
// It is written under another name and gets its own only after every row was read
// back and found right: a folder never holds half a copy.
package backupcopy

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"basecourse/internal/intake"
)

const (
	// Kept is how many copies are kept where nothing else is said.
	Kept = 14
	// Every is how old the newest copy may get.
	Every = 24 * time.Hour

	retryAfter = time.Hour        // after a failure
	lookEvery  = 10 * time.Minute // a machine may have slept through its timer

	nameLayout = "2006-01-02T150405Z"
	rowsPrefix = "rows " // the archive's comment: how many were read back
)

// Keeper writes the copies of one farm into one folder.
type Keeper struct {
	// Dir is the folder of the copies; it is made with mode 0700.
	Dir string
	// What is written, for the log: "daily copy", "daily backup".
	What string
	// Suffix is how the files' names end: ".zip", ".backup". They are .zip files
	// either way, with the number of rows in the comment.
	Suffix string
	// Keep is how many are kept; 0 is Kept.
	Keep int
	// Make writes a copy to a path, syncs it, reads it back and gives the number of
	// its rows. stage is an empty folder for what else it needs.
	Make func(ctx context.Context, stage, path string) (rows int, err error)
	// Now is the clock.
	Now func() time.Time
	// Log hears of each copy and each failure; nil drops it.
	Log func(message string)

	mu      sync.Mutex
	problem string    // why the last try failed
	failed  time.Time // when
}

// Copy is what is known of the newest copy.
type Copy struct {
	WrittenAt time.Time // zero: there is none
	Path      string
	Rows      int    // read back from it
	Kept      int    // copies in the folder
	Problem   string // why the last try of this process failed; "" when it did not
}

// Run writes copies whenever they are due, until ctx ends.
func (k *Keeper) Run(ctx context.Context) {
	for ctx.Err() == nil {
		wait, err := k.untilDue()
		if err == nil && wait <= 0 {
			if err = k.WriteOne(ctx); err == nil {
				continue
			}
		}
		if errors.Is(err, errBusy) {
			wait, err = lookEvery, nil
		}
		if err != nil && ctx.Err() == nil {
			k.fail(err)
			wait = retryAfter
		}
		select {
		case <-ctx.Done():
		case <-time.After(min(wait, lookEvery)):
		}
	}
}

// fail notes a failure, and logs it when it is news.
func (k *Keeper) fail(err error) {
	if errors.Is(err, unix.ENOSPC) { // whatever was being written when the room ended
		err = fmt.Errorf("the disk of %s is full. Make room there; it is tried again every hour", k.Dir)
	}
	k.mu.Lock()
	news := k.problem != err.Error()
	k.problem = err.Error()
	if news || k.Now().Sub(k.failed) >= retryAfter {
		k.failed = k.Now()
	}
	k.mu.Unlock()
	if news {
		k.log("The %s could not be written: %v", k.What, err)
	}
}

func (k *Keeper) log(format string, args ...any) {
	if k.Log != nil {
		k.Log(fmt.Sprintf(format, args...))
	}
}

// untilDue tells how long until the next copy is due, from what is there.
func (k *Keeper) untilDue() (time.Duration, error) {
	names, err := k.names()
	if err != nil {
		return 0, err
	}
	now := k.Now()
	var wait time.Duration
	// A copy of a clock that was once ahead must neither stop the copies nor, however
	// many are written, be the newest for ever.
	for _, name := range names {
		if at := k.writtenAt(name); !at.After(now) {
			wait = at.Add(Every).Sub(now)
			break
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.failed.IsZero() && !k.failed.After(now) {
		wait = max(wait, k.failed.Add(retryAfter).Sub(now))
	}
	return wait, nil
}

// names lists the copies, newest first.
func (k *Keeper) names() ([]string, error) {
	entries, err := os.ReadDir(k.Dir)
	if err != nil && !os.IsNotExist(err) {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if !k.writtenAt(e.Name()).IsZero() {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	return names, nil
}

// writtenAt reads the time out of a copy's name; zero for other files.
func (k *Keeper) writtenAt(name string) time.Time {
	base, ok := strings.CutSuffix(name, k.Suffix)
	if !ok {
		return time.Time{}
	}
	t, err := time.Parse(nameLayout, base)
	if err != nil {
		return time.Time{}
	}
	return t
}

// Latest tells about the newest copy.
func (k *Keeper) Latest(context.Context) (Copy, error) {
	k.mu.Lock()
	c := Copy{Problem: k.problem}
	k.mu.Unlock()
	names, err := k.names()
	if err != nil || len(names) == 0 {
		return c, err
	}
	c.WrittenAt, c.Path, c.Kept = k.writtenAt(names[0]), filepath.Join(k.Dir, names[0]), len(names)
	z, err := zip.OpenReader(c.Path)
	if err != nil {
		return c, fmt.Errorf("%s: %w", c.Path, err)
	}
	defer z.Close()
	if n, ok := strings.CutPrefix(z.Comment, rowsPrefix); ok {
		c.Rows, err = strconv.Atoi(n)
	}
	return c, err
}

// errBusy: another process writes a copy into the folder just now.
var errBusy = errors.New("another process is writing a copy into this folder")

// WriteOne writes a copy now, reads it back, and removes those beyond Kept.
func (k *Keeper) WriteOne(ctx context.Context) (err error) {
	if err := os.MkdirAll(k.Dir, 0o700); err != nil {
		return err
	}
	lock, err := os.OpenFile(filepath.Join(k.Dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer lock.Close()
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return errBusy
	}
	stage := filepath.Join(k.Dir, "writing")
	if err := os.RemoveAll(stage); err != nil { // of a killed run
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(stage)) }()
	if err := os.MkdirAll(stage, 0o700); err != nil {
		return err
	}
	at := k.Now().UTC()
	packed := filepath.Join(stage, "copy")
	rows, err := k.Make(ctx, stage, packed)
	if err != nil {
		return err
	}
	name := at.Format(nameLayout) + k.Suffix
	if err := os.Rename(packed, filepath.Join(k.Dir, name)); err != nil {
		return err
	}
	if err := syncPath(k.Dir); err != nil {
		return err
	}
	k.mu.Lock()
	k.problem, k.failed = "", time.Time{}
	k.mu.Unlock()
	k.log("The %s is written and read back: %s, %d rows.", k.What, filepath.Join(k.Dir, name), rows)
	return k.prune()
}

func (k *Keeper) prune() error {
	names, err := k.names()
	if err != nil {
		return err
	}
	keep := k.Keep
	if keep == 0 {
		keep = Kept
	}
	for i, name := range names {
		if i >= keep {
			err = errors.Join(err, os.Remove(filepath.Join(k.Dir, name)))
		}
	}
	return err
}

// Bundle makes copies that are bundles: write writes the farm's bundle into an
// existing, empty folder and gives the number of its rows.
func Bundle(write func(ctx context.Context, dir string) (rows int, err error), now func() time.Time) func(ctx context.Context, stage, path string) (int, error) {
	return func(ctx context.Context, stage, path string) (int, error) {
		bundle := filepath.Join(stage, "bundle")
		if err := os.Mkdir(bundle, 0o700); err != nil {
			return 0, err
		}
		rows, err := write(ctx, bundle)
		if err != nil {
			return 0, fmt.Errorf("export: %w", err)
		}
		if err := pack(ctx, bundle, path, rows); err != nil {
			return 0, err
		}
		read, err := ReadBack(ctx, path, now())
		if err != nil {
			return 0, fmt.Errorf("reading the copy back: %w", err)
		}
		if read != rows {
			return 0, fmt.Errorf("reading the copy back: found %d rows, expected the %d that were written", read, rows)
		}
		return rows, nil
	}
}

// pack writes the files of a folder into a .zip and syncs it.
func pack(ctx context.Context, dir, to string, rows int) (err error) {
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	z := zip.NewWriter(out)
	if err := z.SetComment(rowsPrefix + strconv.Itoa(rows)); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := packFile(ctx, z, filepath.Join(dir, e.Name()), e.Name()); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	return out.Sync()
}

func packFile(ctx context.Context, z *zip.Writer, path, name string) error {
	in, err := os.Open(path)
	if err != nil {
		return err
	}
	defer in.Close()
	w, err := z.Create(name)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, readerWith{ctx, in})
	return err
}

// readerWith ends reading when ctx ends.
type readerWith struct {
	ctx context.Context
	r   io.Reader
}

// Read reads unless ctx has ended.
func (r readerWith) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

func syncPath(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// ReadBack reads every row of a bundle as an import would and counts them; the
// first thing that is wrong is an error.
func ReadBack(ctx context.Context, path string, now time.Time) (rows int, err error) {
	source, closer, err := intake.OpenSource(path)
	if err != nil {
		return 0, err
	}
	defer closer.Close()
	tables, _, problems := intake.Arrange(source)
	if len(problems) > 0 {
		return 0, errors.New(problems[0].String())
	}
	for _, t := range tables {
		n, err := readTable(ctx, source, t, now)
		rows += n
		if err != nil {
			return rows, err
		}
	}
	return rows, nil
}

func readTable(ctx context.Context, source intake.Source, t *intake.Table, now time.Time) (rows int, err error) {
	f, err := source.Open(t.File)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	r, err := intake.NewReader(t, readerWith{ctx, f}, now)
	if err != nil {
		return 0, err
	}
	if _, problems := r.Header(); len(problems) > 0 {
		return 0, errors.New(problems[0].String())
	}
	rec, row := t.New(), intake.Row{}
	for {
		more, err := r.Next(&row, rec)
		if err != nil || !more {
			return rows, err
		}
		if len(row.Problems) > 0 {
			return rows, errors.New(row.Problems[0].String())
		}
		rows++
	}
}
