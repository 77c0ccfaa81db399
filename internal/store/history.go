package store

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Thing is one printer or one plate by its number: exactly one is not 0.
type Thing struct{ Printer, Plate int32 }

func (t Thing) column() (name string, id int32) {
	if t.Printer != 0 {
		return "printer", t.Printer
	}
	return "plate", t.Plate
}

// HistoryEntry is one event of a printer or a plate, of any kind, reduced to
// what a line of a history needs.
type HistoryEntry struct {
	Kind       string
	ID         uuid.UUID
	At         time.Time
	EndedAt    *time.Time // removed_at of a fitting, released_at of a hold
	NotedAt    time.Time
	ArrivedAt  time.Time
	VoidedAt   *time.Time
	VoidedBy   string
	VoidReason string
	Replaces   bool   // stands for a record that was voided
	Code       string // grade, method, extent, reason, work, state, cause
	Other      string // the plate of a printer's event, the printer of a plate's
	Person     string
	Detail     string // material, agent, note, reason
	EndDetail  string // outcome of a first layer, release reason of a hold
	Side       string // plate side: a, b
	Turned     string // plate turned by 180 degrees: yes, no
	Shown      bool   // a first layer's underside shows
	Marks      string
	FromMM     *float64 // of an offset change; the nudge of a first layer
	ToMM       *float64
	Columns    *int // of a mesh
	Rows       *int
	RangeMM    *float64 // highest minus lowest of a mesh
	BedTempC   *float64
}

// Cursor is a place in a list by time and id; zero is the beginning.
type Cursor struct {
	At time.Time
	ID uuid.UUID
}

// IsZero tells whether the cursor is the beginning.
func (c Cursor) IsZero() bool { return c.At.IsZero() }

// farFuture is after every record: times lie at most a day ahead.
var farFuture = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

var lastID = uuid.UUID{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}

// HistoryKinds are the kinds of events in a thing's history, in the bundle's
// order.
func (t Thing) HistoryKinds() []string {
	column, _ := t.column()
	var kinds []string
	for _, p := range historyParts {
		if p.has(column) {
			kinds = append(kinds, p.kind)
		}
	}
	return kinds
}

