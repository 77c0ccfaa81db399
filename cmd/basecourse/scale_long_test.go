//go:build long

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/localdb"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/web"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// What a page may cost at 1,000 printers and 1,000,000 first layers on 2 cores,
// at the median of scaleRequests requests.
const (
	scaleRequests = 15
	floorTook     = 60 * time.Millisecond
	floorQueries  = 5
	floorOutside  = 1.0 / 3 // of the time, outside the queries
	floorPacked   = 150_000 // bytes
	pageTook      = 100 * time.Millisecond
)

// inventInto tells a process of this test's own binary where to write the farm;
// inventing it takes more memory than this process should have.
const inventInto = "BASECOURSE_INVENT_INTO"

// TestPagesAtScale asks for every page of the table of routes over a farm of
// 1,000 printers and 1,000,000 first layers, in the roles that may enter, and
// prints what each costs. The parameters in an address are filled in from the
// farm; a page whose parameters nobody filled in fails, so that no page is left
// out.
//
// BASECOURSE_SPEED_LAYERS makes the farm smaller, BASECOURSE_SCALE_HOME names a
// folder in which its database is kept for the next run, BASECOURSE_SCALE_PAGE
// asks only for pages whose address contains it.
func TestPagesAtScale(t *testing.T) {
	layers := 1_000_000
	if n, err := strconv.Atoi(os.Getenv("BASECOURSE_SPEED_LAYERS")); err == nil {
		layers = n
	}
	if dir := os.Getenv(inventInto); dir != "" {
		if err := intake.WriteFolder(dir, simfarm.Run(simfarm.Large(max(10, layers/1000), layers), 1).Bundle()); err != nil {
			t.Fatal(err)
		}
		return
	}
	ctx := context.Background()
	address := scaleFarm(t)
	counter := &queryCounter{}
	st, err := store.Open(ctx, address, func(c *pgxpool.Config) { c.ConnConfig.Tracer = counter })
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	// The farm's records ended when it was invented; the present is just after.
	frame, err := st.Frame(ctx, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	now := frame.LatestStart.Add(7 * time.Minute)
	answers := newFindings(st)
	server, err := web.New(web.Config{Store: st, Findings: answers, Heights: answers, Judged: answers, Diagnoses: answers, Policies: answers, Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	if _, err := answers.Latest(ctx, now, store.DataVersion{}); err != nil {
		t.Fatal(err)
	}
	t.Logf("findings of the whole farm, as the server computes them in the background: %.1f s", time.Since(begun).Seconds())
	begun = time.Now()
	if _, err := answers.Heights(ctx, now, store.DataVersion{}); err != nil {
		t.Fatal(err)
	}
	t.Logf("height book, in the background too: %.1f s", time.Since(begun).Seconds())
	scaleThings(t, st, now)
	begun = time.Now()
	plan, err := answers.Assessor.LatestPlan(ctx, now.Truncate(time.Minute), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	starts := 0
	for i := range plan.Jobs {
		starts += plan.Jobs[i].Start
	}
	t.Logf("prep plan of %d jobs, %d starts, which pages wait for once: %.1f s", len(plan.Jobs), starts, time.Since(begun).Seconds())
	begun = time.Now()
	if _, err := st.PackTrends(ctx); err != nil {
		t.Fatal(err)
	}
	t.Logf("days packed for trends, in the background too: %.1f s", time.Since(begun).Seconds())
	cookie := scaleSignIn(t, st, server)

	var lines []string
	// The Floor's rows are kept while nothing is written: what reading them afresh
	// costs is counted on top.
	var afresh []time.Duration
	for range scaleRequests + 3 {
		begun := time.Now()
		if _, err := st.Floor(ctx, now, 45*time.Minute, ""); err != nil {
			t.Fatal(err)
		}
		afresh = append(afresh, time.Since(begun))
	}
	slices.Sort(afresh)
	floorRead := afresh[len(afresh)/2]
	t.Logf("every printer read afresh for the Floor: median %.1f ms, fastest %.1f ms", ms(floorRead), ms(afresh[0]))
	for _, p := range scalePages(t, st, now, scaleUpload(t, server, cookie)) {
		if !strings.Contains(p, os.Getenv("BASECOURSE_SCALE_PAGE")) {
			continue
		}
		c := scaleCost(t, server, cookie, counter, p)
		lines = append(lines, fmt.Sprintf("%-64s %7.1f ms (fastest %6.1f) %3d queries %7.1f ms in them %6.1f ms outside %8d bytes %7d packed",
			c.path, ms(c.took), ms(c.fastest), c.queries, ms(c.inQueries), ms(c.took-c.inQueries), c.plain, c.packed))
		took := pageTook
		if strings.HasPrefix(p, "/floor") {
			took = floorTook
			c.took, c.inQueries, c.queries = c.took+floorRead, c.inQueries+floorRead, c.queries+2
			if c.queries > floorQueries {
				t.Errorf("%s asks %d queries, want at most %d", p, c.queries, floorQueries)
			}
			if outside := (c.took - c.inQueries).Seconds() / c.took.Seconds(); outside > floorOutside && c.took-c.inQueries > time.Duration(floorOutside*float64(floorTook)) {
				t.Errorf("%s spends %.0f %% of its time outside the queries, want at most a third (or of %s)", p, 100*outside, floorTook)
			}
			if c.packed > floorPacked {
				t.Errorf("%s is %d bytes packed, want at most %d", p, c.packed, floorPacked)
			}
		}
		if c.took > took {
			t.Errorf("%s takes %.1f ms at the median, want at most %.0f", p, ms(c.took), ms(took))
		}
	}
	t.Logf("medians of %d requests, warm, %d first layers:\n%s", scaleRequests, layers, strings.Join(lines, "\n"))
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// scaleFarm gives the address of a database with the farm in it.
func scaleFarm(t *testing.T) string {
	t.Helper()
	ctx := context.Background()
	home := os.Getenv("BASECOURSE_SCALE_HOME")
	if home == "" {
		dir, err := os.MkdirTemp("", "basecourse-scale-")
		if err != nil {
			t.Fatal(err)
		}
		home = dir
		t.Cleanup(func() { _ = os.RemoveAll(dir) })
	}
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cluster.Close(ctx) })
	if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	address := cluster.URL("farm")
	if err := store.Migrate(ctx, address); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ctx, address)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if frame, err := st.Frame(ctx, time.Now()); err != nil {
		t.Fatal(err)
	} else if !frame.LatestStart.IsZero() {
		return address
	}
	bundle, err := os.MkdirTemp(home, "bundle-")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(bundle) }()
	invent := exec.Command(os.Args[0], "-test.run=^TestPagesAtScale$")
	invent.Env = append(os.Environ(), inventInto+"="+bundle)
	if out, err := invent.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	source, err := intake.Folder(bundle)
	if err != nil {
		t.Fatal(err)
	}
	report, err := st.Import(ctx, store.Act{Via: "import"}, source, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	conn, err := pgx.Connect(ctx, cluster.AdminURL("farm"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	for _, sql := range []string{"VACUUM ANALYZE", "CHECKPOINT"} { // as the server does by itself in the first minutes
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	return address
}

// scaleThings adds one of each thing that the invented farm has not, so that
// their pages can be asked for.
func scaleThings(t *testing.T, st *store.Store, now time.Time) {
	t.Helper()
	ctx, none := context.Background(), farm.Unknown()
	day := now.Truncate(24 * time.Hour)
	var jobs []farm.Job
	for i := range 20 { // as many as a page of open jobs holds, and each to be worked out
		jobs = append(jobs, farm.Job{Job: fmt.Sprintf("scale-%d", i+1), Quantity: 100 + 10*i, HoursPerPlate: 2, Due: day.Add(72 * time.Hour), FirstLayerMinutes: none, Value: none, LateFeePerHour: none})
	}
	report, err := st.ImportFarm(ctx, store.Act{Via: "import"}, &farm.Bundle{
		Jobs:        jobs,
		Shifts:      []farm.Shift{{Shift: "scale", Person: "early-1", StartsAt: day, EndsAt: day.Add(8 * time.Hour)}},
		Mappings:    []farm.LogMapping{{Mapping: "scale", Says: `{"mapping":"scale","kind":"cleaning","zone":"UTC","fields":{"cleaned_at":{"from":["when"],"order":"ymd"},"method":{"value":"wipe"},"plate":{"from":["plate"]}}}`}},
		Instruments: []farm.Instrument{{Instrument: "scale", Kind: "caliper", ResolutionMM: 0.01, UncertaintyMM: none}},
	}, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	hook := store.Webhook{Name: "scale", URL: "https://hooks.example/", Kinds: []string{"hold"}}
	if err := st.AddWebhook(ctx, store.Act{Via: "command"}, hook, make([]byte, 32)); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
	if _, err := web.AddToken(ctx, st, "scale", "operator", time.Time{}); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
}

// scaleSignIn signs an admin in, who may see every page.
func scaleSignIn(t *testing.T, st *store.Store, server *web.Server) *http.Cookie {
	t.Helper()
	const password = "correct horse battery"
	err := web.AddUser(context.Background(), st, "amara", "admin", password)
	if err != nil && !strings.Contains(err.Error(), "already") {
		t.Fatal(err)
	}
	form := url.Values{"handle": {"amara"}, "password": {password}}
	req := httptest.NewRequest("POST", "/sign-in", strings.NewReader(form.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	rec := httptest.NewRecorder()
	server.ServeHTTP(rec, req)
	jar, _ := cookiejar.New(nil)
	at, _ := url.Parse("http://example.com/")
	jar.SetCookies(at, rec.Result().Cookies())
	if len(jar.Cookies(at)) != 1 {
		t.Fatalf("signing in: got status %d: %s", rec.Code, rec.Body)
	}
	return jar.Cookies(at)[0]
}

// scaleUpload sends a small bundle to be looked at, and gives its number.
func scaleUpload(t *testing.T, server *web.Server, cookie *http.Cookie) string {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	part, err := w.CreateFormFile("bundle", "plates.csv")
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(part, "plate,surface\nscale-1,glass\nscale-2,velvet\n")
	_ = w.Close()
	req := httptest.NewRequest("POST", "/setup/import", &body)
	req.Header.Set("Content-Type", w.FormDataContentType())
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	req.AddCookie(cookie)
	rec := httptest.NewRecorder()
	server.ServeHTTP(rec, req)
	id, found := strings.CutPrefix(rec.Header().Get("Location"), "/setup/import/")
	if !found {
		t.Fatalf("sending a bundle: got status %d: %.300s", rec.Code, rec.Body)
	}
	return id
}

// scaleNoPages are addresses that answer no page of the farm: /first-use/ does so
// only while nobody can sign in, links in mails only while they are awaited.
var scaleNoPages = []string{"/", "/healthz", "/readyz", "/static/", "/favicon.ico", "/sign-in", "/api/", "/first-use/", "/live", "/upkeep.ics", "/notices/confirm/", "/notices/stop/", "/photos/", "/regrade/", "/practice/items/", "/setup/tablets/", "/trust/", "/findings/sheets/:id/check"}

// scalePages gives the address of every page, its parameters filled in from the
// farm, and the views of pages that matter for speed beside the plain one.
func scalePages(t *testing.T, st *store.Store, now time.Time, upload string) []string {
	t.Helper()
	ctx := context.Background()
	list, err := st.Events(ctx, farm.KindFirstLayer, store.EventFilter{Since: now.Add(-24 * time.Hour), Limit: 1000})
	if err != nil || len(list) == 0 {
		t.Fatalf("no first layer in the last day: %v", err)
	}
	// The first layer of a printer and a plate in the middle of the farm.
	at := slices.IndexFunc(list, func(r any) bool { f := r.(*farm.FirstLayer); return f.Plate != "" && f.Grade != "" })
	if at < 0 {
		at = 0
	}
	layer := list[at].(*farm.FirstLayer)
	probes, err := st.Events(ctx, farm.KindProbe, store.EventFilter{Since: now.Add(-24 * time.Hour), Limit: 1})
	if err != nil || len(probes) == 0 {
		t.Fatalf("no probe in the last day: %v", err)
	}
	policy, _ := farm.NewID(farm.KindPolicy, "scale")
	record := fmt.Sprintf(`{"kind":"policy","id":"scale","name":"scale","in_force_from":%q,"clean_prints":8,"wash_prints":60,"probe_starts":3,"reason":"to be looked at"}`, now.Add(-30*24*time.Hour).UTC().Format(time.RFC3339))
	if _, err := st.Record(ctx, store.Act{Via: "command"}, intake.ParseRecord([]byte(record), "", now)); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
	handover, _ := farm.NewID(farm.KindHandover, "scale")
	record = fmt.Sprintf(`{"kind":"handover","id":"scale","at":%q,"says":"On hold: 0"}`, now.Add(-8*time.Hour).UTC().Truncate(time.Hour).Format(time.RFC3339))
	if _, err := st.Record(ctx, store.Act{Via: "command"}, intake.ParseRecord([]byte(record), "", now)); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
	test, _ := farm.NewID(farm.KindPlannedTest, "scale")
	record = fmt.Sprintf(`{"kind":"planned_test","id":"scale","subject_kind":"printer","subject":%q,"cause":"skipped_probing","task":"probe","begins_at":%q,"starts":240,"share":0.5,"fails_left":0.12,"fails_done":0.03,"power":0.8,"reason":"to be looked at"}`,
		layer.Printer, now.Add(-30*24*time.Hour).UTC().Truncate(time.Hour).Format(time.RFC3339))
	if _, err := st.Record(ctx, store.Act{Via: "command"}, intake.ParseRecord([]byte(record), "", now)); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
	sheet, _ := farm.NewID(farm.KindEvidenceSheet, "scale")
	record = fmt.Sprintf(`{"kind":"evidence_sheet","id":"scale","subject_kind":"printer","subject":%q,"cause":"skipped_probing","at":%q,"known_at":%q,"because":"asked","state":"quiet","definitions":"0","sheet":"{}"}`, layer.Printer, now.Add(-8*time.Hour).UTC().Truncate(time.Hour).Format(time.RFC3339), now.Add(-8*time.Hour).UTC().Truncate(time.Hour).Format(time.RFC3339))
	if _, err := st.Record(ctx, store.Act{Via: "command"}, intake.ParseRecord([]byte(record), "", now)); err != nil && !fault.Is(err, fault.Conflict) {
		t.Fatal(err)
	}
	values := func(path, name string) string {
		switch {
		case strings.HasPrefix(path, "/tests/"):
			return test.UUID.String()
		case strings.HasPrefix(path, "/handover/"):
			return handover.UUID.String()
		case strings.HasPrefix(path, "/probes/"):
			return probes[0].(*farm.Probe).ID.UUID.String()
		case strings.HasPrefix(path, "/plates/"), strings.HasPrefix(path, "/setup/plates/"):
			return layer.Plate
		case strings.HasPrefix(path, "/setup/policies/") && name == ":id":
			return policy.UUID.String()
		case strings.HasPrefix(path, "/setup/policies/"):
			return "scale"
		case strings.HasPrefix(path, "/setup/policy-suggestions/") && name == ":kind":
			return "printer"
		case strings.HasPrefix(path, "/setup/materials/"):
			return layer.Material
		case strings.HasPrefix(path, "/jobs/"), strings.HasPrefix(path, "/setup/jobs/"):
			return "scale-1"
		case strings.HasPrefix(path, "/setup/shifts/"), strings.HasPrefix(path, "/setup/instruments/"), strings.HasPrefix(path, "/setup/mappings/"), strings.HasPrefix(path, "/setup/tokens/"), strings.HasPrefix(path, "/setup/webhooks/"):
			return "scale"
		case strings.HasPrefix(path, "/setup/people/"):
			return "amara"
		case strings.HasPrefix(path, "/reports/weeks/"):
			y, w := now.ISOWeek()
			return fmt.Sprintf("%d-W%02d", y, w)
		case strings.HasPrefix(path, "/reports/plates/"):
			return layer.Plate
		case strings.HasPrefix(path, "/findings/sheets/"):
			return sheet.UUID.String()
		case strings.HasPrefix(path, "/setup/import/"):
			return upload
		case name == ":tag":
			return layer.Printer
		case name == ":kind":
			return "printer"
		case name == ":cause":
			return "skipped_probing"
		case name == ":id":
			return layer.ID.UUID.String()
		}
		return ""
	}
	var pages []string
	for _, r := range web.Routes() {
		// Archives to download are as long as what they hold, and no pages.
		if r.Method != http.MethodGet || strings.HasSuffix(r.Path, ".zip") || slices.ContainsFunc(scaleNoPages, func(p string) bool {
			return r.Path == p || strings.HasSuffix(p, "/") && p != "/" && strings.HasPrefix(r.Path, p)
		}) {
			continue
		}
		parts := strings.Split(r.Path, "/")
		for i, part := range parts {
			if strings.HasPrefix(part, ":") {
				if parts[i] = url.PathEscape(values(r.Path, part)); parts[i] == "" {
					t.Errorf("%s: nobody says what stands for %s", r.Path, part)
				}
			}
		}
		page := strings.Join(parts, "/")
		if strings.HasSuffix(r.Path, "/coupon/file") {
			page += "?format=3mf"
		}
		if strings.HasPrefix(r.Path, "/setup/labels/") {
			page += "?tags=" + url.QueryEscape(layer.Printer+","+layer.Plate)
		}
		if strings.HasSuffix(r.Path, "/done") {
			page += "?action=probe"
		}
		pages = append(pages, page)
	}
	pages = append(pages, "/search?q=corner+lift", "/search?q=too+close+last+week", "/search?q="+url.QueryEscape(layer.Plate), "/floor?order=walking", "/floor?state=ready", "/floor?state=due", "/floor?page=3",
		"/upkeep?list=printers", "/upkeep?list=holds", "/upkeep?list=away", "/upkeep/clean?printer="+url.QueryEscape(layer.Printer), "/upkeep/probe?printer="+url.QueryEscape(layer.Printer),
		"/findings?state=quiet", "/findings?kind=plate", "/findings/plate/"+url.PathEscape(layer.Plate)+"/cleaning_gap")
	printers, err := st.Bays(ctx, now, false)
	if err != nil {
		t.Fatal(err)
	}
	older := fmt.Sprintf("before=%d.%s", layer.StartedAt.Add(-60*24*time.Hour).UnixMicro(), layer.ID.UUID)
	printer, plate := "/printers/"+url.PathEscape(layer.Printer), "/plates/"+url.PathEscape(layer.Plate)
	pages = append(pages, "/findings?state=too_little_data&page=3", "/findings?bay="+url.QueryEscape(printers.Printers[layer.Printer]),
		printer+"?layers=500", printer+"?kind=first_layer&"+older, printer+"?kind=hold", plate+"?layers=500", plate+"?"+older)
	pages = append(pages, "/trends?by=printer&chart=gaps", "/trends?by=pair", "/trends?by=hour&weeks=26", "/trends?by=job", "/trends?chart=sum&by=material",
		"/trends?by=printer&plate="+url.QueryEscape(layer.Plate))
	slices.Sort(pages)
	return pages
}
