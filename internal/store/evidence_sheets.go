package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// SheetWanted is an evidence sheet that is to be worked out, for a state of the farm
// that stands: it does not matter when that is done, or by which server.
type SheetWanted struct {
	ID                      uuid.UUID // of the record to be
	SubjectKind, Tag, Cause string
	At, KnownAt             time.Time
	Because, Person, Via    string
	Tries                   int
	Failed                  string // why it is not tried again; "" it is
	AskedAt                 time.Time
}

// WantSheet asks for an evidence sheet. The same id twice is asked once.
func (s *Store) WantSheet(ctx context.Context, w SheetWanted) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	return wrap("store.WantSheet", wantSheet(ctx, s.pool, w))
}

func wantSheet(ctx context.Context, db interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}, w SheetWanted) error {
	_, err := db.Exec(ctx, `INSERT INTO sheets_wanted (id, subject_kind, subject, cause, at, known_at, because, person, via)
		SELECT $1, $2::subject_code, $3, $4::cause_code, $5, $6, $7::sheet_because_code, (SELECT id FROM people WHERE person = $8), $9
		WHERE NOT EXISTS (SELECT FROM evidence_sheets WHERE id = $1) ON CONFLICT (id) DO NOTHING`,
		w.ID, w.SubjectKind, w.Tag, w.Cause, w.At, w.KnownAt, w.Because, w.Person, w.Via)
	return err
}

const wantedColumns = `w.id, w.subject_kind::text, w.subject, w.cause::text, w.at, w.known_at, w.because::text, coalesce(p.person, ''), w.via, w.tries, coalesce(w.failed, ''), w.asked_at`

// sheetsLease is how long a server has for the sheets it took: a farm of a million
// first layers takes under a minute.
const sheetsLease = "10 minutes"

// sheetTries is how often a sheet is tried before it is given up.
const sheetTries = 3

// TakeSheets takes the sheets of one state of the farm that are to be worked out, the
// longest asked first, none twice at a time. What was being written when they were
// asked for is waited for, so that nothing that counts as known by then comes later:
// settle is how long that is at the least.
func (s *Store) TakeSheets(ctx context.Context, settle time.Duration) ([]SheetWanted, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
WITH next AS (
	SELECT at, known_at FROM sheets_wanted n
	WHERE failed IS NULL AND (taken_at IS NULL OR taken_at < clock_timestamp() - interval '`+sheetsLease+`') AND asked_at <= clock_timestamp() - $1::interval
		AND NOT EXISTS (SELECT FROM pg_stat_activity a WHERE a.datname = current_database() AND a.backend_xid IS NOT NULL AND a.xact_start <= n.asked_at)
	ORDER BY asked_at, id LIMIT 1
), taken AS (
	SELECT w.id FROM sheets_wanted w, next WHERE (w.at, w.known_at) = (next.at, next.known_at) AND w.failed IS NULL
		AND (w.taken_at IS NULL OR w.taken_at < clock_timestamp() - interval '`+sheetsLease+`') ORDER BY w.id FOR UPDATE OF w SKIP LOCKED
), w AS (
	UPDATE sheets_wanted u SET taken_at = clock_timestamp(), tries = tries + 1 FROM taken WHERE u.id = taken.id RETURNING u.*
)
SELECT `+wantedColumns+` FROM w LEFT JOIN people p ON p.id = w.person ORDER BY w.subject_kind, w.subject COLLATE "C", w.cause`, settle)
	if err != nil {
		return nil, wrap("store.TakeSheets", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[SheetWanted])
	return list, wrap("store.TakeSheets", err)
}

// SheetWanted gives a sheet that was asked for and is not written yet; NotFound when
// there is none.
func (s *Store) SheetWanted(ctx context.Context, id uuid.UUID) (SheetWanted, error) {
	list, err := s.sheetsWanted(ctx, `w.id = $1`, id)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, "there is no evidence sheet %s", id)
	}
	if err != nil {
		return SheetWanted{}, wrap("store.SheetWanted", err)
	}
	return list[0], nil
}

// SheetsWanted lists those of one finding, the latest first.
func (s *Store) SheetsWanted(ctx context.Context, kind, tag, cause string) ([]SheetWanted, error) {
	list, err := s.sheetsWanted(ctx, `w.subject_kind::text = $1 AND w.subject = $2 AND w.cause::text = $3`, kind, tag, cause)
	return list, wrap("store.SheetsWanted", err)
}

func (s *Store) sheetsWanted(ctx context.Context, where string, args ...any) ([]SheetWanted, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT `+wantedColumns+` FROM sheets_wanted w LEFT JOIN people p ON p.id = w.person WHERE `+where+` ORDER BY w.asked_at DESC, w.id`, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[SheetWanted])
}

