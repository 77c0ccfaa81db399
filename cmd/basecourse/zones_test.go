package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// What differs from one answer to the next whoever gives it: numbers of forms and
// requests, how long ago something was, when a page was made, and its place in the log.
var passing = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|nonce="[^"]*"|name="(when|seen|opened)" value="[^"]*"|data-[a-z-]+="[^"]*"`)

// printed is what a command in a process of its own prints.
func printed(t *testing.T, env []string, args ...string) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	cmd := exec.Command(self, args...)
	cmd.Env, cmd.Stderr = append(append(os.Environ(), asProgram+"=1"), env...), &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, &errs)
	}
	return string(out)
}

// TestTheServersZoneChangesNothing runs three servers over one database, each in a zone
// of its own and with the database's sessions in another, over a farm in Europe/Berlin
// with layers at both 02:30 of an autumn and either side of the 02:30 that a spring left
// out: pages, CSV and findings are the same to the byte, and a form reads times alike.
func TestTheServersZoneChangesNothing(t *testing.T) {
	zones := []string{"UTC", "America/Los_Angeles", "Asia/Kathmandu"}
	db, bundle := testdb.New(t), t.TempDir()
	writeFiles(t, bundle, map[string]string{
		"settings.csv": "key,value\ntime_zone,Europe/Berlin\n",
		"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\nL-1,glass\n", "people.csv": "person,name,role\nines,Ines,operator\n",
		"first_layers.csv": "first_layer,printer,plate,started_at,grade,grader,graded_at\n" +
			"A-1,P-1,L-1,2025-10-26T00:30:00Z,clean,ines,2025-10-26T00:40:00Z\n" + // 02:30 by summer's clock
			"A-2,P-1,L-1,2025-10-26T01:30:00Z,failed,ines,2025-10-26T01:40:00Z\n" + // and 02:30 once more
			"A-3,P-1,L-1,2025-10-26T22:59:59Z,clean,ines,2025-10-26T23:10:00Z\n" + // the last second of a day of 25 hours
			"S-1,P-1,L-1,2025-03-30T00:59:59Z,clean,ines,2025-03-30T01:10:00Z\n" + // a second before 03:00
			"S-2,P-1,L-1,2025-03-30T01:00:00Z,failed,ines,2025-03-30T01:10:00Z\n" + // 03:00
			"S-3,P-1,L-1,2025-03-30T21:59:59Z,clean,ines,2025-03-30T22:10:00Z\n", // the last second of a day of 23 hours
		"cleanings.csv": "cleaning,plate,cleaned_at,method,person\nC-1,L-1,2025-10-26T00:15:00Z,wash,ines\nC-2,L-1,2025-10-26T01:15:00Z,wipe,ines\n",
	})
	env := []string{"DATABASE_URL=" + db, "BASECOURSE_DATA=" + t.TempDir()}
	wantCode(t, call(t, env, "", "import", bundle), 0)
	wantCode(t, call(t, env, "an invented password\n", "user", "add", "mara", "--role", "admin", "--password-stdin"), 0)
	conn, err := pgx.Connect(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var name string
	if err := conn.QueryRow(t.Context(), `SELECT quote_ident(current_database())`).Scan(&name); err != nil {
		t.Fatal(err)
	}
	type server struct {
		zone, address string
		browser       *http.Client
		env           []string
	}
	var servers []server
	for i, zone := range zones {
		if _, err := conn.Exec(t.Context(), `ALTER DATABASE `+name+` SET timezone TO '`+zones[(i+1)%len(zones)]+`'`); err != nil {
			t.Fatal(err)
		}
		s := server{zone: zone, env: []string{env[0], "BASECOURSE_DATA=" + t.TempDir(), "TZ=" + zone}}
		_, s.address = serveIn(t, s.env...)
		jar, err := cookiejar.New(nil)
		if err != nil {
			t.Fatal(err)
		}
		s.browser = &http.Client{Jar: jar, Timeout: time.Minute}
		servers = append(servers, s)
	}
	answer := func(resp *http.Response, err error) (int, string) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(b)
	}
	for _, s := range servers {
		if code, body := answer(s.browser.PostForm(s.address+"sign-in", url.Values{"handle": {"mara"}, "password": {"an invented password"}})); code != http.StatusOK {
			t.Fatalf("signing in at %s: %d %s", s.zone, code, body)
		}
	}
	for path, want := range map[string]string{
		"printers/P-1": "02:30", "plates/L-1": "02:30", "first-layers/A-1": "02:30", "first-layers/A-2": "02:30", "first-layers/S-2": "03:00",
		"trends?from=2025-10-25&to=2025-10-27&per=day":     "2025-10-26",
		"trends.csv?from=2025-10-25&to=2025-10-27&per=day": "2025-10-26", "trends.csv?from=2025-03-29&to=2025-03-31&per=day": "2025-03-30",
		"trends.csv?from=2025-03-24&to=2025-04-06": "2025-03-24", "reports/printers/P-1/figures.csv": "", "api/v1/first-layers": "2025-10-26T01:30:00Z", "search?q=A-2": "", "upkeep/recent": "",
	} {
		// Pages say how long ago something was, and a minute may end between two of them.
		for try := 1; ; try++ {
			var first string
			differs := ""
			for i, s := range servers {
				code, body := answer(s.browser.Get(s.address + path))
				body = passing.ReplaceAllString(body, "")
				if code != http.StatusOK || !strings.Contains(body, want) {
					t.Errorf("%s at %s: got status %d, want %q in it: %s", path, s.zone, code, want, body)
				}
				if i == 0 {
					first = body
				} else if body != first {
					at := 0
					for at < min(len(body), len(first)) && body[at] == first[at] {
						at++
					}
					differs = s.zone + ": …" + body[max(0, at-120):min(len(body), at+80)] + "… where " + zones[0] + " has …" + first[max(0, at-40):min(len(first), at+80)]
				}
			}
			if differs == "" {
				break
			}
			if try == 3 {
				t.Errorf("%s differs at %s", path, differs)
				break
			}
		}
	}
	// Days are the farm's: two layers of the autumn's on the day of 25 hours, and so on.
	for path, want := range map[string]string{"trends.csv?from=2025-10-25&to=2025-10-27&per=day": "2025-10-26", "trends.csv?from=2025-03-29&to=2025-03-31&per=day": "2025-03-30"} {
		_, body := answer(servers[0].browser.Get(servers[0].address + path))
		found := false
		for line := range strings.Lines(body) {
			cells := strings.Split(strings.TrimSpace(line), ",")
			found = found || strings.Contains(line, want) && (strings.Contains(line, ",3,") || strings.HasSuffix(cells[len(cells)-1], "3"))
		}
		if !found {
			t.Errorf("%s: three layers belong to %s:\n%s", path, want, body)
		}
	}
	// A form reads what people type in the farm's zone: an hour that was left out is refused.
	for _, s := range servers {
		for when, want := range map[string]string{"2025-03-30T02:30": "There was no such time", "2025-10-26T02:30": ""} {
			code, page := answer(s.browser.Get(s.address + "upkeep/clean?plate=L-1"))
			id := regexp.MustCompile(`name="id" value="([^"]+)"`).FindStringSubmatch(page)
			if code != http.StatusOK || id == nil {
				t.Fatalf("the form: %d", code)
			}
			code, said := answer(s.browser.PostForm(s.address+"upkeep/clean", url.Values{"id": {id[1]}, "plates": {"L-1"}, "method": {"wipe"}, "when": {when}, "do": {"save"}}))
			if refused := code == http.StatusUnprocessableEntity; refused != (want != "") || !strings.Contains(said, want) {
				t.Errorf("a cleaning at %s, typed at %s: got status %d, want %q", when, s.zone, code, want)
			}
		}
	}
	rows, err := conn.Query(t.Context(), `SELECT DISTINCT cleaned_at FROM cleanings WHERE arrived_at > now() - interval '1 day' AND cleaned_at > '2025-10-25' AND ref IS NULL`)
	if err != nil {
		t.Fatal(err)
	}
	typed, err := pgx.CollectRows(rows, pgx.RowTo[time.Time])
	if err != nil || len(typed) != 1 {
		t.Errorf("typed at three servers 02:30 is %v, %v; want one instant", typed, err)
	}
	// And so the commands, which write files.
	var exported, found string
	for i, s := range servers {
		out := filepath.Join(t.TempDir(), "out")
		printed(t, s.env, "export", out)
		files, err := filepath.Glob(filepath.Join(out, "*.csv"))
		if err != nil || len(files) == 0 {
			t.Fatal(err)
		}
		var all strings.Builder
		for _, name := range files {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			all.WriteString(filepath.Base(name) + "\n" + string(b))
		}
		said := printed(t, s.env, "findings", "--at", "2025-11-01T00:00:00+01:00", "--format", "csv") + printed(t, s.env, "findings", "--at", "2025-11-01T00:00:00+01:00", "--format", "json")
		if i == 0 {
			exported, found = all.String(), said
		} else if all.String() != exported || said != found {
			t.Errorf("the export or the findings differ between %s and %s", zones[0], s.zone)
		}
	}
}
