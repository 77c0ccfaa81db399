package store

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"math/bits"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5"
)

// A backup is a .zip: one file a table in the text form of COPY, in the order the
// rows lay in, the findings of that instant, and a manifest that says what there
// is. Every table of the schema goes in but those that notKept names; the tables
// are asked of the database, so that a new one cannot be forgotten.

// notKept says which tables are no part of a backup, and why.
var notKept = map[string]string{
	"schema_done":       "made by the migrations",
	"schema_migrations": "made by the migrations",
	"sessions":          "whoever was signed in signs in again",
	"plan_in_force":     "worked out anew from the records",
	"plan_changes":      "told of the plan before",
	"schema_oldest":     "made by the migrations",
	"deliveries":        "what waited may have been sent since: a restore sends nothing twice",
}

// Names inside a backup.
const (
	backupFormat   = "basecourse backup 1"
	manifestName   = "manifest.json"
	findingsName   = "findings.json"
	tableFolder    = "tables/"
	mostOfManifest = 4 << 20
)

// Manifest says what a backup holds.
type Manifest struct {
	Format    string           `json:"format"`
	TakenAt   time.Time        `json:"taken_at"` // the findings are as of this instant
	Schema    int              `json:"schema"`
	Done      []int            `json:"schema_done,omitempty"` // the migrations below and with Schema that it has; not told by earlier programs
	Program   string           `json:"program"`               // which build wrote it
	Database  string           `json:"database"`              // version of PostgreSQL
	Tables    []BackupTable    `json:"tables"`
	Sequences []BackupSequence `json:"sequences"`
	Findings  string           `json:"findings_sha256"`
	AuditHead string           `json:"audit_head,omitempty"` // link of the last seal
}

// BackupTable is one table of a backup.
type BackupTable struct {
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
	Rows    int64    `json:"rows"`
	Bytes   int64    `json:"bytes"`
	SHA256  string   `json:"sha256"`  // of the file
	Content string   `json:"content"` // of the rows, in whatever order
}

// BackupSequence is where a sequence stands; null before its first use.
type BackupSequence struct {
	Name string `json:"name"`
	Last *int64 `json:"last"`
}

// Rows is how many rows a backup holds.
func (m *Manifest) Rows() int {
	n := 0
	for _, t := range m.Tables {
		n += int(t.Rows)
	}
	return n
}

// Backup writes the whole farm to w at one instant, while it is being used.
// findings gets a store that sees that instant alone and gives the findings as of
// its time; they are what a restore is checked by. program names the build.
func (s *Store) Backup(ctx context.Context, w io.Writer, program string, findings func(ctx context.Context, at time.Time, seen *Store) ([]byte, error)) (*Manifest, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.Backup", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	m := &Manifest{Format: backupFormat, TakenAt: s.Now(), Program: program}
	var snapshot string
	if err := tx.QueryRow(ctx, `SELECT pg_export_snapshot(), current_setting('server_version'), (SELECT max(version) FROM schema_done), (SELECT array_agg(version ORDER BY version) FROM schema_done)`).Scan(&snapshot, &m.Database, &m.Schema, &m.Done); err != nil {
		return nil, wrap("store.Backup", err)
	}
	if err := sameText(ctx, tx); err != nil {
		return nil, wrap("store.Backup", err)
	}
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) { return flate.NewWriter(out, flate.BestSpeed) })
	entry := func(name string) (io.Writer, error) {
		h := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: m.TakenAt}
		h.SetMode(0o600)
		return z.CreateHeader(h)
	}
	if m.AuditHead, err = chainHead(ctx, tx); err != nil {
		return nil, wrap("store.Backup", err)
	}
	if m.Tables, err = tablesOf(ctx, tx); err != nil {
		return nil, wrap("store.Backup", err)
	}
	for i := range m.Tables {
		out, err := entry(tableFolder + m.Tables[i].Name)
		if err != nil {
			return nil, err
		}
		if err := copyOut(ctx, tx, &m.Tables[i], out); err != nil {
			return nil, wrap("store.Backup: "+m.Tables[i].Name, err)
		}
	}
	if m.Sequences, err = sequencesOf(ctx, tx); err != nil {
		return nil, wrap("store.Backup", err)
	}
	seen := *s
	seen.snapshot = snapshot
	answer, err := findings(ctx, m.TakenAt, &seen)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(answer)
	m.Findings = hex.EncodeToString(sum[:])
	if err := writeEntry(entry, findingsName, answer); err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return nil, err
	}
	if err := writeEntry(entry, manifestName, text); err != nil {
		return nil, err
	}
	if err := z.SetComment("rows " + strconv.Itoa(m.Rows())); err != nil {
		return nil, err
	}
	return m, z.Close()
}

