package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// LayerSearch asks for first layers. Empty fields ask for nothing.
type LayerSearch struct {
	Marks    []string // at least one of these was seen
	Grades   []string
	Printers []string // tags
	Bays     []string
	Plates   []string  // tags
	From, To time.Time // From <= started_at < To
	Before   Cursor    // older than this one
	Limit    int
}

// FoundLayer is a first layer that was found.
type FoundLayer struct {
	ID        uuid.UUID
	StartedAt time.Time
	Printer   string
	Plate     string // "" not named
	Job       string
	Grade     string
	Marks     string
}

// SearchLayers finds first layers, the latest first. Voided ones are left out.
func (s *Store) SearchLayers(ctx context.Context, q LayerSearch) ([]FoundLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var args []any
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	where := []string{"f.voided_at IS NULL"}
	if len(q.Marks) > 0 {
		var likes []string
		for _, m := range q.Marks {
			likes = append(likes, "strpos(f.marks, "+arg(":"+m+":")+") > 0")
		}
		where = append(where, "f.marks IS NOT NULL", "("+strings.Join(likes, " OR ")+")")
	}
	if len(q.Grades) > 0 {
		where = append(where, "f.grade = ANY ("+arg(q.Grades)+"::grade_code[])")
	}
	if len(q.Printers) > 0 {
		where = append(where, "f.printer = ANY (ARRAY(SELECT id FROM printers WHERE printer = ANY ("+arg(q.Printers)+")))")
	}
	if len(q.Bays) > 0 {
		where = append(where, "f.printer = ANY (ARRAY(SELECT id FROM printers WHERE bay = ANY ("+arg(q.Bays)+")))")
	}
	if len(q.Plates) > 0 {
		where = append(where, "f.plate = ANY (ARRAY(SELECT id FROM plates WHERE plate = ANY ("+arg(q.Plates)+")))")
	}
	if !q.From.IsZero() {
		where = append(where, "f.started_at >= "+arg(q.From))
	}
	if !q.To.IsZero() {
		where = append(where, "f.started_at < "+arg(q.To))
	}
	if !q.Before.IsZero() {
		where = append(where, "f.started_at <= "+arg(q.Before.At), "(f.started_at, f.id) < ("+arg(q.Before.At)+", "+arg(q.Before.ID)+")")
	}
	// The rows are found first, and joined to their names afterwards.
	sql := `WITH found AS MATERIALIZED (
		SELECT f.id, f.started_at FROM first_layers f WHERE ` + strings.Join(where, " AND ") + `
		ORDER BY f.started_at DESC, f.id DESC LIMIT ` + arg(q.Limit) + `)
	SELECT f.id, f.started_at, p.printer, coalesce(l.plate, '') AS plate, coalesce(j.job, '') AS job, coalesce(f.grade::text, '') AS grade, coalesce(f.marks, '') AS marks
	FROM found x CROSS JOIN LATERAL (SELECT * FROM first_layers f WHERE f.started_at = x.started_at AND f.id = x.id) f
		JOIN printers p ON p.id = f.printer LEFT JOIN plates l ON l.id = f.plate LEFT JOIN jobs j ON j.id = f.job
	ORDER BY f.started_at DESC, f.id DESC`
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return nil, wrap("store.SearchLayers", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[FoundLayer])
	return list, wrap("store.SearchLayers", err)
}

// FoundName is a job or a person that was found: its key and its longer name.
type FoundName struct{ Key, Name string }

// SearchJobs finds jobs that have text in their key or name, open ones and late
// ones first.
func (s *Store) SearchJobs(ctx context.Context, text string, limit int) ([]FoundName, error) {
	return s.names(ctx, `SELECT job, coalesce(name, '') FROM jobs WHERE strpos(lower(job), lower($1)) > 0 OR strpos(lower(coalesce(name, '')), lower($1)) > 0
		ORDER BY closed_at IS NOT NULL, due NULLS LAST, id DESC LIMIT $2`, text, limit)
}

// SearchPeople finds people of the crew who have text in their handle or name; of
// those, when only is given, that one alone.
func (s *Store) SearchPeople(ctx context.Context, text, only string, limit int) ([]FoundName, error) {
	return s.names(ctx, `SELECT person, coalesce(name, '') FROM people WHERE (strpos(lower(person), lower($1)) > 0 OR strpos(lower(coalesce(name, '')), lower($1)) > 0)
		AND ($3 = '' OR person = $3) AND removed_at IS NULL ORDER BY person COLLATE "C" LIMIT $2`, text, limit, only)
}

func (s *Store) names(ctx context.Context, sql string, args ...any) ([]FoundName, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return nil, wrap("store.names", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[FoundName])
	return list, wrap("store.names", err)
}
