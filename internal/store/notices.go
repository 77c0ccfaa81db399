package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"basecourse/internal/notices"

	"github.com/jackc/pgx/v5"
)

// Locks of notices: one replica tells at a time.
const noticeLock = `SELECT pg_advisory_xact_lock(4715, 16)`

// NoticesKept is how long a notice is there to be read.
const NoticesKept = 90 * 24 * time.Hour

// clocksApart is how far the clocks of two servers may be apart: what lies further ahead
// of now is of a clock that was wrong, and nothing waits until then.
const clocksApart = time.Minute

// How long deliveries are listed after they ended.
const (
	sentKept = 30 * 24 * time.Hour
	deadKept = 90 * 24 * time.Hour
)

// Sighting is how something of the farm is now; where it has just turned so,
// Notice is told.
type Sighting struct {
	What      string
	Is, Clear bool // neither: between the two, it stays what it was
	Notice    notices.Notice
	Sheet     *SheetWanted // of what it rests on, where it has just turned so; also at the first look
}

// PlacedHolds gives what was put on hold since a time, still is, and was not told
// yet, as notices.
func (s *Store) PlacedHolds(ctx context.Context, since time.Time, zone *time.Location) ([]notices.Notice, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT h.subject_kind::text, coalesce(p.printer, l.plate), h.placed_at FROM holds h
		LEFT JOIN printers p ON p.id = h.printer LEFT JOIN plates l ON l.id = h.plate
		WHERE h.released_at IS NULL AND h.voided_at IS NULL AND h.placed_at > $1 AND h.placed_at <= $2
			AND NOT EXISTS (SELECT FROM notices n WHERE n.key = 'hold/' || h.subject_kind::text || '/' || coalesce(p.printer, l.plate) || '/' || (extract(epoch FROM h.placed_at) * 1000000)::bigint)
		ORDER BY h.placed_at LIMIT 1000`, since, s.Now())
	if err != nil {
		return nil, wrap("store.PlacedHolds", err)
	}
	var kind, tag string
	var at time.Time
	var list []notices.Notice
	_, err = pgx.ForEachRow(rows, []any{&kind, &tag, &at}, func() error {
		list = append(list, notices.Hold(kind, tag, at, zone))
		return nil
	})
	return list, wrap("store.PlacedHolds", err)
}

// Tell stores notices that were not told before, for each person who wants them
// and for the webhooks, and puts what is to be sent into the queue, all in one
// transaction. It tells how many were news.
func (s *Store) Tell(ctx context.Context, list []notices.Notice, zone *time.Location) (int, error) {
	if len(list) == 0 {
		return 0, nil
	}
	n := 0
	err := s.telling(ctx, func(ctx context.Context, tx pgx.Tx, now time.Time) error {
		var err error
		n, err = tell(ctx, tx, list, zone, now)
		return err
	})
	return n, wrap("store.Tell", err)
}

func (s *Store) telling(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx, now time.Time) error) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	return pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, noticeLock); err != nil {
			return err
		}
		return fn(ctx, tx, s.Now())
	})
}

// LookedAt gives when a source's last look was; zero: never.
func (s *Store) LookedAt(ctx context.Context, source string) (time.Time, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var at time.Time
	err := s.pool.QueryRow(ctx, `SELECT clear_since FROM notice_watches WHERE what = $1`, "looked/"+source).Scan(&at)
	if errors.Is(err, pgx.ErrNoRows) {
		return time.Time{}, nil
	}
	return at, wrap("store.LookedAt", err)
}

// Look compares how everything of a source is as of a time with the last look and
// tells what has turned so since. The first look of all tells nothing: what was
// so already is no news. calm is that of Watch.Next. A look that is not newer than the last is left, unless that
// one was by a clock that was ahead.
func (s *Store) Look(ctx context.Context, source string, asOf time.Time, calm time.Duration, seen []Sighting, zone *time.Location) (int, error) {
	n := 0
	err := s.telling(ctx, func(ctx context.Context, tx pgx.Tx, now time.Time) error {
		var last time.Time
		err := tx.QueryRow(ctx, `SELECT clear_since FROM notice_watches WHERE what = $1`, "looked/"+source).Scan(&last)
		first := errors.Is(err, pgx.ErrNoRows)
		if err != nil && !first {
			return err
		}
		if !first && !asOf.After(last) && last.Before(now.Add(clocksApart)) {
			return nil
		}
		if _, err := tx.Exec(ctx, `INSERT INTO notice_watches (what, is_on, clear_since) VALUES ($1, false, $2) ON CONFLICT (what) DO UPDATE SET clear_since = excluded.clear_since`, "looked/"+source, asOf); err != nil {
			return err
		}
		was := map[string]notices.Watch{}
		rows, err := tx.Query(ctx, `SELECT what, is_on, coalesce(clear_since, 'epoch') FROM notice_watches WHERE starts_with(what, $1)`, source+"/")
		if err != nil {
			return err
		}
		var what string
		var w notices.Watch
		if _, err := pgx.ForEachRow(rows, []any{&what, &w.On, &w.ClearSince}, func() error {
			if w.ClearSince.Unix() == 0 {
				w.ClearSince = time.Time{}
			}
			was[what] = w
			return nil
		}); err != nil {
			return err
		}
		here := map[string]bool{}
		var news []notices.Notice
		for _, x := range seen {
			here[source+"/"+x.What] = true
		}
		for what := range was {
			if !here[what] { // closed, retired: no longer so
				seen = append(seen, Sighting{What: strings.TrimPrefix(what, source+"/"), Clear: true})
			}
		}
		for _, x := range seen {
			what := source + "/" + x.What
			next, turned := was[what].Next(x.Is, x.Clear, asOf, calm)
			if turned && x.Sheet != nil {
				w := *x.Sheet
				w.KnownAt = now
				if w.At.After(now) {
					w.KnownAt = w.At
				}
				if err := wantSheet(ctx, tx, w); err != nil {
					return err
				}
			}
			if turned && !first {
				news = append(news, x.Notice)
			}
			switch {
			case next == was[what]:
			case next == notices.Watch{}:
				_, err = tx.Exec(ctx, `DELETE FROM notice_watches WHERE what = $1`, what)
			default:
				var clear *time.Time
				if !next.ClearSince.IsZero() {
					clear = &next.ClearSince
				}
				_, err = tx.Exec(ctx, `INSERT INTO notice_watches (what, is_on, clear_since) VALUES ($1, $2, $3) ON CONFLICT (what) DO UPDATE SET is_on = excluded.is_on, clear_since = excluded.clear_since`, what, next.On, clear)
			}
			if err != nil {
				return err
			}
		}
		n, err = tell(ctx, tx, news, zone, now)
		return err
	})
	return n, wrap("store.Look", err)
}

// receiver is somebody who may be told.
type receiver struct {
	Person   int32
	Hold     string
	Finding  string
	Job      string
	InShifts bool
	Mail     bool // has a confirmed address
	shifts   []notices.Shift
}

func (r *receiver) way(k notices.Kind) string {
	switch k {
	case notices.HoldPlaced:
		return r.Hold
	case notices.FindingRaised:
		return r.Finding
	}
	return r.Job
}

// lookAhead is how far a person's next shift is looked for.
const lookAhead = 14 * 24 * time.Hour

func receivers(ctx context.Context, tx pgx.Tx, now time.Time) ([]receiver, error) {
	rows, err := tx.Query(ctx, `SELECT p.id, coalesce(n.hold, 'app'), coalesce(n.finding, 'app'), coalesce(n.job, 'app'), coalesce(n.in_shifts, false), a.confirmed_at IS NOT NULL
		FROM people p JOIN passwords w ON w.person = p.id LEFT JOIN notice_settings n ON n.person = p.id LEFT JOIN mail_addresses a ON a.person = p.id
		WHERE p.disabled_at IS NULL ORDER BY p.id`)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r receiver, err error) {
		return r, row.Scan(&r.Person, &r.Hold, &r.Finding, &r.Job, &r.InShifts, &r.Mail)
	})
	if err != nil {
		return nil, err
	}
	rows, err = tx.Query(ctx, `SELECT person, starts_at, ends_at FROM shifts WHERE cancelled_at IS NULL AND ends_at > $1 AND starts_at < $2`, now, now.Add(lookAhead))
	if err != nil {
		return nil, err
	}
	shifts := map[int32][]notices.Shift{}
	var person int32
	var x notices.Shift
	if _, err := pgx.ForEachRow(rows, []any{&person, &x.Start, &x.End}, func() error {
		shifts[person] = append(shifts[person], x)
		return nil
	}); err != nil {
		return nil, err
	}
	for i := range list {
		list[i].shifts = shifts[list[i].Person]
	}
	return list, nil
}

// tell stores what is new of a list; the lock is held.
func tell(ctx context.Context, tx pgx.Tx, list []notices.Notice, zone *time.Location, now time.Time) (int, error) {
	if len(list) == 0 {
		return 0, nil
	}
	people, err := receivers(ctx, tx, now)
	if err != nil {
		return 0, err
	}
	told := 0
	for i := range list {
		n := &list[i]
		var id int64
		err := tx.QueryRow(ctx, `INSERT INTO notices (kind, key, at, subject_kind, subject, words, path) VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (key) DO NOTHING RETURNING id`,
			string(n.Kind), n.Key, now, n.SubjectKind, n.Subject, n.Words, pathOf(n.Path)).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			continue
		}
		if err != nil {
			return told, err
		}
		told++
		if err := tellPeople(ctx, tx, id, n.Kind, people, zone, now); err != nil {
			return told, err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO deliveries (id, way, purpose, webhook, notices, made_at, next_at)
			SELECT gen_random_uuid(), 'webhook', 'notices', id, ARRAY[$1::bigint], $2, $2 FROM webhooks WHERE off_at IS NULL AND $3 = ANY (kinds) ORDER BY id`, id, now, string(n.Kind)); err != nil {
			return told, err
		}
	}
	return told, nil
}