// History gives a thing's events of a kind ("" every kind) before a cursor,
// newest first, voided ones too; at most limit.
func (s *Store) History(ctx context.Context, of Thing, kind string, before Cursor, limit int) ([]HistoryEntry, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	if before.IsZero() {
		before = Cursor{farFuture, lastID}
	}
	column, id := of.column()
	rows, err := s.pool.Query(ctx, historySQL(column, kind), id, before.At, before.ID, limit)
	if err != nil {
		return nil, wrap("store.History", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[HistoryEntry])
	return list, wrap("store.History", err)
}

// LatestOf gives a thing's latest events of each of some kinds, voided ones
// too; at most limit of each.
func (s *Store) LatestOf(ctx context.Context, of Thing, limit int, kinds ...string) (map[string][]HistoryEntry, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column, id := of.column()
	batch := &pgx.Batch{}
	for _, kind := range kinds {
		batch.Queue(historySQL(column, kind), id, farFuture, lastID, limit)
	}
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	out := map[string][]HistoryEntry{}
	for _, kind := range kinds {
		rows, err := r.Query()
		if err != nil {
			return nil, wrap("store.LatestOf", err)
		}
		if out[kind], err = pgx.CollectRows(rows, pgx.RowToStructByName[HistoryEntry]); err != nil {
			return nil, wrap("store.LatestOf", err)
		}
	}
	return out, nil
}

// historyPart is one table's share of a history; its row is t.
type historyPart struct {
	kind, table, when string
	owners            string // columns by which it belongs to a thing
	other             bool   // it names a printer and a plate
	columns           map[string]string
}

func (p *historyPart) has(column string) bool {
	return slices.Contains(strings.Fields(p.owners), column)
}

var historyParts = []historyPart{
	{"first_layer", "first_layers", "started_at", "printer plate", true, map[string]string{"code": "t.grade::text", "person": "t.grader",
		"detail": "(SELECT material FROM materials WHERE id = t.material)", "end_detail": "coalesce(t.outcome::text, CASE t.unseen WHEN 'yes' THEN 'unseen' END)", "side": "t.plate_side::text", "turned": "t.plate_turned::text",
		"shown": "coalesce(t.underside = 'shown', false)", "marks": "t.marks", "from_mm": "t.nudge_mm"}},
	{"cleaning", "cleanings", "cleaned_at", "plate", false, map[string]string{"code": "t.method::text", "detail": "concat_ws(', ', t.agent, t.note)", "side": "t.plate_side::text"}},
	{"probe", "probes", "probed_at", "printer", true, map[string]string{"code": "t.extent::text", "side": "t.plate_side::text", "turned": "t.plate_turned::text",
		"mesh_columns": "t.columns", "mesh_rows": "t.rows", "bed_temp_c": "t.bed_temp_c", "end_detail": "CASE t.in_use WHEN 'no' THEN 'not in use' END",
		"range_mm": "(SELECT max(h) - min(h) FROM unnest(t.heights_mm) h)"}},
	{"probe_skipped", "probes_skipped", "at", "printer", false, map[string]string{"code": "t.reason::text", "detail": "t.note"}},
	{"offset_change", "offset_changes", "changed_at", "printer", false, map[string]string{"detail": "t.reason", "from_mm": "t.from_mm", "to_mm": "t.to_mm"}},
	{"service", "services", "done_at", "printer", false, map[string]string{"code": "t.work::text", "detail": "t.note"}},
	{"fitting", "fittings", "fitted_at", "printer plate", true, map[string]string{"ended_at": "t.removed_at", "side": "t.plate_side::text", "turned": "t.plate_turned::text"}},
	{"plate_state", "plate_states", "at", "plate", false, map[string]string{"code": "t.state::text", "detail": "t.reason"}},
	{"hold", "holds", "placed_at", "printer plate", false, map[string]string{"ended_at": "t.released_at", "detail": "t.reason", "end_detail": "t.release_reason", "code": "t.release_is::text"}},
	{"disagreement", "disagreements", "at", "printer plate", false, map[string]string{"code": "t.cause::text", "detail": "t.reason"}},
	{"advice_done", "advice_done", "at", "printer plate", false, map[string]string{"code": "t.answer::text", "end_detail": "t.action::text", "detail": "t.reason", "marks": "t.first_layer"}},
	{"case_step", "case_steps", "at", "printer plate", false, map[string]string{"code": "t.cause::text", "end_detail": "t.step::text", "detail": "t.reason"}},
	{"planned_test", "planned_tests", "begins_at", "printer plate", false, map[string]string{"ended_at": "t.ended_at", "code": "t.task::text", "detail": "t.reason", "end_detail": "t.end_reason"}},
	{"evidence_sheet", "evidence_sheets", "at", "printer plate", false, map[string]string{"code": "t.cause::text", "end_detail": "t.state::text", "detail": "t.because::text"}},
	{"task_skipped", "tasks_skipped", "at", "printer plate", true, map[string]string{"code": "t.task::text", "end_detail": "t.reason::text", "detail": "t.note"}},
	{"draw", "draws", "drawn_at", "printer", true, map[string]string{"code": "t.task::text", "end_detail": "t.arm::text", "detail": "t.why", "from_mm": "t.chance"}},
}

// historyColumns are what every part gives, with the type of what it has not.
var historyColumns = [][2]string{{"ended_at", "timestamptz"}, {"code", "text"}, {"other", "text"}, {"person", "int"}, {"detail", "text"}, {"end_detail", "text"},
	{"side", "text"}, {"turned", "text"}, {"shown", "bool"}, {"marks", "text"}, {"from_mm", "float8"}, {"to_mm", "float8"}, {"mesh_columns", "int"}, {"mesh_rows", "int"},
	{"range_mm", "float8"}, {"bed_temp_c", "float8"}}

// historySQL reads a history by printer or by plate. Every part reads at most
// $4 rows by its own index. $1 thing, $2 and $3 cursor, $4 limit.
func historySQL(column, kind string) string {
	var parts []string
	for i := range historyParts {
		p := &historyParts[i]
		if !p.has(column) || kind != "" && p.kind != kind {
			continue
		}
		list := []string{"'" + p.kind + "' AS kind", "t.id", "t." + p.when + " AS at", "t.noted_at", "t.arrived_at", "t.voided_at", "t.voided_by", "t.void_reason", "t.replaces"}
		for _, c := range historyColumns {
			from, ok := p.columns[c[0]]
			switch {
			case ok:
			case c[0] == "other" && p.other && column == "printer":
				from = "(SELECT plate FROM plates WHERE id = t.plate)"
			case c[0] == "other" && p.other:
				from = "(SELECT printer FROM printers WHERE id = t.printer)"
			case c[0] == "person":
				from = "t.person"
			default:
				from = "NULL::" + c[1]
			}
			list = append(list, from+" AS "+c[0])
		}
		at := "t." + p.when
		parts = append(parts, "(SELECT "+strings.Join(list, ", ")+" FROM "+p.table+" t WHERE t."+column+" = $1 AND "+at+" <= $2 AND ("+at+", t.id) < ($2, $3) ORDER BY "+at+" DESC, t.id DESC LIMIT $4)")
	}
	return `SELECT e.kind, e.id, e.at, e.ended_at, e.noted_at, e.arrived_at, e.voided_at, coalesce(e.void_reason, '') AS void_reason, e.replaces IS NOT NULL AS replaces,
	coalesce(e.code, '') AS code, coalesce(e.other, '') AS other, coalesce(e.detail, '') AS detail, coalesce(e.end_detail, '') AS end_detail,
	coalesce(w.person, '') AS person, coalesce(v.person, '') AS voided_by, coalesce(e.side, '') AS side, coalesce(e.turned, '') AS turned,
	coalesce(e.shown, false) AS shown, coalesce(e.marks, '') AS marks, e.from_mm, e.to_mm, e.mesh_columns::int AS columns, e.mesh_rows::int AS rows, e.range_mm, e.bed_temp_c
FROM (` + strings.Join(parts, "\n	UNION ALL\n	") + `) e
	LEFT JOIN people w ON w.id = e.person
	LEFT JOIN people v ON v.id = e.voided_by
ORDER BY e.at DESC, e.id DESC LIMIT $4`
}

// Split counts first layers of one printer or plate by something else.
type Split struct {
	By       string // tag or name; "" not stated
	Started  int
	Graded   int
	Failures int
}

// Splits counts a printer's (by plate and by material) or a plate's (by printer
// and by material) first layers over from < started_at <= at, most layers
// first. Exactly one of printer and plate is not 0.
func (s *Store) Splits(ctx context.Context, printer, plate int32, from, at time.Time) (byOther, byMaterial []Split, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	const counts = `count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures`
	const in = ` AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL GROUP BY 1 ORDER BY 2 DESC, 1`
	batch := &pgx.Batch{}
	thing := printer
	if printer != 0 {
		batch.Queue(`SELECT coalesce(l.plate, '') AS by, `+counts+` FROM first_layers f LEFT JOIN plates l ON l.id = f.plate WHERE f.printer = $1`+in, printer, from, at)
		batch.Queue(`SELECT coalesce(m.material, '') AS by, `+counts+` FROM first_layers f LEFT JOIN materials m ON m.id = f.material WHERE f.printer = $1`+in, thing, from, at)
	} else {
		batch.Queue(`SELECT coalesce(p.printer, '') AS by, `+counts+` FROM first_layers f LEFT JOIN printers p ON p.id = f.printer WHERE f.plate = $1`+in, plate, from, at)
		batch.Queue(`SELECT coalesce(m.material, '') AS by, `+counts+` FROM first_layers f LEFT JOIN materials m ON m.id = f.material WHERE f.plate = $1`+in, plate, from, at)
	}
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	for _, into := range []*[]Split{&byOther, &byMaterial} {
		rows, err := r.Query()
		if err != nil {
			return nil, nil, wrap("store.Splits", err)
		}
		if *into, err = pgx.CollectRows(rows, pgx.RowToStructByName[Split]); err != nil {
			return nil, nil, wrap("store.Splits", err)
		}
	}
	return byOther, byMaterial, nil
}

// PlateFacts is what is known of one plate at a time.
type PlateFacts struct {
	ID            int32
	Plate         string
	Surface       string
	SizeXMM       *float64
	SizeYMM       *float64
	InServiceFrom *time.Time
	RetiredAt     *time.Time
	State         string
	StateReason   string
	Printer       string // where it was seen last and not taken off since; "" not known
	LastCleaned   *time.Time
	Method        string
	SinceClean    *int
	Started       int // over the window
	Graded        int
	Failures      int
	HeldAt        *time.Time
	HeldReason    string
}

// PlateFacts reads one plate by tag at a time, counts over from < started_at <=
// at; NotFound when there is none.
func (s *Store) PlateFacts(ctx context.Context, tag string, from, at time.Time) (PlateFacts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, plateFactsSQL, tag, from, at)
	if err != nil {
		return PlateFacts{}, wrap("store.PlateFacts", err)
	}
	p, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[PlateFacts])
	if errors.Is(err, pgx.ErrNoRows) {
		return p, fault.New(fault.NotFound, "there is no plate %s", fault.Quote(tag))
	}
	return p, wrap("store.PlateFacts", err)
}

