package store

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// FloorPrinter is what the Floor knows of one printer at a time: what happened
// last, and how many starts ago. Nothing is judged here, and nothing is counted
// over a window: the assessment has those counts.
type FloorPrinter struct {
	ID              int32
	Printer         string
	Name            string
	Bay             string
	ProbingRecorded string
	InServiceFrom   *time.Time
	RetiredAt       *time.Time

	LastStart   *time.Time // before the time asked for, however long ago
	LastGrade   string     // of that start; "" not graded
	LastShown   bool       // its underside shows
	LastID      string
	LastProbe   *time.Time // that ends a skip: full or part, or stated by a start
	SinceProbe  *int       // starts since; nil: never probed
	LastService *time.Time
	HeldAt      *time.Time
	HeldReason  string
	HeldBy      string

	Plate       string // fitted now as far as the records tell; "" not known
	FittedSince *time.Time
	PlateState  string // in_use when nothing was said
	LastCleaned *time.Time
	CleanMethod string
	SinceClean  *int // starts with the plate since; nil: never cleaned
	PlateHeldAt *time.Time
	PlateReason string

	Skipped []string // tasks of upkeep left out since its last start, with a reason
}

// failureSQL is the contract's definition of a failure over one first layer f.
const failureSQL = `(f.grade = 'failed' OR f.underside = 'shown' AND f.grade = 'marginal')`

// ties is how many records of one printer or plate at one instant are put in
// order by id: enough, and read without sorting the whole history.
const ties = "4"

// Frame is what every page starts from: the farm's settings, and where its
// records end.
type Frame struct {
	Settings    farm.SettingValues
	LatestStart time.Time // at or before the time asked for; zero: none
	Version     DataVersion
}

// Frame reads the settings, the latest start at or before a time and the version
// of the data.
func (s *Store) Frame(ctx context.Context, at time.Time) (Frame, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	f := Frame{Settings: farm.SettingValues{}}
	var latest *time.Time
	err := s.pool.QueryRow(ctx, `SELECT (SELECT coalesce(jsonb_object_agg(key, value), '{}') FROM settings),
		(SELECT started_at FROM first_layers WHERE started_at <= $1 AND voided_at IS NULL ORDER BY started_at DESC LIMIT 1), v.last, v.lot
		FROM (`+dataVersionSQL+`) v (last, lot)`, at).Scan(&f.Settings, &latest, &f.Version.last, &f.Version.lot)
	if err != nil {
		return f, wrap("store.Frame", err)
	}
	if latest != nil {
		f.LatestStart = *latest
	}
	return f, nil
}

// Floor reads every printer as of a time, in two queries at once of half the
// printers each. printer narrows it to one tag; "" is all.
//
// A start that only says when it was sent counts after a probe of its printer
// within the window given, as it does in exposures; the exposures themselves are
// defined in internal/exposure alone.
func (s *Store) Floor(ctx context.Context, at time.Time, sentWindow time.Duration, printer string) ([]FloorPrinter, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	if printer != "" {
		list, err := s.floorHalf(ctx, at, sentWindow, printer, 0)
		return list, wrap("store.Floor", err)
	}
	var odd []FloorPrinter
	failed := make(chan error, 1)
	go func() {
		var err error
		odd, err = s.floorHalf(ctx, at, sentWindow, "", 1)
		failed <- err
	}()
	even, err := s.floorHalf(ctx, at, sentWindow, "", 0)
	if err := errors.Join(err, <-failed); err != nil {
		return nil, wrap("store.Floor", err)
	}
	return bothHalves(even, odd), nil
}

// FloorInTurn is Floor of every printer in two queries one after the other, for whoever
// does not wait for it: the other processors are left to those who do.
func (s *Store) FloorInTurn(ctx context.Context, at time.Time, sentWindow time.Duration) ([]FloorPrinter, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	odd, err := s.floorHalf(ctx, at, sentWindow, "", 1)
	if err != nil {
		return nil, wrap("store.FloorInTurn", err)
	}
	even, err := s.floorHalf(ctx, at, sentWindow, "", 0)
	if err != nil {
		return nil, wrap("store.FloorInTurn", err)
	}
	return bothHalves(even, odd), nil
}