func pathOf(parts []string) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString("/" + url.PathEscape(p))
	}
	return b.String()
}

// tellPeople gives a notice to everybody who wants its kind: the first five of a
// shift by themselves, the others counted.
func tellPeople(ctx context.Context, tx pgx.Tx, id int64, kind notices.Kind, people []receiver, zone *time.Location, now time.Time) error {
	var who []int32
	var starts []time.Time
	var mail []bool
	waits := map[int32]time.Time{}
	for i := range people {
		r := &people[i]
		way := r.way(kind)
		if way == "off" {
			continue
		}
		byMail := way == "mail" && r.Mail
		start, wait := notices.Window(now, r.shifts, zone, r.InShifts)
		who, starts, mail = append(who, r.Person), append(starts, start), append(mail, byMail)
		if byMail {
			waits[r.Person] = wait
		}
	}
	rows, err := tx.Query(ctx, `INSERT INTO person_notices (person, notice, window_start, nth, mail)
		SELECT u.person, $1, u.start, 1 + coalesce((SELECT max(nth) FROM person_notices o WHERE o.person = u.person AND o.window_start = u.start), 0), u.mail
		FROM unnest($2::integer[], $3::timestamptz[], $4::boolean[]) u (person, start, mail) ORDER BY u.person RETURNING person, window_start, nth, mail`, id, who, starts, mail)
	if err != nil {
		return err
	}
	type given struct {
		Person int32
		Start  time.Time
		Nth    int
		Mail   bool
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[given])
	if err != nil {
		return err
	}
	slices.SortFunc(list, func(a, b given) int { return int(a.Person) - int(b.Person) })
	for _, g := range list {
		if g.Nth > notices.PerShift+1 { // one more behind the line that counts: there is something unread again
			if _, err := tx.Exec(ctx, `UPDATE person_notices SET read_at = NULL WHERE person = $1 AND window_start = $2 AND nth = $3`, g.Person, g.Start, notices.PerShift+1); err != nil {
				return err
			}
		}
		if g.Mail && g.Nth <= notices.PerShift {
			if err := queueMail(ctx, tx, g.Person, id, waits[g.Person], now); err != nil {
				return err
			}
		}
	}
	return nil
}

