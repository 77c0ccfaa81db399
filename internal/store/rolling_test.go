package store_test

import (
	"context"
	"fmt"
	"io/fs"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/migrations"

	"github.com/jackc/pgx/v5"
)

// expand is what a later program's migration does to the schema under an older one.
func expand(t *testing.T, conn *pgx.Conn, oldest int) {
	t.Helper()
	if _, err := conn.Exec(context.Background(), fmt.Sprintf(`
		CREATE TABLE later_things (thing integer PRIMARY KEY REFERENCES people, note text);
		ALTER TABLE cleanings ADD COLUMN later_note text;
		ALTER TABLE people ADD COLUMN later_word text NOT NULL DEFAULT '';
		UPDATE schema_oldest SET version = greatest(version, %d);
		INSERT INTO schema_done (version) VALUES (%d)`, oldest, migrations.Latest+1)); err != nil {
		t.Fatal(err)
	}
}

// TestOldAndNewProgramsRunSideBySide runs two servers' stores while the schema grows
// under them, as when a farm is upgraded one server after the other: the older one
// goes on, may be started again, and leaves to the newer one what has to know every
// table.
func TestOldAndNewProgramsRunSideBySide(t *testing.T) {
	ctx, url := context.Background(), testdb.New(t)
	conn := connect(t, url)
	before := openAt(t, url)
	if report, err := before.Import(ctx, byImport, folder(t, "../../testdata/bundles/everything"), store.ImportOptions{}); err != nil {
		t.Fatalf("%v: %+v", err, report)
	}
	sealed(t, before)
	expand(t, conn, 0)
	if err := before.Ready(ctx); err != nil {
		t.Errorf("a server that runs: %v", err)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Errorf("an older program's start: %v", err)
	}
	after := openAt(t, url) // an older server started again
	printer := anyPrinter(t, before)
	for i, s := range []*store.Store{before, after} {
		for _, want := range []string{"recorded", "already_recorded"} {
			r, err := send(t, s, fmt.Sprintf(`{"kind":"first_layer","id":"R-%d","printer":"%s","started_at":"2026-03-01T07:0%d:00Z"}`, i, printer, i))
			if err != nil || !strings.Contains(fmt.Sprint(r), want) {
				t.Errorf("record %d: got %v, %v, want %s", i, r, err, want)
			}
		}
	}
	if n := one[int](t, conn, `SELECT count(*) FROM first_layers WHERE ref LIKE 'R-%'`); n != 2 {
		t.Errorf("%d of 2 records are there", n)
	}
	// Records of a kind that the older program does not know would be left out of what it seals.
	if n, err := before.Seal(ctx); err != nil || n != 0 {
		t.Errorf("an older program sealed %d acts, %v", n, err)
	}
	if _, err := before.Verify(ctx, ""); !fault.Is(err, fault.Conflict) {
		t.Errorf("an older program checks the trail: %v", err)
	}
	if err := before.AddAccount(ctx, store.Act{Via: "command"}, "leaver", "operator", "$argon2id$hash"); err != nil {
		t.Fatal(err)
	}
	if err := before.RemovePerson(ctx, store.Act{Via: "command"}, "leaver"); !fault.Is(err, fault.Conflict) {
		t.Errorf("an older program takes a name away: %v", err)
	}
	// The newer one does all of it: here its schema is taken as known.
	if _, err := conn.Exec(ctx, `DELETE FROM schema_done WHERE version > $1`, migrations.Latest); err != nil {
		t.Fatal(err)
	}
	if n, err := after.Seal(ctx); err != nil || n < 3 {
		t.Errorf("the newer program sealed %d acts, %v, want what was recorded meanwhile", n, err)
	}
	if a, err := after.Verify(ctx, ""); err != nil || a.Broken > 0 {
		t.Errorf("the trail after the upgrade: %+v, %v", a, err)
	}
}

// TestAnOlderProgramStopsWhereTheSchemaSaysSo: a migration that takes something away
// says how old a program may be.
func TestAnOlderProgramStopsWhereTheSchemaSaysSo(t *testing.T) {
	ctx, url := context.Background(), testdb.New(t)
	s := openAt(t, url)
	expand(t, connect(t, url), migrations.Latest+1)
	for name, err := range map[string]error{"Ready": s.Ready(ctx), "Open": openOnly(ctx, url), "Migrate": store.Migrate(ctx, url), "down": store.MigrateTo(ctx, url, 0)} {
		if !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), fmt.Sprint(migrations.Latest+1)) {
			t.Errorf("%s: got %v, want a refusal that names the versions", name, err)
		}
	}
}

// TestASchemaWithAGapIsToldToMigrate: a lower migration that is missing is missed,
// although the highest is there.
func TestASchemaWithAGapIsToldToMigrate(t *testing.T) {
	ctx, url := context.Background(), testdb.New(t)
	s := openAt(t, url)
	if _, err := connect(t, url).Exec(ctx, `DELETE FROM schema_done WHERE version = 20`); err != nil {
		t.Fatal(err)
	}
	if err := s.Ready(ctx); !fault.Is(err, fault.Busy) || !strings.Contains(err.Error(), "migrate") {
		t.Errorf("got %v, want a refusal that says migrate", err)
	}
}

