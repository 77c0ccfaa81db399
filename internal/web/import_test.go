package web_test

import (
	"archive/zip"
	"bytes"
	"context"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

const (
	printersCSV = "printer,bed_x_mm,bed_y_mm\nP-1,250,210\nP-2,250,210\n"
	platesCSV   = "plate,surface\nL-1,glass\n"
	layersCSV   = "first_layer,printer,plate,started_at,grade\nF-1,P-1,L-1,2026-03-01T08:00:00Z,clean\nF-2,P-9,L-1,2026-03-01T09:00:00Z,clean\nF-3,P-1,L-1,2026-03-01T10:00:00Z,splendid\n"
)

type sentFile struct{ name, content string }

// upload sends files as a browser would.
func upload(c *webtest.Client, change string, files ...sentFile) webtest.Answer {
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for _, f := range files {
		part, err := w.CreateFormFile("bundle", f.name)
		if err != nil {
			panic(err)
		}
		_, _ = io.WriteString(part, f.content)
	}
	if change != "" {
		_ = w.WriteField("change", change)
	}
	_ = w.Close()
	return c.Do("POST", "/setup/import", w.FormDataContentType(), body.String())
}

func zipped(files ...sentFile) string {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, f := range files {
		w, err := z.Create(f.name)
		if err != nil {
			panic(err)
		}
		_, _ = io.WriteString(w, f.content)
	}
	_ = z.Close()
	return b.String()
}

func uploadSite(t *testing.T) (*webtest.Site, *webtest.Client, string) {
	dir := t.TempDir()
	site := webtest.New(t, func(c *web.Config) { c.TempDir = dir })
	return site, site.As("amara", "admin"), dir
}

// nothingLeft fails when a request left files behind.
func nothingLeft(t *testing.T, dir string) {
	t.Helper()
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("%d files of uploads are left behind", len(left))
	}
}

func TestABundleIsCheckedThenImported(t *testing.T) {
	site, c, dir := uploadSite(t)
	good := strings.Replace(strings.Replace(layersCSV, "P-9", "P-2", 1), "splendid", "failed", 1)
	a := upload(c, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV}, sentFile{"first_layers.csv", good})
	if a.Status != 303 {
		t.Fatalf("checking: got %d: %s", a.Status, a.Body)
	}
	here := a.Header.Get("Location")
	p := c.Page(here)
	if lead := p.Text(".notice[role=status]"); lead != "Checked: everything fits. Nothing is stored yet." {
		t.Errorf("the check says %q", lead)
	}
	if list, _ := site.Store.Printers(context.Background(), "", 10); len(list) != 0 {
		t.Errorf("a check stored %d printers", len(list))
	}
	nothingLeft(t, dir)
	if a := c.Form(here, url.Values{"act": {"import"}}); a.Status != 303 {
		t.Fatalf("importing: got %d: %s", a.Status, a.Body)
	}
	if lead := c.Page(here).Text(".notice[role=status]"); lead != "Everything is in the farm now: 6 rows new or changed." {
		t.Errorf("the import says %q", lead)
	}
	if list, _ := site.Store.Printers(context.Background(), "", 10); len(list) != 2 {
		t.Errorf("afterwards there are %d printers, want 2", len(list))
	}
	a = upload(c, "", sentFile{"bundle.zip", zipped(sentFile{"farm/printers.csv", printersCSV}, sentFile{"farm/plates.csv", platesCSV}, sentFile{"farm/first_layers.csv", good})})
	if lead := c.Page(a.Header.Get("Location")).Text(".notice[role=status]"); !strings.Contains(lead, "everything is in the farm already") {
		t.Errorf("the same again as a .zip: %q", lead)
	}
	changed := strings.Replace(printersCSV, "P-2,250", "P-2,300", 1)
	a = upload(c, "", sentFile{"printers.csv", changed}, sentFile{"plates.csv", platesCSV})
	if text := c.Page(a.Header.Get("Location")).Text("main"); !strings.Contains(text, "1 problem") || !strings.Contains(text, "250, as known here") {
		t.Errorf("a changed printer without the choice: %s", text)
	}
	if a := c.Form(a.Header.Get("Location"), url.Values{"act": {"check-change"}}); a.Status != 303 {
		t.Fatalf("checking again: got %d", a.Status)
	}
	if lead := c.Page(a.Header.Get("Location")).Text(".notice[role=status]"); !strings.Contains(lead, "everything fits") {
		t.Errorf("with the choice: %q", lead)
	}
	if a := c.Form(a.Header.Get("Location"), url.Values{"act": {"import"}}); a.Status != 303 {
		t.Fatalf("importing the change: got %d", a.Status)
	}
	if p, err := site.Store.PrinterByTag(context.Background(), "P-2"); err != nil || p.BedXMM != 300 {
		t.Errorf("afterwards: got %+v, %v", p, err)
	}
	nothingLeft(t, dir)
}

