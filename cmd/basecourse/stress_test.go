package main

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// mostMemory is how much memory a process has had at most, in MB.
func mostMemory(t *testing.T, pid int) int {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Skipf("what a process uses is not told here: %v", err)
	}
	m := regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindSubmatch(b)
	if m == nil {
		t.Fatalf("no VmHWM in\n%s", b)
	}
	kb, err := strconv.Atoi(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	return kb >> 10
}

// littleFarm is a database with a printer P-1, a plate L-1 and an admin mara, and a
// token that may record there.
func littleFarm(t *testing.T) (env []string, token string) {
	t.Helper()
	bundle := t.TempDir()
	writeFiles(t, bundle, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\nL-1,glass\n"})
	env = []string{"DATABASE_URL=" + testdb.New(t), "BASECOURSE_DATA=" + t.TempDir()}
	wantCode(t, call(t, env, "", "import", bundle), 0)
	wantCode(t, call(t, env, "an invented password\n", "user", "add", "mara", "--role", "admin", "--password-stdin"), 0)
	r := call(t, env, "", "token", "add", "gateway", "--role", "operator")
	wantCode(t, r, 0)
	return env, strings.TrimSpace(r.stdout)
}

// TestStoppingUnderLoadCutsNothing tells the program to stop while eight senders record
// as fast as they can. What was answered as recorded is there, and what is there was
// answered: no request that the program had begun was cut.
func TestStoppingUnderLoadCutsNothing(t *testing.T) {
	env, token := littleFarm(t)
	p, address := serveIn(t, env...)
	var answered sync.Map // id: true when it was answered as recorded
	var told atomic.Bool  // to stop
	var recorded, after, halves atomic.Int64
	var work sync.WaitGroup
	for w := range 8 {
		work.Go(func() {
			client := http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{}}
			for n := 0; ; n++ {
				late := told.Load()
				req, err := http.NewRequest(http.MethodPost, address+"api/v1/records", bytes.NewReader(batch(w, n, 1)))
				if err != nil {
					t.Error(err)
					return
				}
				req.Header.Set("Authorization", "Bearer "+token)
				req.Header.Set("Content-Type", "application/json")
				resp, err := client.Do(req)
				if err != nil {
					if late {
						return // it takes none any more
					}
					continue // told to stop in the midst of it
				}
				b, err := io.ReadAll(resp.Body)
				resp.Body.Close()
				switch {
				case err != nil:
					halves.Add(1)
				case resp.StatusCode == http.StatusOK && bytes.Contains(b, []byte(`"recorded"`)):
					answered.Store(fmt.Sprintf("w%d-%d", w, n), true)
					recorded.Add(1)
					if told.Load() {
						after.Add(1)
					}
				case resp.StatusCode != http.StatusServiceUnavailable && resp.StatusCode != http.StatusTooManyRequests:
					t.Errorf("w%d-%d: got status %d %s", w, n, resp.StatusCode, b)
				}
			}
		})
	}
	for end := time.Now().Add(30 * time.Second); recorded.Load() < 100 && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
	}
	began := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	told.Store(true)
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM the program ends with %v\n%s", err, p.errs)
	}
	took := time.Since(began)
	work.Wait()
	if took > 12*time.Second || halves.Load() > 0 || recorded.Load() < 100 {
		t.Errorf("it ended after %s, %d answers came by halves, %d records were answered; want 12 s at most, none, and 100 at least", took, halves.Load(), recorded.Load())
	}
	conn, err := pgx.Connect(t.Context(), strings.TrimPrefix(env[0], "DATABASE_URL="))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	rows, err := conn.Query(t.Context(), `SELECT ref FROM first_layers`)
	if err != nil {
		t.Fatal(err)
	}
	refs, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, ref := range refs {
		if _, ok := answered.LoadAndDelete(ref); !ok {
			t.Errorf("%s is recorded, and its request was cut", ref)
		}
	}
	answered.Range(func(ref, _ any) bool {
		t.Errorf("%s was answered as recorded and is lost", ref)
		return true
	})
	t.Logf("%d records, %d of them answered after the signal; it ended after %s", recorded.Load(), after.Load(), took.Round(time.Millisecond))
}

// hugePNG claims 30,000 by 30,000 pixels in less than a kilobyte.
func hugePNG(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		t.Fatal(err)
	}
	out := b.Bytes()
	binary.BigEndian.PutUint32(out[16:], 30_000)
	binary.BigEndian.PutUint32(out[20:], 30_000)
	binary.BigEndian.PutUint32(out[29:], crc32.ChecksumIEEE(out[12:29]))
	return out
}