func openAt(t *testing.T, url string) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// takesAway finds what an older program, or the chain of the trail, would trip over.
var takesAway = []struct {
	what string
	re   *regexp.Regexp
}{
	{"takes something away", regexp.MustCompile(`(?i)\bDROP\s+(TABLE|COLUMN|TYPE|VIEW|FUNCTION|SEQUENCE|DEFAULT|SCHEMA)\b`)},
	{"renames something", regexp.MustCompile(`(?i)\bRENAME\b`)},
	{"changes a column's type", regexp.MustCompile(`(?i)\bALTER\s+(COLUMN\s+)?\w+\s+(SET\s+DATA\s+)?TYPE\b`)},
	{"asks for a value that older programs do not give", regexp.MustCompile(`(?i)\bSET\s+NOT\s+NULL\b`)},
	{"adds a column that older programs leave empty", regexp.MustCompile(`(?is)\bADD\s+COLUMN\s+(?:[^,;]*?)\bNOT\s+NULL\b`)},
	{"empties or changes rows of others", regexp.MustCompile(`(?i)\b(TRUNCATE|DELETE\s+FROM)\b`)},
}

// since is the first migration that older programs may meet: those before refuse any
// newer schema.
const since = 33

// broken tells what is wrong with a migration for programs that are older.
func broken(sql string, number int) (wrong []string) {
	sql = regexp.MustCompile(`--[^\n]*`).ReplaceAllString(sql, "")
	raises := regexp.MustCompile(`(?i)UPDATE\s+schema_oldest\s+SET\s+version\s*=\s*` + strconv.Itoa(number) + `\b`).MatchString(sql)
	for _, x := range takesAway {
		for _, found := range x.re.FindAllString(sql, -1) {
			if raises || x.what == "adds a column that older programs leave empty" && regexp.MustCompile(`(?i)\bDEFAULT\b`).MatchString(afterUpTo(sql, found)) {
				continue
			}
			wrong = append(wrong, x.what+": "+found)
		}
	}
	for _, kind := range farm.EventKinds {
		// A default would stand in rows that are sealed already, and the chain would not hold.
		if m := regexp.MustCompile(`(?is)\bALTER\s+TABLE\s+` + eventTable(kind) + `\b[^;]*\bADD\s+COLUMN\b[^;]*\bDEFAULT\b`).FindString(sql); m != "" {
			wrong = append(wrong, "changes sealed rows: "+m)
		}
	}
	return wrong
}

// afterUpTo is a column's definition from where it was found to its end.
func afterUpTo(sql, found string) string {
	rest := sql[strings.Index(sql, found):]
	if i := strings.IndexAny(rest[len(found):], ",;"); i >= 0 {
		return rest[:len(found)+i]
	}
	return rest
}

// eventTable is where a kind's rows are.
func eventTable(kind farm.Kind) string { return store.TableOf(kind) }

func TestMigrationsOnlyAdd(t *testing.T) {
	files, err := fs.Glob(migrations.FS, "*.up.sql")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		n, err := strconv.Atoi(name[:6])
		if err != nil || n <= since {
			continue
		}
		sql, err := fs.ReadFile(migrations.FS, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range broken(string(sql), n) {
			t.Errorf("%s %s\nA migration only adds (a column may be empty or has a default; on tables of events it may be empty and has none), so that old and new programs run side by side; one that must do more says UPDATE schema_oldest SET version = %d.", name, w, n)
		}
	}
	for sql, good := range map[string]bool{
		"CREATE TABLE x (id integer NOT NULL);":                                                     true,
		"ALTER TABLE people ADD COLUMN word text;":                                                  true,
		"ALTER TABLE people ADD COLUMN word text NOT NULL DEFAULT '', ADD COLUMN more text;":        true,
		"ALTER TABLE people ADD COLUMN word text DEFAULT '' NOT NULL;":                              true,
		"-- DROP TABLE x;\nCREATE INDEX ON people (word);":                                          true,
		"ALTER TABLE people DROP COLUMN word; UPDATE schema_oldest SET version = 99;":               true,
		"ALTER TABLE people DROP COLUMN word;":                                                      false,
		"DROP TABLE people;":                                                                        false,
		"ALTER TABLE people RENAME COLUMN name TO word;":                                            false,
		"ALTER TABLE people ALTER COLUMN name TYPE varchar(9);":                                     false,
		"ALTER TABLE people ALTER name SET NOT NULL;":                                               false,
		"ALTER TABLE people ADD COLUMN word text NOT NULL;":                                         false,
		"ALTER TABLE cleanings ADD COLUMN word text DEFAULT '';":                                    false,
		"ALTER TABLE cleanings ADD COLUMN word text;":                                               true,
		"ALTER TABLE people DROP COLUMN word; UPDATE schema_oldest SET version = 98;":               false,
		"ALTER TABLE people ADD COLUMN a text NOT NULL, ADD COLUMN b text NOT NULL DEFAULT 'here';": false,
	} {
		if wrong := broken(sql, 99); (len(wrong) == 0) != good {
			t.Errorf("%s: found %v", sql, wrong)
		}
	}
}