// queueMail puts a notice into a mail: into one that waits for the same shift and
// was not tried yet, or into a new one. What was only counted since the last mail
// is counted in it.
func queueMail(ctx context.Context, tx pgx.Tx, person int32, id int64, wait, now time.Time) error {
	tag, err := tx.Exec(ctx, `UPDATE person_notices SET mailed = true WHERE person = $1 AND mail AND NOT mailed AND nth > $2`, person, notices.PerShift)
	if err != nil {
		return err
	}
	more := tag.RowsAffected()
	if _, err := tx.Exec(ctx, `UPDATE person_notices SET mailed = true WHERE person = $1 AND notice = $2`, person, id); err != nil {
		return err
	}
	if !wait.IsZero() {
		tag, err := tx.Exec(ctx, `UPDATE deliveries SET notices = notices || $2::bigint, more = more + $3
			WHERE person = $1 AND way = 'mail' AND purpose = 'notices' AND state = 'waiting' AND tries = 0 AND next_at = $4`, person, id, more, wait)
		if err != nil || tag.RowsAffected() > 0 {
			return err
		}
	} else {
		wait = now
	}
	_, err = tx.Exec(ctx, `INSERT INTO deliveries (id, way, purpose, person, notices, more, made_at, next_at) VALUES (gen_random_uuid(), 'mail', 'notices', $1, ARRAY[$2::bigint], $3, $4, $5)`,
		person, id, more, now, wait)
	return err
}