// KeepSheet records a sheet that was wanted, with the way every record goes, and takes
// it off the list.
func (s *Store) KeepSheet(ctx context.Context, w SheetWanted, state, definitions string, sheet []byte) error {
	r := map[string]any{"kind": farm.KindEvidenceSheet, "id": w.ID.String(), "subject_kind": w.SubjectKind, "subject": w.Tag, "cause": w.Cause, "at": intake.Stamp(w.At),
		"known_at": intake.Stamp(w.KnownAt), "because": w.Because, "state": state, "definitions": definitions, "sheet": string(sheet)}
	if w.Person != "" {
		r["person"] = w.Person
	}
	body, err := json.Marshal(r)
	if err != nil {
		return wrap("store.KeepSheet", err)
	}
	if _, err = s.Record(ctx, Act{Via: "program", Why: "evidence of a finding"}, intake.ParseRecord(body, "", s.Now())); err != nil {
		return wrap("store.KeepSheet", err)
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err = s.pool.Exec(ctx, `DELETE FROM sheets_wanted WHERE id = $1`, w.ID)
	return wrap("store.KeepSheet", err)
}

// FailSheet says that a sheet could not be worked out: at once for good with final,
// else after some tries.
func (s *Store) FailSheet(ctx context.Context, id uuid.UUID, why string, final bool) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE sheets_wanted SET taken_at = NULL, failed = CASE WHEN $3 OR tries >= $4 THEN $2 END WHERE id = $1`, id, why, final, sheetTries)
	return wrap("store.FailSheet", err)
}

// EvidenceSheet gives a sheet as it was kept; NotFound when there is none.
func (s *Store) EvidenceSheet(ctx context.Context, id farm.ID) (*farm.EvidenceSheet, error) {
	list, err := s.evidenceSheets(ctx, ` WHERE t.id = $1`, id.UUID)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, "There is no evidence sheet %s.", id.Text())
	}
	if err != nil {
		return nil, wrap("store.EvidenceSheet", err)
	}
	return list[0], nil
}

// SheetLine is what a list says of a sheet.
type SheetLine struct {
	ID                          uuid.UUID
	SubjectKind, Subject, Cause string
	At                          time.Time
	Because, State, Definitions string
	Person                      string
	Voided                      bool
}

const sheetLinesSQL = `SELECT t.id, t.subject_kind::text, coalesce(p.printer, l.plate), t.cause::text, t.at, t.because::text, t.state::text, t.definitions, coalesce(w.person, ''), t.voided_at IS NOT NULL
FROM evidence_sheets t LEFT JOIN printers p ON p.id = t.printer LEFT JOIN plates l ON l.id = t.plate LEFT JOIN people w ON w.id = t.person `

// SheetsOf lists the sheets of one finding, the latest first.
func (s *Store) SheetsOf(ctx context.Context, kind, tag, cause string) ([]SheetLine, error) {
	column := "printer"
	if kind == "plate" {
		column = "plate"
	}
	list, err := s.sheetLines(ctx, `WHERE t.`+column+` = (SELECT id FROM `+column+`s WHERE `+column+` = $1) AND t.cause::text = $2 ORDER BY t.at DESC, t.id DESC LIMIT 100`, tag, cause)
	return list, wrap("store.SheetsOf", err)
}

// SheetsBetween lists the sheets with from < at <= to of all findings, the first first.
func (s *Store) SheetsBetween(ctx context.Context, from, to time.Time) ([]SheetLine, error) {
	list, err := s.sheetLines(ctx, `WHERE t.at > $1 AND t.at <= $2 AND t.voided_at IS NULL ORDER BY t.at, t.id LIMIT 1000`, from, to)
	return list, wrap("store.SheetsBetween", err)
}

func (s *Store) sheetLines(ctx context.Context, rest string, args ...any) ([]SheetLine, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, sheetLinesSQL+rest, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[SheetLine])
}

func (s *Store) evidenceSheets(ctx context.Context, rest string, args ...any) ([]*farm.EvidenceSheet, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindEvidenceSheet, rest, args...)
	if err != nil {
		return nil, err
	}
	out := make([]*farm.EvidenceSheet, len(list))
	for i, r := range list {
		out[i] = r.(*farm.EvidenceSheet)
	}
	return out, nil
}

// VoidedLayers counts the first layers of a printer or plate with from < start <= to
// that had been voided by a time.
func (s *Store) VoidedLayers(ctx context.Context, kind, tag string, from, to, knownAt time.Time) (int, error) {
	column := "printer"
	if kind == "plate" {
		column = "plate"
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	var n int
	err := s.pool.QueryRow(ctx, `SELECT count(*)::int FROM first_layers t WHERE t.`+column+` = (SELECT id FROM `+column+`s WHERE `+column+` = $1)
		AND t.started_at > $2 AND t.started_at <= $3 AND t.arrived_at <= $4 AND t.void_arrived_at <= $4`, tag, from, to, knownAt).Scan(&n)
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return n, wrap("store.VoidedLayers", err)
}