func TestProblemsStandInTheirPlaceAndRefusedRowsComeBack(t *testing.T) {
	site, c, dir := uploadSite(t)
	a := upload(c, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV}, sentFile{"first_layers.csv", layersCSV})
	here := a.Header.Get("Location")
	p := c.Page(here)
	rows := p.All("article[data-row]")
	if len(rows) != 2 {
		t.Fatalf("got %d refused rows, want 2", len(rows))
	}
	for where, want := range map[string][]string{
		"first_layers.csv, line 3": {"printer : found P-9 , expected the tag of a known printer.", "printer (look here) P-9"},
		"first_layers.csv, line 4": {"grade : found splendid , expected one of clean", "grade (look here) splendid", "started_at 2026-03-01T10:00:00Z"},
	} {
		text := ""
		for _, r := range rows {
			if webtest.Attr(r, "data-row") == where {
				text = webtest.Text(r)
			}
		}
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q lacks %q", where, text, w)
			}
		}
	}
	if strings.Contains(p.Text("main"), "Import 6") {
		t.Error("a bundle with problems is offered whole")
	}
	if a := c.Form(here, url.Values{"act": {"partial"}}); a.Status != 303 {
		t.Fatalf("importing the good rows: got %d: %s", a.Status, a.Body)
	}
	p = c.Page(here)
	if lead := p.Text(".notice[role=status]"); !strings.Contains(lead, "4 rows new or changed. 2 rows were refused and are not.") {
		t.Errorf("afterwards: %q", lead)
	}
	d := c.Get(here + "/refused.zip")
	if d.Status != 200 || d.Header.Get("Content-Type") != "application/zip" || !strings.Contains(d.Header.Get("Content-Disposition"), "attachment") {
		t.Fatalf("the refused rows: got %d %v", d.Status, d.Header)
	}
	z, err := zip.NewReader(strings.NewReader(d.Body), int64(len(d.Body)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := z.Open("first_layers.csv")
	if err != nil {
		t.Fatal(err)
	}
	back, _ := io.ReadAll(f)
	if got := string(back); !strings.Contains(got, "F-2,P-9") || !strings.Contains(got, "F-3,P-1") || strings.Contains(got, "F-1,") {
		t.Errorf("the refused rows are %q", got)
	}
	// Put right, they go in.
	fixed := strings.NewReplacer("P-9", "P-2", "splendid", "clean").Replace(string(back))
	a = upload(c, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV}, sentFile{"first_layers.csv", fixed})
	if a := c.Form(a.Header.Get("Location"), url.Values{"act": {"import"}}); a.Status != 303 {
		t.Errorf("put right: got %d", a.Status)
	}
	if text := c.Page(a.Header.Get("Location")).Text(".notice[role=status]"); !strings.Contains(text, "Everything is in the farm now: 2 rows") {
		t.Errorf("put right: %q", text)
	}
	nothingLeft(t, dir)
	_ = site
}