func writeEntry(entry func(string) (io.Writer, error), name string, body []byte) error {
	out, err := entry(name)
	if err == nil {
		_, err = out.Write(body)
	}
	return err
}

// sameText makes COPY write the same bytes whatever the server's settings are,
// and the rows in the order they lie in.
func sameText(ctx context.Context, tx pgx.Tx) error {
	_, err := tx.Exec(ctx, `SET LOCAL datestyle = 'ISO'; SET LOCAL timezone = 'UTC'; SET LOCAL intervalstyle = 'postgres'; SET LOCAL bytea_output = 'hex';
		SET LOCAL extra_float_digits = 1; SET LOCAL synchronize_seqscans = off`)
	return err
}

// tablesOf lists the tables that are kept, with the columns that are stored, by
// name.
func tablesOf(ctx context.Context, tx pgx.Tx) ([]BackupTable, error) {
	rows, err := tx.Query(ctx, `SELECT c.relname, array_agg(a.attname::text ORDER BY a.attnum)
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
		WHERE c.relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = current_schema()) AND c.relkind = 'r' GROUP BY c.relname ORDER BY c.relname COLLATE "C"`)
	if err != nil {
		return nil, err
	}
	var list []BackupTable
	var t BackupTable
	_, err = pgx.ForEachRow(rows, []any{&t.Name, &t.Columns}, func() error {
		if notKept[t.Name] == "" {
			list = append(list, BackupTable{Name: t.Name, Columns: slices.Clone(t.Columns)})
		}
		return nil
	})
	return list, err
}

func sequencesOf(ctx context.Context, tx pgx.Tx) ([]BackupSequence, error) {
	rows, err := tx.Query(ctx, `SELECT sequencename, last_value FROM pg_sequences WHERE schemaname = current_schema() ORDER BY sequencename COLLATE "C"`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (q BackupSequence, err error) {
		err = r.Scan(&q.Name, &q.Last)
		return q, err
	})
}

// copySQL is what stands behind COPY for a table.
func (t *BackupTable) copySQL() string {
	list := ""
	for i, c := range t.Columns {
		if i > 0 {
			list += ", "
		}
		list += pgx.Identifier{c}.Sanitize()
	}
	return pgx.Identifier{t.Name}.Sanitize() + " (" + list + ")"
}

// copyOut writes a table and notes rows, bytes and both digests.
func copyOut(ctx context.Context, tx pgx.Tx, t *BackupTable, out io.Writer) error {
	d := newDigest()
	tag, err := tx.Conn().PgConn().CopyTo(ctx, io.MultiWriter(out, d), "COPY "+t.copySQL()+" TO STDOUT")
	if err != nil {
		return err
	}
	t.Rows = tag.RowsAffected()
	t.Bytes, t.SHA256, t.Content = d.bytes, d.file(), d.content()
	return nil
}

// digest sums a table up: its bytes, and its rows in whatever order (the sum of
// the rows' hashes modulo 2^256), because a database need not give rows back in
// the order they came.
type digest struct {
	whole hash.Hash
	rest  []byte
	sum   [4]uint64
	bytes int64
	rows  int64
}

func newDigest() *digest { return &digest{whole: sha256.New()} }