// $1 tag, $2 from, $3 at.
var plateFactsSQL = `
SELECT l.id, l.plate, l.surface::text AS surface, l.size_x_mm, l.size_y_mm, l.in_service_from, l.retired_at,
	coalesce(st.state, 'in_use') AS state, coalesce(st.reason, '') AS state_reason, coalesce(seen.printer, '') AS printer,
	c.cleaned_at AS last_cleaned, coalesce(c.method, '') AS method, n.since AS since_clean,
	k.started, k.graded, k.failures, h.placed_at AS held_at, coalesce(h.reason, '') AS held_reason
FROM plates l
	CROSS JOIN LATERAL (
		SELECT count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE ` + failureSQL + `))::int AS failures
		FROM first_layers f WHERE f.plate = l.id AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL) k
	LEFT JOIN LATERAL (
		SELECT x.state::text AS state, x.reason FROM plate_states x
		WHERE x.plate = l.id AND x.at <= $3 AND x.voided_at IS NULL ORDER BY x.at DESC, x.id DESC LIMIT 1) st ON true
	LEFT JOIN LATERAL (
		SELECT x.cleaned_at, x.method::text AS method FROM cleanings x
		WHERE x.plate = l.id AND x.cleaned_at <= $3 AND x.voided_at IS NULL AND x.method <> 'coat' ORDER BY x.cleaned_at DESC, x.id DESC LIMIT 1) c ON true
	LEFT JOIN LATERAL (
		SELECT ((SELECT count(*) FROM first_layers f
				WHERE f.plate = l.id AND f.started_at >= c.cleaned_at AND f.started_at <= $3 AND f.voided_at IS NULL)
			+ ` + unnamedSQL("l.id", "$3") + `)::int AS since) n ON c.cleaned_at IS NOT NULL
	LEFT JOIN LATERAL (
		SELECT CASE WHEN s.gone THEN NULL ELSE p.printer END AS printer
		FROM (` + seenSQL("l.id", "$3") + `) s JOIN printers p ON p.id = s.printer) seen ON true
	LEFT JOIN LATERAL (
		SELECT x.placed_at, x.reason FROM holds x
		WHERE x.plate = l.id AND x.placed_at <= $3 AND (x.released_at IS NULL OR x.released_at > $3) AND x.voided_at IS NULL
		ORDER BY x.placed_at DESC LIMIT 1) h ON true
WHERE l.plate = $1`