func (s *Store) floorHalf(ctx context.Context, at time.Time, sentWindow time.Duration, printer string, odd int) ([]FloorPrinter, error) {
	rows, err := s.pool.Query(ctx, floorSQL, at, sentWindow, printer, odd)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanFloorPrinter)
}

func bothHalves(even, odd []FloorPrinter) []FloorPrinter {
	list := append(even, odd...)
	slices.SortFunc(list, func(a, b FloorPrinter) int { return cmp.Compare(a.ID, b.ID) })
	return list
}

func scanFloorPrinter(row pgx.CollectableRow) (FloorPrinter, error) {
	var f FloorPrinter
	var stateAt *time.Time
	err := row.Scan(&f.ID, &f.Printer, &f.Name, &f.Bay, &f.ProbingRecorded, &f.InServiceFrom, &f.RetiredAt,
		&f.LastID, &f.LastStart, &f.LastGrade, &f.LastShown,
		&f.LastProbe, &f.SinceProbe, &f.LastService, &f.HeldAt, &f.HeldReason, &f.HeldBy,
		&f.Plate, &f.FittedSince, &f.PlateState, &stateAt, &f.LastCleaned, &f.CleanMethod, &f.SinceClean, &f.PlateHeldAt, &f.PlateReason, &f.Skipped)
	if f.PlateState != "in_use" && stateAt != nil && f.FittedSince != nil && stateAt.After(*f.FittedSince) { // it went to the wash since
		f.Plate, f.FittedSince, f.PlateState, f.LastCleaned, f.CleanMethod, f.SinceClean, f.PlateHeldAt, f.PlateReason = "", nil, "in_use", nil, "", nil, nil, ""
	}
	return f, err
}

// starts is how many starts are looked back through for a probe or a plate that
// is only said by them. Every start that says one says it of itself, so the last
// few tell; and the whole history of a printer that never says one is not read.
const starts = "50"

