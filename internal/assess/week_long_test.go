//go:build long

package assess_test

import (
	"bufio"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/localdb"
	"basecourse/internal/store"

	"github.com/jackc/pgx/v5"
)

// TestFindingsWeek times how a server that keeps what it read works in a week of new
// first layers with their probes and washes, and late ones, corrections, voids, a new
// printer and a retired one, beside a server that reads and fits all of the same farm:
// alternating, rounds of a week each, medians. What both answer must be the same to the
// byte. It also times a quarter of an hour of today, after which the fit of the last
// midnight still holds. The farm is that of FindingsSpeed, or a copy of the one that
// PagesAtScale keeps (BASECOURSE_SCALE_HOME); BASECOURSE_SPEED_ROUNDS is for both. Its
// nine weeks lie in the window of a fit as a whole, a week is more than a tenth of them:
// the hardest case. FindingsWeekOfAYear has a year's.
func TestFindingsWeek(t *testing.T) {
	ctx := context.Background()
	var cluster *localdb.Cluster
	name := "farm"
	if home := os.Getenv("BASECOURSE_SCALE_HOME"); home == "" {
		cluster, _ = speedFarm(t)
	} else {
		var err error
		if cluster, err = localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true}); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cluster.Close(ctx) })
		name = "farm_week" // the farm itself stays as it is
		sql(t, cluster.AdminURL("postgres"), `DROP DATABASE IF EXISTS farm_week`)
		sql(t, cluster.AdminURL("postgres"), `CREATE DATABASE farm_week TEMPLATE farm OWNER basecourse`)
		defer sql(t, cluster.AdminURL("postgres"), `DROP DATABASE farm_week WITH (FORCE)`)
		if err := store.Migrate(ctx, cluster.URL(name)); err != nil {
			t.Fatal(err)
		}
	}
	week, day := weeksWorkedIn(t, cluster, name)
	if day > 0.15 {
		t.Errorf("new rows of today take %.0f %% of the time for all, want at most 15 %%", 100*day)
	}
	if week > 0.8 { // the fit is most of it, and is made anew
		t.Errorf("a week takes %.0f %% of the time for all, want at most 80 %%", 100*week)
	}
	sayMissed(t, week)
}

// TestFindingsWeekOfAYear is FindingsWeek on a farm whose 1,000,000 first layers took a
// year: a week is a fiftieth of the records, and the window of a fit a quarter.
func TestFindingsWeekOfAYear(t *testing.T) {
	t.Setenv(speedPrinters, "170")
	cluster, _ := speedFarm(t)
	week, day := weeksWorkedIn(t, cluster, "farm")
	if day > 0.2 {
		t.Errorf("new rows of today take %.0f %% of the time for all, want at most 20 %%", 100*day)
	}
	if week > 0.25 { // what it should take and as much again as a busy machine adds
		t.Errorf("a week takes %.0f %% of the time for all, want at most 25 %%", 100*week)
	}
	sayMissed(t, week)
}

// sayMissed says where a week takes more than it is wanted to.
func sayMissed(t *testing.T, week float64) {
	t.Helper()
	if week > 0.15 {
		t.Logf("missed: a week should take at most 15 %% of the time for all and takes %.0f %%; more than half of it is the fit, which is made anew from all layers of its window", 100*week)
	}
}

