//go:build long

package main

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// nobody is a user id that no account of the machine has.
const nobody = 12345

// confined is the program as compose.yaml runs it: as a user id without a name or
// rights, in a root of its own that is read-only and holds nothing but the program,
// the socket of a server elsewhere and /data, where alone it may write.
type confined struct {
	root string
	env  []string
}

func confine(t *testing.T) *confined {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("a read-only root of its own can be made by root alone")
	}
	c := &confined{root: testdb.SmallDisk(t, 300)}
	build := exec.Command("go", "build", "-o", filepath.Join(c.root, "basecourse"), ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "TMPDIR=") // static, as deploy/Dockerfile builds it
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	data, sockets := filepath.Join(c.root, "data"), filepath.Join(c.root, "run", "postgresql")
	for _, dir := range []string{data, sockets} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=100m,mode=0700,uid=%d,gid=%d", nobody, nobody), "tmpfs", data).CombinedOutput(); err != nil {
		t.Skipf("a data folder cannot be mounted here: %v: %s", err, out)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", "-l", data).CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", data, err, out)
		}
	})
	c.env = []string{"DATABASE_URL=" + elsewhere(t, testdb.NewEmpty(t), sockets, "/run/postgresql"), "BASECOURSE_DATA=/data", "BASECOURSE_LISTEN=127.0.0.1:0"}
	if out, err := exec.Command("mount", "-o", "remount,ro", c.root).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return c
}

// elsewhere relays a database's connections from a socket in dir, which those inside
// see as inside, because the folder of the tests' server is closed to others. It gives
// the database's address from there.
func elsewhere(t *testing.T, address, dir, inside string) string {
	t.Helper()
	to, err := pgx.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, ".s.PGSQL.5432")
	l, err := net.Listen("unix", name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	if err := os.Chmod(name, 0o777); err != nil {
		t.Fatal(err)
	}
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("unix", filepath.Join(to.Host, fmt.Sprintf(".s.PGSQL.%d", to.Port)))
			if err != nil {
				in.Close()
				continue
			}
			for _, x := range [][2]net.Conn{{in, out}, {out, in}} {
				go func() {
					io.Copy(x[0], x[1])
					x[0].Close()
					x[1].Close()
				}()
			}
		}
	}()
	return "postgres:///" + to.Database + "?" + url.Values{"host": {inside}, "user": {to.User}, "sslmode": {"disable"}}.Encode()
}

func (c *confined) command(args ...string) *exec.Cmd {
	cmd := exec.Command("/basecourse", args...)
	cmd.Dir, cmd.Env = "/", c.env
	cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: c.root, Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	return cmd
}

// do runs a command beside the server, as docker compose exec does.
func (c *confined) do(t *testing.T, stdin string, args ...string) string {
	t.Helper()
	cmd := c.command(args...)
	cmd.Stdin = strings.NewReader(stdin)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, &errs)
	}
	return strings.TrimSpace(string(out))
}

func (c *confined) serve(t *testing.T) (*process, string) {
	t.Helper()
	p := &process{cmd: c.command("serve"), errs: &stream{}}
	p.cmd.Stderr = p.errs
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, rest, ok := strings.Cut(p.errs.String(), "Serving on "); ok {
			if address, _, ok := strings.Cut(rest, "\n"); ok {
				return p, address
			}
		}
	}
	t.Fatalf("it does not start:\n%s", p.errs)
	return nil, ""
}

var (
	hiddenField   = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)"`)
	uploadAddress = regexp.MustCompile(`action="/(setup/import/[0-9a-f-]{36})"`)
)

