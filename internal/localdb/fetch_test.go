package localdb

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/fault"
)

// repository serves one archive as the Maven repository does.
type repository struct {
	jar     []byte
	sum     string // "" answers 404
	fetched int
}

func (r *repository) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	switch {
	case !strings.HasPrefix(req.URL.Path, "/maven2/io/zonky/test/postgres/embedded-postgres-binaries-"):
		http.NotFound(w, req)
	case strings.HasSuffix(req.URL.Path, ".jar"):
		r.fetched++
		w.Write(r.jar)
	case strings.HasSuffix(req.URL.Path, ".jar.sha256") && r.sum != "":
		w.Write([]byte(r.sum))
	default:
		http.NotFound(w, req)
	}
}

// packInstalled packs this machine's initdb and postgres the way the archives
// of the repository are packed: a .txz in a .jar.
func packInstalled(t *testing.T) (jar []byte, major int) {
	t.Helper()
	b, err := findBinaries(testContext(t), Options{BinDir: os.Getenv("BASECOURSE_POSTGRES_BIN"), NoFetch: true}, home{})
	if err != nil {
		t.Fatal(err)
	}
	var tarred bytes.Buffer
	tw := tar.NewWriter(&tarred)
	// The libraries are those that initdb loads; the rest is found where
	// PostgreSQL was built to find it.
	for _, name := range []string{"bin/initdb", "bin/postgres", "lib/dict_snowball.so", "lib/plpgsql.so"} {
		content, err := os.ReadFile(filepath.Join(filepath.Dir(b.dir), name))
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := tw.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Mode: 0o755, Size: int64(len(content))}); err != nil {
			t.Fatal(err)
		}
		if _, err := tw.Write(content); err != nil {
			t.Fatal(err)
		}
	}
	if err := tw.Close(); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	zw := zip.NewWriter(&out)
	f, err := zw.Create("postgres-linux-x86_64.txz")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(storeXZ(tarred.Bytes())); err != nil {
		t.Fatal(err)
	}
	if err := zw.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), b.major
}

// storeXZ wraps data in the .xz file format, version 1.1.0 (tukaani.org), in
// LZMA2 chunks that hold it as it is: no library here writes .xz.
func storeXZ(data []byte) []byte {
	var out bytes.Buffer
	crc := func(b []byte) []byte { return binary.LittleEndian.AppendUint32(nil, crc32.ChecksumIEEE(b)) }
	pad := func(b []byte) []byte { return append(b, make([]byte, (4-len(b)%4)%4)...) }
	flags := []byte{0, 1} // check: CRC32
	out.WriteString("\xFD7zXZ\x00")
	out.Write(flags)
	out.Write(crc(flags))

	header := []byte{2, 0, 0x21, 1, 0x16, 0, 0, 0} // 12 bytes, one filter: LZMA2, 8 MiB dictionary
	header = append(header, crc(header)...)
	out.Write(header)
	var body []byte
	control := byte(1) // stored, dictionary reset
	for rest := data; len(rest) > 0; {
		n := min(len(rest), 1<<16)
		body = append(body, control)
		body = binary.BigEndian.AppendUint16(body, uint16(n-1))
		body = append(body, rest[:n]...)
		rest, control = rest[n:], 2
	}
	body = append(body, 0)
	unpadded := len(header) + len(body) + 4
	out.Write(pad(body))
	out.Write(crc(data))

	index := []byte{0, 1}
	index = binary.AppendUvarint(index, uint64(unpadded))
	index = binary.AppendUvarint(index, uint64(len(data)))
	index = pad(index)
	index = append(index, crc(index)...)
	out.Write(index)
	footer := append(binary.LittleEndian.AppendUint32(nil, uint32(len(index)/4-1)), flags...)
	out.Write(crc(footer))
	out.Write(footer)
	out.WriteString("YZ")
	return out.Bytes()
}

