package store

import (
	"archive/zip"
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// ExportReport counts the rows an export wrote.
type ExportReport struct {
	Files []ExportedFile `json:"files"`
}

// ExportedFile is one file of an export.
type ExportedFile struct {
	File string `json:"file"`
	Rows int    `json:"rows"`
}

// Export writes the whole farm as a bundle into a folder, which is made where it
// is missing and must hold no .csv file yet: every file, voided records too,
// CRLF, UTF-8, UTC, rows by time then id (things by name). It is the farm at one
// instant, and it goes back in without loss: importing it into an empty farm and
// exporting that gives the same bytes. Files are on disk when it returns.
func (s *Store) Export(ctx context.Context, dir string) (ExportReport, error) {
	var report ExportReport
	var err error
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return report, fault.Wrap(fault.Invalid, err, "the folder %s cannot be made", dir)
	}
	if old, _ := filepath.Glob(filepath.Join(dir, "*.csv")); len(old) > 0 {
		return report, fault.New(fault.Invalid, "%s holds a bundle already (%s): name an empty folder", dir, filepath.Base(old[0]))
	}
	picture := func(sha string, jpg []byte) error {
		name := filepath.Join(dir, filepath.FromSlash(intake.PictureName(sha)))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		_, err := exportFile(name, func(out *bufio.Writer) (int, error) { return out.Write(jpg) })
		if errors.Is(err, fs.ErrExist) {
			err = nil // two records of one picture
		}
		return err
	}
	if report.Files, err = s.exportTo(ctx, picture, func(l *layout, rows func(*bufio.Writer) (int, error)) (int, error) {
		return exportFile(filepath.Join(dir, l.File), rows)
	}); err != nil {
		return report, wrap("store.Export", err)
	}
	return report, syncDir(dir)
}

// ExportZip writes the same bundle as a .zip while it reads the farm: nothing is
// kept on disk or in memory. What w got when an error comes is no whole .zip.
func (s *Store) ExportZip(ctx context.Context, w io.Writer) error {
	z := zip.NewWriter(w)
	written := map[string]bool{}
	picture := func(sha string, jpg []byte) error {
		if written[sha] {
			return nil
		}
		written[sha] = true
		entry, err := z.CreateHeader(&zip.FileHeader{Name: intake.PictureName(sha), Method: zip.Store, Modified: s.Now()})
		if err == nil {
			_, err = entry.Write(jpg)
		}
		return err
	}
	_, err := s.exportTo(ctx, picture, func(l *layout, rows func(*bufio.Writer) (int, error)) (int, error) {
		entry, err := z.CreateHeader(&zip.FileHeader{Name: l.File, Method: zip.Deflate, Modified: s.Now()})
		if err != nil {
			return 0, err
		}
		out := bufio.NewWriterSize(entry, 1<<16)
		n, err := rows(out)
		if err != nil {
			return n, err
		}
		return n, out.Flush()
	})
	if err == nil {
		err = z.Close()
	}
	return wrap("store.ExportZip", err)
}

// exportTo hands every file of the bundle, in order, to one: rows writes the
// header and the rows. All are of one instant.
func (s *Store) exportTo(ctx context.Context, picture func(sha string, jpg []byte) error, one func(l *layout, rows func(*bufio.Writer) (int, error)) (int, error)) ([]ExportedFile, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	names, err := thingNames(ctx, tx)
	if err != nil {
		return nil, err
	}
	var files []ExportedFile
	for _, t := range intake.Tables {
		l := layouts[t.Kind]
		n, err := one(l, func(out *bufio.Writer) (int, error) {
			if _, err := out.WriteString(l.HeaderLine()); err != nil {
				return 0, err
			}
			return writeRows(ctx, tx, out, l, names)
		})
		if err != nil {
			return files, fmt.Errorf("%s: %w", t.File, err)
		}
		files = append(files, ExportedFile{t.File, n})
	}
	return files, eachPicture(ctx, tx, picture)
}

// thingNames reads the names of all things by their numbers.
func thingNames(ctx context.Context, tx pgx.Tx) (func(farm.Kind, int32) string, error) {
	names := map[farm.Kind]map[int32]string{}
	for kind, where := range thingColumn {
		rows, err := tx.Query(ctx, fmt.Sprintf(`SELECT id, %s FROM %s`, where[1], where[0]))
		if err != nil {
			return nil, err
		}
		m := map[int32]string{}
		var id int32
		var name string
		if _, err := pgx.ForEachRow(rows, []any{&id, &name}, func() error { m[id] = name; return nil }); err != nil {
			return nil, err
		}
		names[kind] = m
	}
	return func(kind farm.Kind, id int32) string { return names[kind][id] }, nil
}

func exportFile(path string, rows func(*bufio.Writer) (int, error)) (n int, err error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return 0, err
	}
	defer func() {
		if e := file.Close(); err == nil {
			err = e
		}
	}()
	out := bufio.NewWriterSize(file, 1<<20)
	if n, err = rows(out); err != nil {
		return n, err
	}
	if err := out.Flush(); err != nil {
		return n, err
	}
	return n, file.Sync()
}

// writeRows streams a table. The database orders by time alone, by its index;
// ties are ordered here by the id as its recorder wrote it, which only the rows
// of one instant need.
func writeRows(ctx context.Context, tx pgx.Tx, out *bufio.Writer, l *layout, nameOf func(farm.Kind, int32) string) (int, error) {
	columns, order := l.readIDs, "t."+l.whenColumnOr()
	if !l.Event {
		columns = l.readNames
		order = l.keySelect() + ` COLLATE "C"`
	}
	rows, err := tx.Query(ctx, `SELECT `+columns+` FROM `+l.Name+` t ORDER BY `+order)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	n := 0
	var buf []byte
	rec := l.New()
	type tied struct{ id, line string }
	var ties []tied
	var last time.Time
	flush := func() error {
		sort.SliceStable(ties, func(i, j int) bool { return ties[i].id < ties[j].id })
		for _, t := range ties {
			if _, err := out.WriteString(t.line); err != nil {
				return err
			}
		}
		ties = ties[:0]
		return nil
	}
	for rows.Next() {
		l.Reset(rec)
		if err := l.takeRow(rows.RawValues(), rows.FieldDescriptions(), rec, nameOf); err != nil {
			return n, err
		}
		n++
		buf = l.AppendRecord(buf[:0], rec)
		if !l.Event {
			if _, err := out.Write(buf); err != nil {
				return n, err
			}
			continue
		}
		if at := *l.Fields[l.When].At(rec).(*time.Time); !at.Equal(last) {
			if err := flush(); err != nil {
				return n, err
			}
			last = at
		}
		ties = append(ties, tied{l.Fields[0].At(rec).(*farm.ID).Text(), string(buf)})
	}
	if err := rows.Err(); err != nil {
		return n, err
	}
	return n, flush()
}

func (l *layout) whenColumnOr() string {
	if l.Event {
		return l.whenColumn()
	}
	return ""
}

// keySelect is the text a thing is ordered by.
func (l *layout) keySelect() string {
	if l.Kind == farm.KindScrew {
		return `(SELECT printer FROM printers WHERE id = t.printer) COLLATE "C", t.screw`
	}
	return "t." + l.Fields[0].Name
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer func() { _ = d.Close() }()
	return d.Sync()
}
