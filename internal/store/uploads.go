package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"time"

	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Upload is a bundle that waits between its check and its import. It is kept in
// the database, so that every replica finds it, and goes after uploadKept.
type Upload struct {
	ID      uuid.UUID
	Person  string // handle of who sent it
	Name    string // what they called it
	MadeAt  time.Time
	Change  bool   // things that are there already may be changed
	Stored  string // nothing, all, good_rows, undone: what of it went into the farm
	Mapping string // JSON, how it is read when it is a log of another form; "" a bundle
	Report  UploadReport
}

// UploadReport is what its check, and later its import, found.
type UploadReport struct {
	Report
	Rows []RefusedRow `json:"rows"`
}

// What an upload consists of.
const (
	UploadSent    = "sent"    // the bundle as a .zip
	UploadRefused = "refused" // its refused rows as a .zip
)

const (
	uploadKept = 24 * time.Hour
	uploadPart = 1 << 20
)

// KeepUpload keeps a bundle; person is the database's key of who sent it.
func (s *Store) KeepUpload(ctx context.Context, person int32, name string, change bool, bundle io.Reader) (uuid.UUID, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return id, err
	}
	tx, err := s.pool.Begin(ctx)
	if err != nil {
		return id, wrap("store.KeepUpload", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	if _, err := tx.Exec(ctx, `INSERT INTO uploads (id, person, name, made_at, change) VALUES ($1, $2, $3, $4, $5)`, id, person, name, s.Now(), change); err != nil {
		return id, wrap("store.KeepUpload", err)
	}
	if err := keepParts(ctx, tx, id, UploadSent, bundle); err != nil {
		return id, wrap("store.KeepUpload", err)
	}
	return id, wrap("store.KeepUpload", tx.Commit(ctx))
}

func keepParts(ctx context.Context, tx pgx.Tx, id uuid.UUID, what string, r io.Reader) error {
	buf := make([]byte, uploadPart)
	for part := 0; ; part++ {
		n, err := io.ReadFull(r, buf)
		if n > 0 {
			if _, err := tx.Exec(ctx, `INSERT INTO upload_parts (upload, what, part, data) VALUES ($1, $2, $3, $4)`, id, what, part, buf[:n]); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// NoteUpload keeps what a check or an import found; refused, where not nil, is
// the .zip of refused rows.
func (s *Store) NoteUpload(ctx context.Context, id uuid.UUID, change bool, stored string, report UploadReport, refused io.Reader) error {
	body, err := json.Marshal(report)
	if err != nil {
		return err
	}
	body = withoutNUL(body)
	tx, err := s.pool.Begin(ctx)
	if err != nil {
		return wrap("store.NoteUpload", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	if _, err := tx.Exec(ctx, `UPDATE uploads SET change = $2, stored = $3, report = $4 WHERE id = $1`, id, change, stored, body); err != nil {
		return wrap("store.NoteUpload", err)
	}
	if refused != nil {
		if _, err := tx.Exec(ctx, `DELETE FROM upload_parts WHERE upload = $1 AND what = $2`, id, UploadRefused); err != nil {
			return wrap("store.NoteUpload", err)
		}
		if err := keepParts(ctx, tx, id, UploadRefused, refused); err != nil {
			return wrap("store.NoteUpload", err)
		}
	}
	return wrap("store.NoteUpload", tx.Commit(ctx))
}

// withoutNUL puts another character for each NUL of a JSON text, which the database
// does not take: what is found wrong in an upload may be anything.
func withoutNUL(body []byte) []byte {
	out := make([]byte, 0, len(body))
	for i := 0; i < len(body); i++ {
		switch {
		case body[i] != '\\':
			out = append(out, body[i])
		case bytes.HasPrefix(body[i:], []byte(`\u0000`)):
			out = append(out, `\ufffd`...)
			i += len(`\u0000`) - 1
		default:
			out = append(out, body[i], body[i+1])
			i++
		}
	}
	return out
}

// Upload gives a kept bundle without its content; NotFound once it has gone.
func (s *Store) Upload(ctx context.Context, id uuid.UUID) (Upload, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	u := Upload{ID: id}
	var report []byte
	err := s.pool.QueryRow(ctx, `SELECT p.person, u.name, u.made_at, u.change, u.stored, coalesce(u.mapping, ''), coalesce(u.report, '{}') FROM uploads u JOIN people p ON p.id = u.person
		WHERE u.id = $1 AND u.made_at > $2`, id, s.Now().Add(-uploadKept)).Scan(&u.Person, &u.Name, &u.MadeAt, &u.Change, &u.Stored, &u.Mapping, &report)
	if errors.Is(err, pgx.ErrNoRows) {
		return u, fault.New(fault.NotFound, "There is no such upload. Uploads are kept for a day.")
	}
	if err != nil {
		return u, wrap("store.Upload", err)
	}
	return u, json.Unmarshal(report, &u.Report)
}

// WriteUpload writes an upload's content to w; NotFound when it has none of that
// kind.
func (s *Store) WriteUpload(ctx context.Context, id uuid.UUID, what string, w io.Writer) error {
	for part := 0; ; part++ {
		data, err := s.uploadPart(ctx, id, what, part)
		if errors.Is(err, pgx.ErrNoRows) && part > 0 {
			return nil
		}
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.NotFound, "There is no such upload. Uploads are kept for a day.")
		}
		if err != nil {
			return wrap("store.WriteUpload", err)
		}
		if _, err := w.Write(data); err != nil {
			return err
		}
	}
}

func (s *Store) uploadPart(ctx context.Context, id uuid.UUID, what string, part int) (data []byte, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT data FROM upload_parts WHERE upload = $1 AND what = $2 AND part = $3`, id, what, part).Scan(&data)
	return data, err
}

// DropUpload throws an upload away.
func (s *Store) DropUpload(ctx context.Context, id uuid.UUID) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `DELETE FROM uploads WHERE id = $1`, id)
	return wrap("store.DropUpload", err)
}

// Uploads lists what is kept, newest first, without reports.
func (s *Store) Uploads(ctx context.Context) ([]Upload, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT u.id, p.person, u.name, u.made_at, u.change, u.stored FROM uploads u JOIN people p ON p.id = u.person
		WHERE u.made_at > $1 ORDER BY u.made_at DESC LIMIT 20`, s.Now().Add(-uploadKept))
	if err != nil {
		return nil, wrap("store.Uploads", err)
	}
	var list []Upload
	var u Upload
	_, err = pgx.ForEachRow(rows, []any{&u.ID, &u.Person, &u.Name, &u.MadeAt, &u.Change, &u.Stored}, func() error { list = append(list, u); return nil })
	return list, wrap("store.Uploads", err)
}