// weeksWorkedIn gives the medians of what a week takes of the time for all, and a quarter
// of an hour of today.
func weeksWorkedIn(t *testing.T, cluster *localdb.Cluster, name string) (week, day float64) {
	t.Helper()
	ctx := context.Background()
	admin := cluster.AdminURL(name)
	s, err := store.Open(ctx, cluster.URL(name))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	frame, err := s.Frame(ctx, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	end := frame.LatestStart.Truncate(24 * time.Hour).Add(23 * time.Hour) // later on the last day
	kept, anew := answering(t, cluster.URL(name), true), answering(t, cluster.URL(name), false)
	first, _ := kept.answer(t, end)
	t.Logf("first answer, all read and fitted: %v", first)
	recorded, written := countRecords(t, admin), 0
	var parts, wholes, todays, wholeTodays []cost
	for k := range fromEnv("BASECOURSE_SPEED_ROUNDS", 5) {
		n := newWeek(t, admin, k, end)
		written = n
		end = end.AddDate(0, 0, 7)
		settle(t, admin)
		var wholeTook cost
		var want string
		if k%2 == 1 {
			wholeTook, want = anew.answer(t, end)
		}
		partTook, got := kept.answer(t, end)
		if k%2 == 0 {
			wholeTook, want = anew.answer(t, end)
		}
		if got != want {
			t.Errorf("week %d: what was kept and added to answers otherwise than all of it", k)
		}
		today := newToday(t, admin, k, end)
		later := end.Add(20 * time.Minute)
		partToday, got := kept.answer(t, later)
		wholeToday, want := anew.answer(t, later)
		if got != want {
			t.Errorf("day after week %d: what was kept and added to answers otherwise than all of it", k)
		}
		parts, wholes = append(parts, partTook), append(wholes, wholeTook)
		todays, wholeTodays = append(todays, partToday), append(wholeTodays, wholeToday)
		t.Logf("round %d: a week of %d records %v, all %v; %d of today %v, all %v", k+1, n, partTook, wholeTook, today, partToday, wholeToday)
	}
	part, all, lately, allLately := middle(parts), middle(wholes), middle(todays), middle(wholeTodays)
	week, day = part.took.Seconds()/all.took.Seconds(), lately.took.Seconds()/allLately.took.Seconds()
	t.Logf("of the server's processors alone: a week %.0f %%, today %.0f %%", 100*part.worked.Seconds()/all.worked.Seconds(), 100*lately.worked.Seconds()/allLately.worked.Seconds())
	peak := highWater(kept.pid)
	t.Logf("medians: a week of %.1f %% of the records %v of %v = %.0f %%; today %v of %v = %.0f %%; peak of the server that keeps what it read %d MiB, of the other %d",
		100*float64(written)/float64(recorded), part, all, 100*week, lately, allLately, 100*day, peak>>20, highWater(anew.pid)>>20)
	if peak > 1<<30 {
		t.Errorf("a server takes %d MiB at most, want at most 1024", peak>>20)
	}
	return week, day
}

// answering is a server in a process of its own, as servers are: neither has memory that
// the other left, nor collects it.
func answering(t *testing.T, url string, keeps bool) *answerer {
	t.Helper()
	told, tell, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], "-test.run", "^TestAnswerWhenAsked$")
	cmd.Env = append(environ(url), fmt.Sprintf("%s=%t", answersKept, keeps))
	cmd.Stderr, cmd.ExtraFiles = os.Stderr, []*os.File{tell}
	ask, err := cmd.StdinPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	_ = tell.Close()
	t.Cleanup(func() {
		_ = ask.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("a server that answers: %v", err)
		}
	})
	return &answerer{pid: cmd.Process.Pid, ask: ask, told: bufio.NewReader(told)}
}

type answerer struct {
	pid  int
	ask  io.Writer
	told *bufio.Reader
}

// answer asks for findings and risks as of an instant, and gives what the findings took,
// and a digest of both.
func (a *answerer) answer(t *testing.T, at time.Time) (took cost, digest string) {
	t.Helper()
	if _, err := fmt.Fprintln(a.ask, at.UnixMicro()); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Fscanln(a.told, &took.took, &took.worked, &digest); err != nil {
		t.Fatal(err)
	}
	return took, digest
}

// answersKept says of a process that answers whether it keeps what it read.
const answersKept = "BASECOURSE_SPEED_ANSWERS_KEPT"

