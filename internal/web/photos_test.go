package web_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/webtest"
)

// aPhoto is a picture of a size and colour, as a camera sends it.
func aPhoto(t testing.TB, w, h int, c color.Color) string {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.Set(x, y, c)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestPhotosOfALayer(t *testing.T) {
	ctx := context.Background()
	site := gradeSite(t)
	kofi, lea, token := site.As("kofi", "operator"), site.As("lea", "operator"), site.WithToken("gateway", "operator")
	recorded := token.Do("POST", "/api/v1/records", "application/json", `{"records":[
		{"kind":"first_layer","id":"C-1","printer":"P-1","started_at":"2026-03-01T07:00:00Z","grade":"clean","grader":"kofi"},
		{"kind":"first_layer","id":"C-2","printer":"P-1","started_at":"2026-03-02T07:00:00Z","grade":"clean","grader":"kofi"},
		{"kind":"first_layer","id":"F-1","printer":"P-1","started_at":"2026-03-03T07:00:00Z","grade":"failed","grader":"kofi"}]}`)
	if strings.Count(recorded.Body, `"recorded"`) != 3 {
		t.Fatalf("layers: %s", recorded.Body)
	}
	send := func(c *webtest.Client, id, layer, kind, data string, more ...string) webtest.Answer {
		t.Helper()
		q := url.Values{"id": {id}, "first_layer": {layer}, "taken_at": {"2026-03-03T07:10:00Z"}}
		if len(more) > 0 {
			q.Set("person", more[0])
		}
		return c.Do("POST", "/api/v1/photos?"+q.Encode(), kind, data)
	}
	red, blue := aPhoto(t, 2000, 1000, color.RGBA{200, 0, 0, 255}), aPhoto(t, 640, 480, color.RGBA{0, 0, 200, 255})
	const id, cleanID = "0195a000-0000-7000-8000-000000000001", "0195a000-0000-7000-8000-000000000002"
	if a := send(kofi, id, "F-1", "image/jpeg", red); a.Status != http.StatusOK || !strings.Contains(a.Body, `"result":"recorded"`) {
		t.Fatalf("sending: got status %d %s", a.Status, a.Body)
	}
	for name, x := range map[string]struct {
		a      webtest.Answer
		status int
		words  string
	}{
		"the same again":        {send(kofi, id, "F-1", "image/jpeg", red), 200, "already_recorded"},
		"another under its id":  {send(kofi, id, "F-1", "image/jpeg", blue), 409, ""},
		"of no layer":           {send(kofi, "N-1", "nosuch", "image/jpeg", red), 422, "first_layer"},
		"without an id":         {send(kofi, "", "F-1", "image/jpeg", red), 422, "own id"},
		"no picture":            {send(kofi, "N-2", "F-1", "image/jpeg", "<svg/>"), 422, "JPEG, PNG or WebP"},
		"HEIC":                  {send(kofi, "N-3", "F-1", "image/heic", "\x00\x00\x00\x18ftypheic0000mif1heic"), 422, "set the camera to JPEG"},
		"as JSON":               {send(kofi, "N-4", "F-1", "application/json", "{}"), 415, ""},
		"too large":             {send(kofi, "N-5", "F-1", "image/jpeg", strings.Repeat("x", 11<<20)), 413, ""},
		"in another's name":     {send(kofi, "N-6", "F-1", "image/jpeg", blue, "lea"), 403, ""},
		"a time that is none":   {kofi.Do("POST", "/api/v1/photos?id=N-7&first_layer=F-1&taken_at=noon", "image/jpeg", blue), 422, "taken_at"},
		"a record without file": {kofi.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"photo","id":"N-8","printer":"P-1","first_layer":"F-1","taken_at":"2026-03-03T07:10:00Z","sha256":"`+strings.Repeat("0", 64)+`"}]}`), 200, "/api/v1/photos"},
		"nobody":                {send(site.Nobody(), "N-9", "F-1", "image/jpeg", red), 401, ""},
	} {
		if x.a.Status != x.status || !strings.Contains(x.a.Body, x.words) {
			t.Errorf("%s: got status %d %s, want %d with %q", name, x.a.Status, x.a.Body, x.status, x.words)
		}
	}
	if a := send(token, cleanID, "C-1", "image/jpeg", blue, "kofi"); a.Status != http.StatusOK {
		t.Fatalf("a token's: got status %d %s", a.Status, a.Body)
	}
	// The layer's page shows it beside the last clean layer that has one.
	page := kofi.Get("/first-layers/F-1").Body
	if !strings.Contains(page, "/photos/"+id+"/file") || !strings.Contains(page, "/photos/"+cleanID+"/file") || !strings.Contains(page, "The last clean layer on P-1") {
		t.Error("the layer's page does not show its photo and the clean one beside it")
	}
	if thumbs := kofi.Get("/printers/P-1").Body; !strings.Contains(thumbs, "/photos/"+id+"/thumb/file") {
		t.Error("the printer's page does not show it small")
	}
	got := kofi.Get("/photos/" + id + "/file")
	if c, err := jpeg.DecodeConfig(strings.NewReader(got.Body)); err != nil || c.Width != 1600 || c.Height != 800 {
		t.Errorf("kept: %v × %v, %v", c.Width, c.Height, err)
	}
	tag := got.Header.Get("ETag")
	for head, want := range map[string]string{"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Content-Security-Policy": "default-src 'none'; sandbox", "Cache-Control": "private, max-age=31536000, immutable"} {
		if got.Header.Get(head) != want {
			t.Errorf("%s: got %q, want %q", head, got.Header.Get(head), want)
		}
	}
	if a := kofi.Do("GET", "/photos/"+id+"/file", "", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); a.Status != http.StatusNotModified {
		t.Errorf("asked again: got status %d, want 304", a.Status)
	}
	if a := site.Nobody().Get("/photos/" + id + "/file"); a.Status == http.StatusOK {
		t.Error("somebody who is not signed in sees it")
	}
	// Without a script: an ordinary form.
	form := func(c *webtest.Client, id, data string) webtest.Answer {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		_ = w.WriteField("id", id)
		f, _ := w.CreateFormFile("photo", "../../layer.php")
		_, _ = f.Write([]byte(data))
		_ = w.Close()
		return c.Do("POST", "/first-layers/F-1/photos", w.FormDataContentType(), b.String())
	}
	if a := form(lea, "0195a000-0000-7000-8000-000000000003", blue); a.Status != http.StatusSeeOther {
		t.Errorf("by the form: got status %d %s", a.Status, a.Body)
	}
	for name, data := range map[string]string{"an empty form": "", "a page": "<html><script>"} {
		if a := form(lea, "0195a000-0000-7000-8000-000000000004", data); a.Status != http.StatusUnprocessableEntity {
			t.Errorf("%s: got status %d, want 422", name, a.Status)
		}
	}
	// Out as a bundle and in again: the same bytes, pictures too.
	out, in := t.TempDir(), t.TempDir()
	if _, err := site.Store.Export(ctx, out); err != nil {
		t.Fatal(err)
	}
	pictures, _ := filepath.Glob(filepath.Join(out, "photos", "*.jpg"))
	if len(pictures) != 2 { // two records have one picture in common
		t.Errorf("%d pictures in the bundle, want 2", len(pictures))
	}
	other, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	take := func() store.Report {
		t.Helper()
		source, err := intake.Folder(out)
		if err != nil {
			t.Fatal(err)
		}
		report, err := other.Import(ctx, store.Act{Via: "import"}, source, store.ImportOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return report
	}
	whole, err := os.ReadFile(pictures[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(pictures[0], []byte(blue+"x"), 0o644); err != nil {
		t.Fatal(err)
	}
	if report := take(); report.Stored || report.ProblemsTotal != 1 || !strings.HasPrefix(report.Problems[0].File, "photos/") {
		t.Errorf("a picture that is another: %+v", report.Problems)
	}
	if err := os.WriteFile(pictures[0], whole, 0o644); err != nil {
		t.Fatal(err)
	}
	if report := take(); !report.Stored {
		t.Fatalf("importing: %+v", report.Problems)
	}
	if _, err := other.Export(ctx, in); err != nil {
		t.Fatal(err)
	}
	for _, name := range append(pictures, filepath.Join(out, "photos.csv")) {
		rel, _ := filepath.Rel(out, name)
		a, _ := os.ReadFile(name)
		if b, err := os.ReadFile(filepath.Join(in, rel)); err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s is another after the way through, %v", rel, err)
		}
	}
	// Removed by whoever took it, with a reason: the picture goes, the record stays.
	remove := func(c *webtest.Client, reason string) webtest.Answer {
		return c.Form("/photos/"+id+"/remove", url.Values{"reason": {reason}})
	}
	if a := remove(lea, "mine"); a.Status != http.StatusForbidden {
		t.Errorf("by somebody else: got status %d, want 403", a.Status)
	}
	if a := remove(kofi, " "); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: got status %d, want 422", a.Status)
	}
	if a := remove(kofi, "my hand is in it"); a.Status != http.StatusSeeOther {
		t.Errorf("removing: got status %d %s", a.Status, a.Body)
	}
	if a := kofi.Get("/photos/" + id + "/file"); a.Status != http.StatusNotFound {
		t.Errorf("afterwards: got status %d, want 404", a.Status)
	}
	if a := token.Get("/api/v1/photos/" + id); a.Status != http.StatusOK || !strings.Contains(a.Body, "my hand is in it") {
		t.Errorf("its record: got status %d %s", a.Status, a.Body)
	}
	if err := site.Store.DisableAccount(ctx, store.Act{Via: "command"}, "lea"); err != nil {
		t.Fatal(err)
	}
	if err := site.Store.RemovePerson(ctx, store.Act{Via: "command"}, "lea"); err != nil {
		t.Fatal(err)
	}
	if a := kofi.Get("/photos/0195a000-0000-7000-8000-000000000003/file"); a.Status != http.StatusNotFound {
		t.Errorf("a leaver's photo: got status %d, want 404", a.Status)
	}
	if audit, err := site.Store.Verify(ctx, ""); err != nil || audit.Broken > 0 {
		t.Errorf("the trail: %+v, %v", audit, err)
	}
}