// floorSQL reads each printer's last rows at the end of an index, never a whole
// history: what it costs grows with the printers alone, and with the starts since
// the last probe and the last cleaning.
//
// The plate on a printer is the one seen there last (a fitting, or a first layer
// that names it), unless it was taken off, or seen elsewhere, since.
//
// $1 at, $2 window of sent starts, $3 one printer or none, $4 which half of all:
// odd numbers (1) or even ones (0).
var floorSQL = `
SELECT p.id, p.printer, coalesce(p.name, ''), coalesce(p.bay, ''), p.probing_recorded::text, p.in_service_from, p.retired_at,
	coalesce(l.id::text, ''), l.started_at, coalesce(l.grade::text, ''), coalesce(l.underside = 'shown', false),
	coalesce(said.at, recorded.at), CASE WHEN said.at IS NULL THEN since.starts ELSE (SELECT n.starts FROM (` + sinceProbeSQL("said.at") + `) n (starts, said)) END,
	sv.at, h.placed_at, coalesce(h.reason, ''), coalesce(h.person, ''),
	coalesce(pt.plate, ''), seen.at, coalesce(st.state, 'in_use'), st.at, c.cleaned_at, coalesce(c.method, ''), k.since, ph.placed_at, coalesce(ph.reason, ''), sk.tasks
FROM printers p
	LEFT JOIN LATERAL (
		SELECT f.id, f.started_at, f.grade, f.underside, f.plate FROM first_layers f
		WHERE ` + startsUntil("p.id", "$1") + ` AND f.voided_at IS NULL ORDER BY f.printer DESC, f.started_at DESC LIMIT 1) l ON true
	CROSS JOIN LATERAL (
		SELECT (SELECT x.probed_at FROM probes x
			WHERE x.printer = p.id AND x.probed_at <= $1 AND x.voided_at IS NULL AND x.extent IS DISTINCT FROM 'zero'
			ORDER BY x.probed_at DESC LIMIT 1) AS at OFFSET 0) recorded
	LEFT JOIN LATERAL (` + sinceProbeSQL("recorded.at") + `) since (starts, said) ON recorded.at IS NOT NULL
	CROSS JOIN LATERAL (
		SELECT CASE WHEN recorded.at IS NOT NULL THEN since.said
		ELSE (SELECT max(x.started_at) FROM (SELECT f.started_at, f.probed FROM first_layers f
				WHERE ` + startsUntil("p.id", "$1") + ` AND f.voided_at IS NULL ORDER BY f.printer DESC, f.started_at DESC LIMIT ` + starts + `) x WHERE x.probed = 'yes')
		END AS at OFFSET 0) said
	CROSS JOIN LATERAL (
		SELECT (SELECT v.done_at FROM services v
			WHERE v.printer = p.id AND v.done_at <= $1 AND v.voided_at IS NULL ORDER BY v.done_at DESC LIMIT 1) AS at) sv
	LEFT JOIN (` + heldSQL("printer") + `) h ON h.printer = p.id
	LEFT JOIN LATERAL (
		SELECT x.plate, x.at FROM (
			SELECT s.* FROM (
				(SELECT t.plate, t.fitted_at AS at, coalesce(t.removed_at <= $1, false) AS gone, t.id FROM fittings t
					WHERE t.printer = p.id AND t.fitted_at <= $1 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC FETCH FIRST 1 ROW WITH TIES)
				UNION ALL
				SELECT l.plate, l.started_at, false, l.id WHERE l.plate IS NOT NULL
				UNION ALL
				(SELECT y.plate, y.started_at, false, y.id FROM (SELECT f.plate, f.started_at, f.id FROM first_layers f
					WHERE l.plate IS NULL AND ` + startsUntil("p.id", "$1") + ` AND f.voided_at IS NULL ORDER BY f.printer DESC, f.started_at DESC LIMIT ` + starts + `) y
					WHERE y.plate IS NOT NULL LIMIT 1)) s
			ORDER BY s.at DESC, s.gone, s.id DESC LIMIT 1) x
		WHERE NOT x.gone
			AND (SELECT max(t.fitted_at) FROM fittings t WHERE t.plate = x.plate AND t.printer = p.id AND t.removed_at > x.at AND t.removed_at <= $1 AND t.voided_at IS NULL) IS NULL
			AND (SELECT max(t.fitted_at) FROM fittings t WHERE t.plate = x.plate AND t.printer <> p.id AND t.fitted_at > x.at AND t.fitted_at <= $1 AND t.voided_at IS NULL) IS NULL
			AND (SELECT max(f.started_at) FROM first_layers f WHERE f.plate = x.plate AND f.printer <> p.id AND f.started_at > x.at AND f.started_at <= $1 AND f.voided_at IS NULL) IS NULL
		) seen ON true
	LEFT JOIN plates pt ON pt.id = seen.plate AND (pt.retired_at IS NULL OR pt.retired_at > $1)
	LEFT JOIN LATERAL (
		SELECT x.state::text AS state, x.at FROM plate_states x
		WHERE x.plate = pt.id AND x.at <= $1 AND x.voided_at IS NULL ORDER BY x.at DESC, x.id DESC LIMIT 1) st ON true
	LEFT JOIN LATERAL (
		SELECT x.cleaned_at, x.method::text AS method FROM cleanings x
		WHERE x.plate = pt.id AND x.cleaned_at <= $1 AND x.voided_at IS NULL AND x.method <> 'coat'
		ORDER BY x.cleaned_at DESC LIMIT 1) c ON true
	LEFT JOIN LATERAL (
		SELECT ((SELECT count(*) FROM first_layers f
				WHERE f.plate = pt.id AND f.started_at >= c.cleaned_at AND f.started_at <= $1 AND f.voided_at IS NULL)
			+ ` + unnamedSQL("pt.id", "$1") + `)::int AS since) k ON c.cleaned_at IS NOT NULL
	LEFT JOIN (` + heldSQL("plate") + `) ph ON ph.plate = pt.id
	CROSS JOIN LATERAL (SELECT array_agg(x.task) AS tasks FROM (
		(SELECT 'probe' AS task, NULL::int AS plate FROM probes_skipped x
			WHERE x.printer = p.id AND x.at > coalesce(l.started_at, '-infinity') AND x.at <= $1 AND x.voided_at IS NULL LIMIT 1)
		UNION ALL
		SELECT x.task::text, x.plate FROM tasks_skipped x
			WHERE x.printer = p.id AND x.at > coalesce(l.started_at, '-infinity') AND x.at <= $1 AND x.voided_at IS NULL) x
		WHERE x.plate IS NULL OR x.plate = pt.id) sk
WHERE p.printer = $3 OR $3 = '' AND p.id % 2 = $4`