// TestAnswerWhenAsked is the other end of answerer.
func TestAnswerWhenAsked(t *testing.T) {
	keeps := os.Getenv(answersKept)
	if keeps == "" {
		t.Skip("is run by FindingsWeek")
	}
	ctx := context.Background()
	s, err := store.Open(ctx, os.Getenv("DATABASE_URL"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	tell := os.NewFile(3, "answers")
	a := assess.New(s)
	if keeps == "true" {
		a.Keep()
	}
	for asked := bufio.NewScanner(os.Stdin); asked.Scan(); {
		micros, err := strconv.ParseInt(asked.Text(), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		q := assess.AsOf{At: time.UnixMicro(micros).UTC()}
		if keeps != "true" {
			a = assess.New(s)
		}
		begun, used := time.Now(), processorTime(t)
		f, err := a.Findings(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		took, worked := time.Since(begun), processorTime(t)-used
		r, err := a.Risks(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Fprintf(tell, "%d %d %x\n", took, worked, sha256.Sum256(append(f.JSON(), r.JSON()...))); err != nil {
			t.Fatal(err)
		}
	}
}

// cost is how long an answer took, and how long the server's own processors worked for it
// (the database's not counted), which a busy machine lengthens less.
type cost struct{ took, worked time.Duration }

func (c cost) String() string {
	return fmt.Sprintf("%.2f s (%.2f s of processors)", c.took.Seconds(), c.worked.Seconds())
}

// middle gives the medians of both.
func middle(costs []cost) cost {
	var took, worked []time.Duration
	for _, c := range costs {
		took, worked = append(took, c.took), append(worked, c.worked)
	}
	return cost{median(took), median(worked)}
}

// processorTime is what this process has used so far.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func countRecords(t *testing.T, admin string) (n int) {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), admin)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(context.Background(), `SELECT count(*) FROM records`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// newWeek writes the week after end like the week before it, under one act, and what
// else a week brings. It gives the number of records. All of it is graded by the time the
// answer is asked for, as where somebody asks for now.
func newWeek(t *testing.T, admin string, k int, end time.Time) int {
	t.Helper()
	week := between{end.AddDate(0, 0, -7), end.Add(-2 * time.Hour)}
	before := between{end.AddDate(0, 0, -27), end.AddDate(0, 0, -26)}
	things := layersLike{by: "7 days", of: week,
		printer: `CASE WHEN printer % 500 = 1 AND random() < 0.1 THEN (SELECT max(id) FROM printers) ELSE printer END`,
		plate:   `CASE WHEN plate % 50 = 1 AND random() < 0.5 THEN (SELECT max(id) FROM plates) ELSE plate END`}
	return writeRows(t, admin, fmt.Sprintf("w%d", k), []string{
		// A new printer with a plate, which stand before the others; one is retired.
		fmt.Sprintf(`INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('A-new-%d', 220, 220)`, k),
		fmt.Sprintf(`INSERT INTO plates (plate, surface) VALUES ('A-new-%d', 'glass')`, k),
		fmt.Sprintf(`UPDATE printers SET retired_at = '%s' WHERE id = (SELECT min(id) + %d FROM printers)`, end.Format(time.RFC3339), k),
		things.sql(),
		`INSERT INTO probes (id, probed_at, noted_at, arrived_at, printer, plate) SELECT md5(id::text || :key)::uuid, probed_at + interval '7 days', noted_at + interval '7 days', now(), printer, plate
			FROM probes WHERE voided_at IS NULL AND ` + week.sql("probed_at"),
		`INSERT INTO cleanings (id, cleaned_at, noted_at, arrived_at, plate, method) SELECT md5(id::text || :key)::uuid, cleaned_at + interval '7 days', noted_at + interval '7 days', now(), plate, method
			FROM cleanings WHERE voided_at IS NULL AND ` + week.sql("cleaned_at"),
		// Late ones of the weeks before.
		`INSERT INTO cleanings (id, cleaned_at, noted_at, arrived_at, plate, method) SELECT md5(id::text || 'late' || :key)::uuid, cleaned_at - interval '90 minutes', now(), now(), plate, 'wash'
			FROM cleanings WHERE arrived_at < now() AND plate % 37 = 5 AND random() < 0.02`,
		layersLike{by: "11 minutes", printer: "printer", plate: "plate", of: before, where: " AND printer % 20 = 3"}.sql(),
		// Voids, and grades that came later.
		`UPDATE first_layers SET voided_at = now(), void_arrived_at = now() WHERE voided_at IS NULL AND arrived_at < now() AND printer % 40 = 7 AND ` + before.sql("started_at"),
		`UPDATE first_layers SET grade = 'clean', graded_at = started_at + interval '20 minutes', filled_at = now() WHERE voided_at IS NULL AND arrived_at < now() AND grade IS NULL AND printer % 10 = 4 AND ` + week.sql("started_at"),
	})
}

// newToday writes a few layers of the last hours.
func newToday(t *testing.T, admin string, k int, end time.Time) int {
	t.Helper()
	return writeRows(t, admin, fmt.Sprintf("t%d", k), []string{
		layersLike{by: "12 minutes", printer: "printer", plate: "plate", of: between{end.Add(-10 * time.Hour), end.Add(-9 * time.Hour)}, where: " AND printer % 5 = 3"}.sql()})
}

type between struct{ from, to time.Time }

func (b between) sql(when string) string {
	return fmt.Sprintf("%s > '%s' AND %[1]s <= '%[3]s'", when, b.from.Format(time.RFC3339), b.to.Format(time.RFC3339))
}

// layersLike are first layers like those of some time, so much later.
type layersLike struct {
	by             string
	printer, plate string
	of             between
	where          string
}

func (l layersLike) sql() string {
	return fmt.Sprintf(`INSERT INTO first_layers (id, started_at, graded_at, noted_at, arrived_at, printer, plate, grade, grader, material, underside, marks)
		SELECT md5(id::text || '%s' || :key)::uuid, started_at + interval '%[1]s', graded_at + interval '%[1]s', noted_at + interval '%[1]s', now(), %s, %s, grade, grader, material, underside, marks
		FROM first_layers WHERE voided_at IS NULL AND %s%s`, l.by, l.printer, l.plate, l.of.sql("started_at"), l.where)
}

// writeRows runs statements under one act and notes what they recorded, filled and
// voided as the store does.
func writeRows(t *testing.T, admin, key string, statements []string) (records int) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, admin)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	tx, err := conn.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var act int64
	if err := tx.QueryRow(ctx, `INSERT INTO acts (at, via, why) VALUES (now(), 'import', $1) RETURNING id`, key).Scan(&act); err != nil {
		t.Fatal(err)
	}
	for _, kind := range [][3]string{{"first_layer", "first_layers", "started_at, arrived_at, 0, :act, printer"}, {"probe", "probes", "probed_at, arrived_at, 0, :act, printer"}, {"cleaning", "cleanings", "cleaned_at, arrived_at, 0, :act, plate"}} {
		statements = append(statements, `INSERT INTO records (id, happened_at, arrived_at, digest, act, owner, kind) SELECT id, `+kind[2]+`, '`+kind[0]+`' FROM `+kind[1]+` WHERE arrived_at = now()`)
	}
	statements = append(statements, `INSERT INTO changes (act, kind, record, field, became) SELECT :act, 'first_layer', id, 'voided_at', 'now' FROM first_layers WHERE void_arrived_at = now()`,
		`INSERT INTO changes (act, kind, record, field, became) SELECT :act, 'first_layer', id, 'grade', 'clean' FROM first_layers WHERE filled_at = now()`)
	for _, s := range statements {
		s = strings.NewReplacer(":key", "'"+key+"'", ":act", fmt.Sprint(act)).Replace(s)
		tag, err := tx.Exec(ctx, s)
		if err != nil {
			t.Fatalf("%s: %v", s, err)
		}
		if strings.HasPrefix(s, "INSERT INTO records") || strings.HasPrefix(s, "INSERT INTO changes") {
			records += int(tag.RowsAffected())
		}
	}
	if err := tx.Commit(ctx); err != nil {
		t.Fatal(err)
	}
	return records
}
