package localdb

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
)

// oldest is the first major version that is supported.
const oldest = 15

// Programs finds the programs that a new cluster would use, without fetching
// any, and tells their folder and full version.
func Programs(ctx context.Context, binDir string) (dir, version string, err error) {
	b, err := findBinaries(ctx, Options{BinDir: binDir, NoFetch: true}, home{})
	if err != nil {
		return "", "", err
	}
	return b.dir, b.version, nil
}

// binaries are PostgreSQL's programs of one version.
type binaries struct {
	dir     string
	major   int
	version string // as the programs say it
}

func (b binaries) path(program string) string { return filepath.Join(b.dir, program) }

var versionPattern = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

// look asks the programs in dir for their major version.
func look(ctx context.Context, dir string) (binaries, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	b := binaries{dir: dir}
	for _, program := range []string{"initdb", "postgres"} {
		out, err := exec.CommandContext(ctx, b.path(program), "--version").Output()
		if err != nil {
			return b, fmt.Errorf("%s --version: %w", b.path(program), err)
		}
		m := versionPattern.FindSubmatch(out)
		if m == nil {
			return b, fmt.Errorf("%s --version: found %s, expected a version of PostgreSQL", b.path(program), fault.Quote(string(out)))
		}
		b.version = strings.TrimSpace(string(out))
		if b.major, err = strconv.Atoi(string(m[1])); err != nil {
			return b, err
		}
	}
	return b, nil
}

// installedIn is where the distributions put PostgreSQL's programs.
var installedIn = []string{"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin"}

// findBinaries takes the setting, else the highest installed version, else
// those on PATH, else those fetched before, else fetches them. Where there is
// data already, its own major version goes before a higher one: a newer
// PostgreSQL beside the old must not lock anybody out.
func findBinaries(ctx context.Context, o Options, h home) (binaries, error) {
	if o.BinDir != "" {
		b, err := look(ctx, o.BinDir)
		if err != nil {
			return b, fault.Wrap(fault.NotFound, err, "BASECOURSE_POSTGRES_BIN: found %s, expected a folder with PostgreSQL's programs initdb and postgres", fault.Quote(o.BinDir))
		}
		if b.major < oldest {
			return b, fault.New(fault.Invalid, "BASECOURSE_POSTGRES_BIN: found PostgreSQL %d in %s, expected %d or newer", b.major, o.BinDir, oldest)
		}
		return b, nil
	}
	have, err := h.major()
	if err != nil {
		return binaries{}, err
	}
	found := installed(ctx, o.searchIn)
	for _, b := range found {
		if b.major == have {
			return b, nil
		}
	}
	if have == 0 && len(found) > 0 {
		return found[0], nil
	}
	b, err := binaries{}, errors.New("fetching is switched off")
	if !o.NoFetch {
		b, err = fetch(ctx, o, h, have)
	}
	if err == nil || ctx.Err() != nil {
		return b, err
	}
	if have != 0 && len(found) > 0 {
		return found[0], nil // initialise refuses it and says what to do
	}
	return b, fault.New(fault.NotFound, "No PostgreSQL %d or newer was found on this machine, and fetching its programs failed: %v.\n"+
		"Install it (Debian, Ubuntu: apt-get install postgresql; Fedora: dnf install postgresql-server), or start app and database together: docker compose up", oldest, err)
}

// installed lists what is on this machine, best first.
func installed(ctx context.Context, patterns []string) []binaries {
	if patterns == nil {
		patterns = installedIn
	}
	var dirs []string
	for _, pattern := range patterns {
		m, _ := filepath.Glob(pattern) // the patterns are well formed
		dirs = append(dirs, m...)
	}
	var found []binaries
	for _, dir := range dirs {
		if b, err := look(ctx, dir); err == nil && b.major >= oldest {
			found = append(found, b)
		}
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].major > found[j].major })
	if p, err := exec.LookPath("postgres"); err == nil {
		// The folder behind a link: initdb looks for postgres beside itself.
		if real, err := filepath.EvalSymlinks(p); err == nil {
			if b, err := look(ctx, filepath.Dir(real)); err == nil && b.major >= oldest {
				found = append(found, b)
			}
		}
	}
	return found
}

// enterable tells whether the account may enter dir and all its parents.
func (a account) enterable(dir string) bool {
	if !a.switched {
		return true
	}
	for {
		fi, err := os.Stat(dir)
		if err == nil && fi.Mode().Perm()&0o001 == 0 {
			return false
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			return true
		}
		dir = parent
	}
}