// SweepNotices removes what has been kept long enough; any replica may do it.
func (s *Store) SweepNotices(ctx context.Context) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	// Time goes on by a day at most from one removal to the next, so that a clock which
	// is ahead takes nothing away that the right one would keep, nor lets it be told again.
	var now time.Time
	if err := s.pool.QueryRow(ctx, `INSERT INTO notice_watches (what, is_on, clear_since) VALUES ('looked/sweep', false, $1)
		ON CONFLICT (what) DO UPDATE SET clear_since = least(excluded.clear_since, notice_watches.clear_since + interval '24 hours') RETURNING clear_since`, s.Now()).Scan(&now); err != nil {
		return wrap("store.SweepNotices", err)
	}
	for _, x := range []struct {
		sql string
		age time.Duration
	}{
		{`DELETE FROM notices WHERE at < $1`, NoticesKept},
		{`DELETE FROM deliveries WHERE state = 'sent' AND ended_at < $1`, sentKept},
		{`DELETE FROM deliveries WHERE state = 'dead' AND ended_at < $1`, deadKept},
	} {
		if _, err := s.pool.Exec(ctx, x.sql, now.Add(-x.age)); err != nil {
			return wrap("store.SweepNotices", err)
		}
	}
	return nil
}

// NoticeLine is one line of a person's notices: a notice, or those of a shift
// that were gathered behind the fifth.
type NoticeLine struct {
	ID     int64
	At     time.Time
	Kind   notices.Kind
	Words  string
	Path   string
	Unread bool
	More   []NoticeLine // gathered; the line itself is the first of them
	Beyond int          // how many more there are than More lists
}

// gatheredMost is how many gathered ones a page lists.
const gatheredMost = 100

// PersonNotices lists a person's lines, newest first: those before a notice (0:
// from the newest), so many at most.
func (s *Store) PersonNotices(ctx context.Context, person int32, before int64, limit int) ([]NoticeLine, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT n.id, n.at, n.kind, n.words, n.path, m.read_at IS NULL, m.nth, m.window_start FROM person_notices m JOIN notices n ON n.id = m.notice
		WHERE m.person = $1 AND m.nth <= $2 AND ($3 = 0 OR m.notice < $3) ORDER BY m.notice DESC LIMIT $4`, person, notices.PerShift+1, before, limit)
	if err != nil {
		return nil, wrap("store.PersonNotices", err)
	}
	var list []NoticeLine
	var x NoticeLine
	var nth int
	var start time.Time
	gathered := map[int]time.Time{}
	if _, err := pgx.ForEachRow(rows, []any{&x.ID, &x.At, &x.Kind, &x.Words, &x.Path, &x.Unread, &nth, &start}, func() error {
		if nth > notices.PerShift {
			gathered[len(list)] = start
		}
		list = append(list, x)
		return nil
	}); err != nil {
		return nil, wrap("store.PersonNotices", err)
	}
	for i, start := range gathered {
		rows, err := s.pool.Query(ctx, `SELECT n.id, n.at, n.kind, n.words, n.path, count(*) OVER () FROM person_notices m JOIN notices n ON n.id = m.notice
			WHERE m.person = $1 AND m.window_start = $2 AND m.nth > $3 ORDER BY m.nth LIMIT $4`, person, start, notices.PerShift, gatheredMost)
		if err != nil {
			return nil, wrap("store.PersonNotices", err)
		}
		var all int
		var g NoticeLine
		if _, err := pgx.ForEachRow(rows, []any{&g.ID, &g.At, &g.Kind, &g.Words, &g.Path, &all}, func() error {
			list[i].More = append(list[i].More, g)
			return nil
		}); err != nil {
			return nil, wrap("store.PersonNotices", err)
		}
		list[i].Beyond = all - len(list[i].More)
	}
	return list, nil
}

// ReadNotices marks a person's notices read: those up to one, or with alone that
// line only.
func (s *Store) ReadNotices(ctx context.Context, person int32, through int64, alone bool) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	which := `notice <= $2`
	if alone {
		which = `notice = $2`
	}
	_, err := s.pool.Exec(ctx, fmt.Sprintf(`UPDATE person_notices SET read_at = $3 WHERE person = $1 AND read_at IS NULL AND nth <= %d AND %s`, notices.PerShift+1, which), person, through, s.Now())
	return wrap("store.ReadNotices", err)
}