// FarmFacts counts what the farm is made of.
type FarmFacts struct {
	Printers, PrintersInService int
	Plates, PlatesInService     int
	People, MaySignIn           int
	Tokens                      int
	FirstLayers                 int
	FirstStart, LastStart       *time.Time
	LastArrival                 *time.Time
	Schema                      int
}

// FarmFacts reads the farm's counts at a time. First layers are the planner's
// count: exact enough to read, and read in no time.
func (s *Store) FarmFacts(ctx context.Context, at time.Time) (FarmFacts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT (SELECT count(*)::int FROM printers) AS printers,
			(SELECT count(*)::int FROM printers WHERE retired_at IS NULL OR retired_at > $1) AS printers_in_service,
			(SELECT count(*)::int FROM plates) AS plates,
			(SELECT count(*)::int FROM plates WHERE retired_at IS NULL OR retired_at > $1) AS plates_in_service,
			(SELECT count(*)::int FROM people WHERE disabled_at IS NULL) AS people,
			(SELECT count(*)::int FROM passwords w JOIN people p ON p.id = w.person WHERE p.disabled_at IS NULL) AS may_sign_in,
			(SELECT count(*)::int FROM tokens WHERE revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $1)) AS tokens,
			(SELECT CASE WHEN reltuples > 0 THEN reltuples::int ELSE (SELECT count(*)::int FROM (SELECT 1 FROM first_layers LIMIT 1000000) l) END
				FROM pg_class WHERE oid = 'first_layers'::regclass) AS first_layers,
			(SELECT started_at FROM first_layers WHERE voided_at IS NULL ORDER BY started_at LIMIT 1) AS first_start,
			(SELECT started_at FROM first_layers WHERE voided_at IS NULL ORDER BY started_at DESC LIMIT 1) AS last_start,
			(SELECT max(at) FROM acts WHERE id = (SELECT max(id) FROM acts)) AS last_arrival,
			(SELECT max(version) FROM schema_done) AS schema`, at)
	if err != nil {
		return FarmFacts{}, wrap("store.FarmFacts", err)
	}
	f, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[FarmFacts])
	return f, wrap("store.FarmFacts", err)
}