// TestWhatGrowsWhenReadIsRefusedSoonAndInLittleMemory: archives that unpack to a
// hundred times their size, pictures that claim a billion pixels, names that lead out of
// the folder, one field of 10 MB. Each is refused within two seconds, and afterwards the
// program has never had 400 MB.
func TestWhatGrowsWhenReadIsRefusedSoonAndInLittleMemory(t *testing.T) {
	env, token := littleFarm(t)
	p, address := serveIn(t, env...)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, Timeout: time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	send := func(path, kind string, body []byte, headers ...string) (int, string) {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, address+path, bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", kind)
		if strings.HasPrefix(path, "api/") {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		for i := 0; i < len(headers); i += 2 {
			req.Header.Set(headers[i], headers[i+1])
		}
		resp, err := browser.Do(req)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(b)
	}
	const form = "application/x-www-form-urlencoded"
	if code, said := send("sign-in", form, []byte(url.Values{"handle": {"mara"}, "password": {"an invented password"}}.Encode())); code != http.StatusSeeOther {
		t.Fatalf("signing in: %d %s", code, said)
	}
	zeros := func(w io.Writer, n int) {
		some := make([]byte, 1<<20)
		for ; n > 0; n-- {
			if _, err := w.Write(some); err != nil {
				t.Fatal(err)
			}
		}
	}
	var gz bytes.Buffer
	g, err := gzip.NewWriterLevel(&gz, gzip.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	zeros(g, 1000)
	if err := g.Close(); err != nil {
		t.Fatal(err)
	}
	// archive packs files; a number of megabytes stands for so many zeros.
	archive := func(files map[string]any) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for name, what := range files {
			w, err := z.Create(name)
			if err != nil {
				t.Fatal(err)
			}
			if n, ok := what.(int); ok {
				zeros(w, n)
			} else if _, err := io.WriteString(w, what.(string)); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	upload := func(name string, content []byte) (string, []byte) {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		part, err := w.CreateFormFile("bundle", name)
		if err == nil {
			_, err = part.Write(content)
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		return w.FormDataContentType(), b.Bytes()
	}
	if code, said := send("api/v1/records", "application/json", batch(0, 0, 1)); code != http.StatusOK || !strings.Contains(said, `"recorded"`) {
		t.Fatalf("a layer for pictures: %d %s", code, said)
	}
	field := strings.Repeat("x", 10<<20)
	plates := "plate,surface\n"
	for _, x := range []struct {
		name, path, kind string
		body             []byte
		headers          []string
		want             string // of the codes that may come
	}{
		{"a body of 1 GB in gzip", "api/v1/records", "application/json", gz.Bytes(), []string{"Content-Encoding", "gzip"}, "413 415"},
		{"a body of 1 GB in gzip, unsaid", "api/v1/records", "application/json", gz.Bytes(), nil, "400 413"},
		{"a picture of 1 GB in gzip", "api/v1/photos?id=N-1&first_layer=w0-0", "image/png", gz.Bytes(), nil, "422"},
		{"a PNG of 30,000 by 30,000", "api/v1/photos?id=N-1&first_layer=w0-0", "image/png", hugePNG(t), nil, "413"},
		{"an archive of a file of 300 MB", "setup/import", "zip", archive(map[string]any{"printers.csv": 300, "plates.csv": plates}), nil, "413"},
		{"an archive of six files of 49 MB", "setup/import", "zip", archive(map[string]any{"printers.csv": 49, "plates.csv": 49, "cleanings.csv": 49, "probes.csv": 49, "jobs.csv": 49, "holds.csv": 49}), nil, "413"},
		{"an archive in an archive", "setup/import", "zip", archive(map[string]any{"printers.csv": string(archive(map[string]any{"printers.csv": 200})), "plates.csv": plates}), nil, "303"},
		{"an archive that leads out", "setup/import", "zip", archive(map[string]any{"../printers.csv": "printer\n", "plates.csv": plates}), nil, "422"},
		{"an archive of rooted names", "setup/import", "zip", archive(map[string]any{"/etc/printers.csv": "printer\n", "plates.csv": plates}), nil, "422"},
		{"a form's field of 10 MB", "sign-in", form, []byte("handle=" + field + "&password=x"), nil, "413"},
		{"a record's field of 10 MB", "api/v1/records", "application/json", []byte(`{"records":[{"kind":"cleaning","id":"C-1","plate":"L-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","note":"` + field + `"}]}`), nil, "413"},
		// Checked and told of on the page it leads to; it says nothing of what went in.
		{"a file's field of 10 MB", "setup/import", "csv", []byte("plate,surface\n\"" + field + "\",glass\n"), nil, "303"},
	} {
		kind, body := x.kind, x.body
		if kind == "zip" || kind == "csv" {
			kind, body = upload("plates."+kind, body)
		}
		// A busy machine may take its time; what grows takes it every time.
		for try := 1; ; try++ {
			began := time.Now()
			code, said := send(x.path, kind, body, x.headers...)
			took := time.Since(began)
			if !strings.Contains(x.want, strconv.Itoa(code)) {
				t.Errorf("%s: got status %d, want %s: %.300s\n%s", x.name, code, x.want, said, p.errs)
				break
			}
			if took < 2*time.Second {
				break
			}
			if try == 3 {
				t.Errorf("%s: refused after %s, want 2 s at most", x.name, took)
				break
			}
		}
	}
	mb := mostMemory(t, p.cmd.Process.Pid)
	t.Logf("the program had %d MB at most", mb)
	if mb > 400 {
		t.Errorf("the program had %d MB at most, want 400", mb)
	}
	for _, pattern := range []string{"printers.csv", "*/printers.csv", "../printers.csv"} {
		if found, _ := filepath.Glob(filepath.Join(strings.TrimPrefix(env[1], "BASECOURSE_DATA="), pattern)); len(found) > 0 {
			t.Errorf("an archive left %v", found)
		}
	}
}