// TestAReadOnlyRootAndAUserIDWithoutAName runs the program as the container does:
// people sign in, import, record, keep photos; copies and backups are written, by
// themselves and by the command; it stops when told to, and what it was given is in
// the backup.
func TestAReadOnlyRootAndAUserIDWithoutAName(t *testing.T) {
	c := confine(t)
	if out, err := exec.Command("touch", filepath.Join(c.root, "somewhere")).CombinedOutput(); err == nil {
		t.Fatalf("the root is not read-only, the test shows nothing: %s", out)
	}
	p, address := c.serve(t)
	c.do(t, "an invented password\n", "user", "add", "mara", "--role", "admin", "--password-stdin")
	token := c.do(t, "", "token", "add", "gateway", "--role", "operator")

	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, Timeout: time.Minute}
	answer := func(resp *http.Response, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s %s: %d, %v\n%s\n%s", resp.Request.Method, resp.Request.URL.Path, resp.StatusCode, err, b, p.errs)
		}
		return string(b)
	}
	send := func(path, kind string, body io.Reader) string {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, address+path, body)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", kind)
		if strings.HasPrefix(path, "api/") {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		return answer(browser.Do(req))
	}
	form := url.Values{"handle": {"mara"}, "password": {"an invented password"}}
	for _, m := range hiddenField.FindAllStringSubmatch(answer(browser.Get(address+"sign-in")), -1) {
		form.Set(m[1], m[2])
	}
	if page := send("sign-in", "application/x-www-form-urlencoded", strings.NewReader(form.Encode())); !strings.Contains(page, "mara") {
		t.Fatalf("signing in leads to\n%s", page)
	}

	var upload bytes.Buffer
	parts := multipart.NewWriter(&upload)
	for name, content := range map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\nL-1,glass\n"} {
		w, err := parts.CreateFormFile("bundle", name)
		if err == nil {
			_, err = io.WriteString(w, content)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := parts.Close(); err != nil {
		t.Fatal(err)
	}
	checked := send("setup/import", parts.FormDataContentType(), &upload)
	place := uploadAddress.FindStringSubmatch(checked)
	if place == nil {
		t.Fatalf("an upload is answered by\n%s", checked)
	}
	send(place[1], "application/x-www-form-urlencoded", strings.NewReader(url.Values{"act": {"import"}}.Encode()))
	if said := send("api/v1/records", "application/json", bytes.NewReader(batch(0, 0, 10))); strings.Count(said, `"recorded"`) != 10 {
		t.Errorf("recording: %s", said)
	}
	var picture bytes.Buffer
	if err := jpeg.Encode(&picture, image.NewRGBA(image.Rect(0, 0, 3000, 2000)), nil); err != nil {
		t.Fatal(err)
	}
	if said := send("api/v1/photos?id=N-1&first_layer=w0-0&taken_at=2026-01-01T00:10:00Z", "image/jpeg", &picture); !strings.Contains(said, `"recorded"`) {
		t.Errorf("a photo: %s", said)
	}
	answer(browser.Get(address + "floor"))
	answer(browser.Get(address + "readyz"))

	c.do(t, "", "backup", "/data/by-hand.backup")
	c.do(t, "", "export", "/data/export")
	for _, pattern := range []string{"backups/*.backup", "copies/*.zip", "by-hand.backup", "export/first_layers.csv"} {
		var found []string
		for end := time.Now().Add(time.Minute); len(found) == 0 && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			found, _ = filepath.Glob(filepath.Join(c.root, "data", pattern))
		}
		if len(found) == 0 {
			t.Errorf("/data/%s: nothing there\n%s", pattern, p.errs)
			continue
		}
		fi, err := os.Stat(found[0])
		if err != nil {
			t.Fatal(err)
		}
		if st := fi.Sys().(*syscall.Stat_t); st.Uid != nobody || strings.HasSuffix(pattern, ".backup") && fi.Mode().Perm() != 0o600 {
			t.Errorf("%s belongs to %d, mode %v", found[0], st.Uid, fi.Mode())
		}
	}

	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, p.errs)
	}
	t.Logf("stopped after %s", time.Since(began).Round(time.Millisecond))
	for _, word := range []string{"read-only", "permission denied", "no such file", `"level":"ERROR"`, "panic"} {
		if strings.Contains(p.errs.String(), word) {
			t.Errorf("the log complains (%s):\n%s", word, p.errs)
			break
		}
	}

	// A volume that belongs to somebody else: it serves, and says what cannot be written, and where.
	if err := os.Chown(filepath.Join(c.root, "data"), 0, 0); err != nil {
		t.Fatal(err)
	}
	p, address = c.serve(t)
	for _, what := range []string{"The daily copy could not be written: open /data/copies: permission denied", "The daily backup could not be written: open /data/backups: permission denied"} {
		for end := time.Now().Add(20 * time.Second); !strings.Contains(p.errs.String(), what); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Errorf("over a folder of somebody else's it does not say %q:\n%s", what, p.errs)
				break
			}
		}
	}
	answer(browser.Get(address + "readyz"))
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, p.errs)
	}

	second := testdb.NewEmpty(t)
	wantCode(t, call(t, []string{"DATABASE_URL=" + second}, "", "restore", filepath.Join(c.root, "data", "by-hand.backup")), 0)
	conn, err := pgx.Connect(t.Context(), second)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	var layers, photos, people int
	if err := conn.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM first_layers), (SELECT count(*) FROM photo_files), (SELECT count(*) FROM passwords)`).Scan(&layers, &photos, &people); err != nil || layers != 10 || photos != 1 || people != 1 {
		t.Errorf("in the backup: %d first layers, %d photos, %d people with a password, %v; want 10, 1, 1", layers, photos, people, err)
	}
}