func TestWhatIsNoBundleIsRefusedCalmly(t *testing.T) {
	_, c, dir := uploadSite(t)
	big := strings.Repeat("x", 51<<20)
	many := make([]sentFile, 51)
	for i := range many {
		many[i] = sentFile{"printers.csv", ""}
	}
	for _, x := range []struct {
		name   string
		files  []sentFile
		status int
		want   string
	}{
		{"nothing", nil, 422, "choose the bundle first"},
		{"an empty picker", []sentFile{{"", ""}}, 422, "hoose the bundle first"},
		{"a picture", []sentFile{{"photo.png", "x"}}, 422, "neither a .zip nor a .csv"},
		{"both", []sentFile{{"a.zip", zipped()}, {"printers.csv", printersCSV}}, 422, "not both"},
		{"no zip", []sentFile{{"a.zip", "hello"}}, 422, "no readable .zip"},
		{"a path out of it", []sentFile{{"a.zip", zipped(sentFile{"../printers.csv", printersCSV})}}, 422, "names inside the archive"},
		{"a file twice", []sentFile{{"printers.csv", printersCSV}, {"printers.csv", printersCSV}}, 422, "each file once"},
		{"a large file", []sentFile{{"printers.csv", big}}, 413, "more than 50 MB"},
		{"too many files", many, 413, "at most 50 files"},
		{"a bomb", []sentFile{{"a.zip", zipped(sentFile{"printers.csv", big})}}, 413, "unpacks to more than 50 MB"},
	} {
		a := upload(c, "", x.files...)
		if a.Status != x.status {
			t.Errorf("%s: got status %d, want %d: %.200s", x.name, a.Status, x.status, a.Body)
			continue
		}
		if text := strings.ToLower(a.Page(t).Text("[data-problems]")); !strings.Contains(text, strings.ToLower(x.want)) {
			t.Errorf("%s: %q lacks %q", x.name, text, x.want)
		}
		nothingLeft(t, dir)
	}
	// A CSV under a name the bundle does not know, and one without its companions.
	a := upload(c, "", sentFile{"printer.csv", printersCSV})
	if text := c.Page(a.Header.Get("Location")).Text("main"); !strings.Contains(text, "one of the bundle's files") || !strings.Contains(text, "Nothing is stored yet") {
		t.Errorf("a name nobody knows: %s", text)
	}
	if a := c.Do("POST", "/setup/import", "application/x-www-form-urlencoded", "change=yes"); a.Status != 415 {
		t.Errorf("another type: got %d, want 415", a.Status)
	}
	if a := c.Do("POST", "/setup/import", "multipart/form-data; boundary=x", "--x\r\nContent-Disposition: form-data; name=\"bundle\"; filename=\"a.zip\"\r\n\r\nhalf"); a.Status != 422 {
		t.Errorf("broken off: got %d, want 422: %.200s", a.Status, a.Body)
	}
	if a := c.Get("/setup/import/none"); a.Status != 404 {
		t.Errorf("an upload nobody made: got %d", a.Status)
	}
	nothingLeft(t, dir)
}

func TestOnlyAdminsImportAndManagersExport(t *testing.T) {
	site, admin, _ := uploadSite(t)
	a := upload(admin, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV})
	here := a.Header.Get("Location")
	manager := site.As("jonas", "manager")
	for _, path := range []string{"/setup/import", here} {
		if a := manager.Get(path); a.Status != http.StatusForbidden {
			t.Errorf("%s as manager: got %d, want 403", path, a.Status)
		}
	}
	if a := upload(manager, "", sentFile{"printers.csv", printersCSV}); a.Status != http.StatusForbidden {
		t.Errorf("uploading as manager: got %d, want 403", a.Status)
	}
	if a := manager.Get("/setup/export/bundle.zip"); a.Status != 200 {
		t.Errorf("exporting as manager: got %d, want 200", a.Status)
	}
	if a := site.As("wei", "operator").Get("/setup/export/bundle.zip"); a.Status != http.StatusForbidden {
		t.Errorf("exporting as operator: got %d, want 403", a.Status)
	}
}

// TestTheExportedBundleGoesInWithoutLoss: what the page gives is what the
// command writes, and another farm takes it whole.
func TestTheExportedBundleGoesInWithoutLoss(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	stored(t, site, little())
	d := c.Get("/setup/export/bundle.zip")
	if d.Status != 200 || !strings.HasPrefix(d.Header.Get("Content-Disposition"), `attachment; filename="basecourse-`) {
		t.Fatalf("got %d %v", d.Status, d.Header)
	}
	dir := t.TempDir()
	if _, err := site.Store.Export(context.Background(), dir); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(strings.NewReader(d.Body), int64(len(d.Body)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		got, _ := io.ReadAll(r)
		want, err := os.ReadFile(dir + "/" + f.Name)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s differs from what the command writes, %v", f.Name, err)
		}
	}
	_, other, _ := uploadSite(t)
	a := upload(other, "", sentFile{"farm.zip", d.Body})
	if a := other.Form(a.Header.Get("Location"), url.Values{"act": {"import"}}); a.Status != 303 {
		t.Errorf("into another farm: got %d", a.Status)
	}
	if text := other.Page(a.Header.Get("Location")).Text(".notice[role=status]"); !strings.Contains(text, "Everything is in the farm now") {
		t.Errorf("into another farm: %s", text)
	}
}