func sumOf(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// withoutInstalled are options on a machine without PostgreSQL.
func withoutInstalled(t *testing.T, repo http.Handler, major int) Options {
	t.Setenv("PATH", t.TempDir())
	t.Setenv("TMPDIR", t.TempDir()) // the library leaves a log file there
	srv := httptest.NewServer(repo)
	t.Cleanup(srv.Close)
	return Options{
		Dir: t.TempDir(), FetchDir: filepath.Join(openTempDir(t), "programs"), Repository: srv.URL + "/maven2/",
		Fast: true, searchIn: []string{}, fetchMajor: major,
	}
}

func TestProgramsAreFetchedOnceWhereNoneAreInstalled(t *testing.T) {
	jar, major := packInstalled(t)
	repo := &repository{jar: jar, sum: sumOf(jar) + "\n"}
	opts := withoutInstalled(t, repo, major)
	var said []string
	opts.Log = func(s string) { said = append(said, s) }
	c := open(t, opts)
	if got := queryText(t, c.AdminURL("postgres"), "SHOW data_directory"); got == "" {
		t.Error("the cluster on fetched programs does not answer")
	}
	if len(said) == 0 || !strings.Contains(said[0], "fetching") {
		t.Errorf("it said %q, want first that it fetches", said)
	}
	if err := c.Close(testContext(t)); err != nil {
		t.Fatal(err)
	}
	open(t, opts)
	if repo.fetched != 1 {
		t.Errorf("archive fetched %d times for two starts, want once", repo.fetched)
	}
	left, err := filepath.Glob(filepath.Join(opts.FetchDir, "fetching-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left of the fetching: %v, %v, want nothing", left, err)
	}
}

func TestAnArchiveThatIsNotProvenIsRefused(t *testing.T) {
	jar, major := packInstalled(t)
	for name, repo := range map[string]*repository{
		"another checksum": {jar: jar, sum: sumOf([]byte("other"))},
		"no checksum":      {jar: jar},
		"cut archive":      {jar: jar[:len(jar)/2], sum: sumOf(jar)},
		"no archive":       {jar: []byte("not a zip"), sum: sumOf([]byte("not a zip"))},
	} {
		t.Run(name, func(t *testing.T) {
			opts := withoutInstalled(t, repo, major)
			_, err := Open(testContext(t), opts)
			wantInstallAdvice(t, err)
			left, _ := filepath.Glob(filepath.Join(opts.FetchDir, "postgresql-*"))
			if len(left) > 0 {
				t.Errorf("unproven programs are kept: %v", left)
			}
		})
	}
}

func TestFetchedProgramsOfAnotherVersionAreRefused(t *testing.T) {
	jar, major := packInstalled(t)
	other := 16
	if major == other {
		other = 17
	}
	_, err := Open(testContext(t), withoutInstalled(t, &repository{jar: jar, sum: sumOf(jar)}, other))
	wantInstallAdvice(t, err)
}

func TestAnUnreachableRepositoryLeadsToAdviceInTwoLines(t *testing.T) {
	opts := withoutInstalled(t, http.NotFoundHandler(), 0)
	opts.Repository = "http://127.0.0.1:1/maven2"
	_, err := Open(testContext(t), opts)
	wantInstallAdvice(t, err)
}

func TestFetchingEndsWithTheContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	opts := withoutInstalled(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		cancel()
		<-r.Context().Done()
	}), 0)
	if _, err := Open(ctx, opts); err == nil {
		t.Error("Open succeeded although its context ended")
	}
}

func wantInstallAdvice(t *testing.T, err error) {
	t.Helper()
	if !fault.Is(err, fault.NotFound) {
		t.Fatalf("got %v, want a refusal of kind not_found", err)
	}
	if n := strings.Count(err.Error(), "\n"); n != 1 {
		t.Errorf("message of %d lines, want two:\n%v", n+1, err)
	}
	for _, want := range []string{"apt-get install postgresql", "docker compose up"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("message does not mention %q:\n%v", want, err)
		}
	}
}