// sinceProbeSQL counts a printer's starts since a probe, and finds the last of
// them that says that it was probed for.
func sinceProbeSQL(probe string) string {
	return strings.ReplaceAll(`SELECT count(*) FILTER (WHERE f.started_at >= PROBE
			OR f.start_is = 'sent' AND (f.graded_at IS NULL OR f.graded_at > PROBE))::int, max(f.started_at) FILTER (WHERE f.started_at > PROBE AND f.probed = 'yes')
		FROM first_layers f WHERE `+startsOf("p.id", "PROBE - $2::interval", "$1")+` AND f.voided_at IS NULL`, "PROBE", probe)
}

// startsOf is the condition that a first layer f is of one printer and was started
// from one time to another, in a form that only the index by printer and time
// serves. In the plain form the planner takes the index by time where it believes that
// few starts are as new, and reads the whole farm's for each printer: it learns of new
// rows late, and many starts at once are new.
func startsOf(printer, from, to string) string {
	return "f.printer = " + printer + " AND (f.printer, f.started_at) >= (" + printer + ", " + from + ") AND (f.printer, f.started_at) <= (" + printer + ", " + to + ")"
}

// startsUntil is startsOf since ever, for what reads the last of them in the order of
// printer and time: no equality has the planner take the order by time alone for as good.
func startsUntil(printer, to string) string {
	return "(f.printer, f.started_at) >= (" + printer + ", '-infinity') AND (f.printer, f.started_at) <= (" + printer + ", " + to + ")"
}

// heldSQL is the newest hold in force at $1 on every printer or plate.
func heldSQL(thing string) string {
	return strings.ReplaceAll(`SELECT DISTINCT ON (x.THING) x.THING, x.placed_at, x.reason, w.person FROM holds x LEFT JOIN people w ON w.id = x.person
		WHERE x.THING IS NOT NULL AND x.placed_at <= $1 AND (x.released_at IS NULL OR x.released_at > $1) AND x.voided_at IS NULL
		ORDER BY x.THING, x.placed_at DESC, x.id DESC`, "THING", thing)
}

// unnamedSQL counts the starts that name no plate while this one was fitted,
// since its last cleaning c.cleaned_at. A fitting ends when the plate is taken
// off, when another is fitted there, and when this one is fitted or named
// elsewhere.
func unnamedSQL(plate, at string) string {
	return strings.NewReplacer("{plate}", plate, "{at}", at).Replace(`(SELECT count(*) FROM (
			SELECT t2.printer, greatest(t2.fitted_at, c.cleaned_at) AS since, least(t2.removed_at,
				(SELECT min(o.fitted_at) FROM fittings o WHERE o.printer = t2.printer AND o.fitted_at > t2.fitted_at AND o.voided_at IS NULL),
				(SELECT min(o.fitted_at) FROM fittings o WHERE o.plate = t2.plate AND o.fitted_at > t2.fitted_at AND o.voided_at IS NULL)) AS ended,
				(SELECT min(g.started_at) FROM first_layers g WHERE g.plate = t2.plate AND g.printer <> t2.printer AND g.started_at > t2.fitted_at AND g.voided_at IS NULL) AS elsewhere
			FROM fittings t2 WHERE t2.plate = {plate} AND t2.voided_at IS NULL AND t2.fitted_at <= {at} AND (t2.removed_at IS NULL OR t2.removed_at > c.cleaned_at) OFFSET 0) w
		CROSS JOIN LATERAL (SELECT FROM first_layers f WHERE ` + startsOf("w.printer", "w.since", "least(w.ended, w.elsewhere, {at})") + ` AND f.plate IS NULL AND f.voided_at IS NULL
			AND (w.ended IS NULL OR f.started_at < w.ended) AND (w.elsewhere IS NULL OR f.started_at <= w.elsewhere) OFFSET 0) f)`)
}