// Write takes a piece of a table's text; a row may come in several.
func (d *digest) Write(p []byte) (int, error) {
	d.whole.Write(p)
	d.bytes += int64(len(p))
	n := len(p)
	for {
		i := bytes.IndexByte(p, '\n')
		if i < 0 {
			d.rest = append(d.rest, p...)
			return n, nil
		}
		if len(d.rest) > 0 {
			d.add(append(d.rest, p[:i]...))
			d.rest = d.rest[:0]
		} else {
			d.add(p[:i])
		}
		p = p[i+1:]
	}
}

func (d *digest) add(row []byte) {
	h := sha256.Sum256(row)
	var carry uint64
	for i := range d.sum {
		var word uint64
		for _, b := range h[8*i : 8*i+8] {
			word = word<<8 | uint64(b)
		}
		d.sum[i], carry = bits.Add64(d.sum[i], word, carry)
	}
	d.rows++
}

func (d *digest) file() string { return hex.EncodeToString(d.whole.Sum(nil)) }

func (d *digest) content() string {
	return fmt.Sprintf("%016x%016x%016x%016x", d.sum[3], d.sum[2], d.sum[1], d.sum[0])
}

// backupFile is a backup that was opened.
type backupFile struct {
	*zip.ReadCloser
	Manifest
	path     string
	findings []byte
}

// openBackup opens a backup and reads it through: a file that is cut off, changed
// or none of ours is refused before anything is done with it.
func openBackup(ctx context.Context, path string) (*backupFile, error) {
	z, err := zip.OpenReader(path)
	if errors.Is(err, zip.ErrFormat) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return nil, fault.New(fault.Invalid, "%s: this is no whole backup: it is damaged, cut off or something else", path)
	}
	if err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "%s cannot be read", path)
	}
	b := &backupFile{ReadCloser: z, path: path}
	if err := b.check(ctx); err != nil {
		_ = z.Close()
		var refusal *fault.Error
		if errors.As(err, &refusal) {
			refusal.Detail = path + ": " + refusal.Detail
		}
		return nil, err
	}
	return b, nil
}

func (b *backupFile) check(ctx context.Context) error {
	text, err := b.read(manifestName)
	if err != nil {
		return damaged(manifestName, err)
	}
	if err := json.Unmarshal(text, &b.Manifest); err != nil {
		return damaged(manifestName, err)
	}
	if b.Format != backupFormat {
		return fault.New(fault.Invalid, "the form of this backup is %s, and this program reads %q", fault.Quote(b.Format), backupFormat)
	}
	if b.findings, err = b.read(findingsName); err != nil {
		return damaged(findingsName, err)
	}
	if sum := sha256.Sum256(b.findings); hex.EncodeToString(sum[:]) != b.Manifest.Findings {
		return damaged(findingsName, nil)
	}
	for i := range b.Tables {
		t := &b.Tables[i]
		d := newDigest()
		if err := b.stream(ctx, t.Name, d); err != nil {
			return damaged(tableFolder+t.Name, err)
		}
		if d.file() != t.SHA256 || d.content() != t.Content || d.rows != t.Rows || d.bytes != t.Bytes {
			return damaged(tableFolder+t.Name, nil)
		}
	}
	return nil
}

func damaged(name string, err error) error {
	return fault.Wrap(fault.Invalid, err, "this backup is damaged: its part %s is not what was written", name)
}

// read reads a small part.
func (b *backupFile) read(name string) ([]byte, error) {
	f, err := b.Open(name)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	limit := int64(mostOfManifest)
	if name == findingsName {
		limit = 1 << 30
	}
	return io.ReadAll(io.LimitReader(f, limit))
}

// stream writes a table's text to w.
func (b *backupFile) stream(ctx context.Context, table string, w io.Writer) error {
	f, err := b.Open(tableFolder + table)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	_, err = io.Copy(w, withContext{ctx, f})
	return err
}

// withContext ends reading when ctx ends.
type withContext struct {
	ctx context.Context
	r   io.Reader
}

// Read reads unless ctx has ended.
func (r withContext) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// CheckBackup reads a backup through and tells what it holds.
func CheckBackup(ctx context.Context, path string) (*Manifest, error) {
	b, err := openBackup(ctx, path)
	if err != nil {
		return nil, err
	}
	return &b.Manifest, b.Close()
}
