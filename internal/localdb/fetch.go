package localdb

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	embeddedpostgres "github.com/fergusstrange/embedded-postgres"

	"basecourse/internal/fault"
)

// fetchVersions are the releases the library knows, by major version.
var fetchVersions = map[int]embeddedpostgres.PostgresVersion{
	15: embeddedpostgres.V15, 16: embeddedpostgres.V16, 17: embeddedpostgres.V17, 18: embeddedpostgres.V18,
}

const (
	newestFetched     = 18
	defaultRepository = "https://repo1.maven.org/maven2"
	archiveLimit      = 300 << 20 // bytes; releases are around 30 MB
	cacheOfRoot       = "/var/cache/basecourse"
)

// fetch gives PostgreSQL's programs of the wanted major version (0: the
// newest) from the folder of programs fetched before, or fetches them into it.
//
// The library downloads, checks and unpacks; it is never let near a server of
// its own, which would listen on TCP and cannot run as root.
func fetch(ctx context.Context, o Options, h home, major int) (binaries, error) {
	if major == 0 {
		major = cmp.Or(o.fetchMajor, newestFetched)
	}
	version, ok := fetchVersions[major]
	if !ok {
		return binaries{}, fmt.Errorf("PostgreSQL %d is not among the versions that can be fetched", major)
	}
	dir := cmp.Or(o.FetchDir, filepath.Join(h.dir, "programs"))
	if !h.account.enterable(dir) {
		dir = cacheOfRoot
	}
	// MkdirAll with the parents open to all: as root, another account runs them.
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return binaries{}, err
	}
	guard, err := lockFile(ctx, filepath.Join(dir, "fetch.lock"), account{})
	if err != nil {
		return binaries{}, err
	}
	defer guard.release()

	place := filepath.Join(dir, "postgresql-"+string(version))
	if b, err := look(ctx, filepath.Join(place, "bin")); err == nil {
		return b, nil
	}
	o.log("No PostgreSQL found on this machine: fetching the programs of version %s once, into %s.", version, place)
	stage, err := os.MkdirTemp(dir, "fetching-")
	if err != nil {
		return binaries{}, err
	}
	defer os.RemoveAll(stage)
	if err := fetchInto(ctx, stage, o.Repository, version); err != nil {
		return binaries{}, err
	}
	fresh := filepath.Join(stage, "programs")
	if err := openModes(fresh); err != nil {
		return binaries{}, err
	}
	b, err := look(ctx, filepath.Join(fresh, "bin"))
	if err != nil {
		return b, fmt.Errorf("the fetched programs do not run here: %w", err)
	}
	if b.major != major {
		return b, fmt.Errorf("the fetched programs are of version %d, expected %d", b.major, major)
	}
	if err := os.RemoveAll(place); err != nil {
		return b, err
	}
	if err := os.Rename(fresh, place); err != nil {
		return b, err
	}
	b.dir = filepath.Join(place, "bin")
	return b, nil
}

// fetchInto lets the library unpack the programs into stage/programs. Its
// Start goes on to make and start a server: a locale that does not exist ends
// it at initdb, right after the unpacking, before anything listens.
func fetchInto(ctx context.Context, stage, repository string, version embeddedpostgres.PostgresVersion) error {
	if repository == "" {
		repository = defaultRepository
	}
	r := &relay{ctx: ctx, upstream: strings.TrimRight(repository, "/")}
	base, stop, err := r.serve()
	if err != nil {
		return err
	}
	defer stop()
	free, err := freePort()
	if err != nil {
		return err
	}
	err = embeddedpostgres.NewDatabase(embeddedpostgres.DefaultConfig().
		Version(version).
		Port(free).
		Locale("programs-only").
		BinaryRepositoryURL(base).
		CachePath(filepath.Join(stage, "cache")).
		RuntimePath(filepath.Join(stage, "run")).
		DataPath(filepath.Join(stage, "data")).
		BinariesPath(filepath.Join(stage, "programs")).
		Logger(io.Discard)).Start()
	if err == nil {
		return errors.New("the library started a server although it was given no valid locale")
	}
	if relayErr := r.outcome(); relayErr != nil {
		return relayErr
	}
	if _, statErr := os.Stat(filepath.Join(stage, "programs", "bin", "initdb")); statErr != nil {
		return err
	}
	return nil
}

// freePort finds a port for the library's check that its port is free.
func freePort() (uint32, error) {
	l, err := net.Listen("tcp", "localhost:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return uint32(l.Addr().(*net.TCPAddr).Port), nil
}

// relay stands between the library and the repository, on loopback, for two
// things the library lacks: it ends with the context, and a missing checksum
// is an error (the library then goes on unchecked).
type relay struct {
	ctx      context.Context
	upstream string

	mu      sync.Mutex
	sum     string // of the archive passed on
	checked bool   // the repository's checksum was seen and is the same
	err     error
}

func (r *relay) serve() (base string, stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	srv := &http.Server{Handler: r, ReadHeaderTimeout: 10 * time.Second}
	go srv.Serve(l)
	return "http://" + l.Addr().String(), func() { srv.Close() }, nil
}

// ServeHTTP passes on the archive and its checksum, whole or not at all.
func (r *relay) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := r.get(req.URL.Path)
	if err == nil {
		err = r.note(req.URL.Path, body)
	}
	if err != nil {
		r.mu.Lock()
		r.err = errors.Join(r.err, err)
		r.mu.Unlock()
		http.Error(w, err.Error(), http.StatusBadGateway)
		return
	}
	if strings.HasSuffix(req.URL.Path, ".sha256") {
		body = []byte(strings.TrimSpace(string(body)))
	}
	w.Header().Set("Content-Length", fmt.Sprint(len(body)))
	w.Write(body) // a broken connection is the library's to report
}

func (r *relay) get(path string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(r.ctx, 10*time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, r.upstream+path, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s answered %s", req.URL, resp.Status)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, archiveLimit+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", req.URL, err)
	}
	if len(body) > archiveLimit {
		return nil, fault.New(fault.TooLarge, "%s is larger than %d bytes", req.URL, archiveLimit)
	}
	return body, nil
}

func (r *relay) note(path string, body []byte) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !strings.HasSuffix(path, ".sha256") {
		sum := sha256.Sum256(body)
		r.sum = hex.EncodeToString(sum[:])
		return nil
	}
	if want := strings.TrimSpace(string(body)); want != r.sum {
		return fmt.Errorf("the archive's checksum is %s, the repository says %s", r.sum, fault.Quote(want))
	}
	r.checked = true
	return nil
}

func (r *relay) outcome() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.err == nil && !r.checked {
		return errors.New("the archive was not checked against a checksum")
	}
	return r.err
}

// openModes lets every account read and run the programs, whatever the umask.
func openModes(dir string) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Type()&fs.ModeSymlink != 0 {
			return err
		}
		fi, err := d.Info()
		if err != nil {
			return err
		}
		mode := fi.Mode().Perm() | 0o444
		if d.IsDir() || mode&0o100 != 0 {
			mode |= 0o111
		}
		return os.Chmod(path, mode)
	})
}
