package arrows

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// pure are the rooms with plain values in and plain values out.
var pure = []string{
	"bed", "exposure", "farm", "fault", "findings", "firstlayer", "graders", "notices", "planning", "sampling", "simfarm", "stats", "trial", "upkeep",
}

// doors are what a pure room must not reach, itself or through others, as
// import paths or their beginnings.
var doors = []string{
	"database/sql", "net/http", "os/exec",
	"github.com/jackc/", "github.com/labstack/", "github.com/a-h/templ",
	module + "/views", module + "/static", module + "/migrations", module + "/cmd",
}

const module = "basecourse"

// listed is the part of `go list -json` that is looked at.
type listed struct {
	ImportPath string
	Dir        string
	GoFiles    []string
	Imports    []string
}

func list(t *testing.T) map[string]listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-e", "-deps", "-json=ImportPath,Dir,GoFiles,Imports", module+"/...")
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list: %v\n%s", err, exit.Stderr)
		}
		t.Fatalf("go list: %v", err)
	}
	all := map[string]listed{}
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all[p.ImportPath] = p
	}
	if len(all) < 10 {
		t.Fatalf("go list names %d packages, want the whole program", len(all))
	}
	return all
}

// room gives the name of the room a package is in, "" outside internal.
func room(path string) string {
	rest, ok := strings.CutPrefix(path, module+"/internal/")
	if !ok {
		return ""
	}
	name, _, _ := strings.Cut(rest, "/")
	return name
}

// harmless imports a door for its types only and opens none: the UUID library
// knows the interfaces of database/sql.
const harmless = "github.com/gofrs/uuid/v5"

// reached gives all a package imports, itself or through others, each with the
// shortest way there.
func reached(all map[string]listed, from string) map[string]string {
	ways := map[string]string{from: from}
	for queue := []string{from}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if at == harmless {
			continue
		}
		for _, next := range all[at].Imports {
			if _, seen := ways[next]; !seen {
				ways[next] = ways[at] + " → " + next
				queue = append(queue, next)
			}
		}
	}
	delete(ways, from)
	return ways
}

// forbidden tells whether a pure room may not reach a package.
func forbidden(path string) bool {
	if r := room(path); r != "" {
		return !slices.Contains(pure, r)
	}
	return slices.ContainsFunc(doors, func(d string) bool {
		return path == d || strings.HasPrefix(path, strings.TrimSuffix(d, "/")+"/")
	})
}

func TestPureRoomsReachNoDoor(t *testing.T) {
	all := list(t)
	for path := range all {
		if !slices.Contains(pure, room(path)) {
			continue
		}
		for dep, way := range reached(all, path) {
			if forbidden(dep) {
				t.Errorf("%s is a pure room and reaches %s: %s", path, dep, way)
			}
		}
	}
}

func TestViewsImportNothingOfInternal(t *testing.T) {
	all := list(t)
	if _, ok := all[module+"/views"]; !ok {
		t.Fatal("there is no package views")
	}
	for dep, way := range reached(all, module+"/views") {
		if room(dep) != "" {
			t.Errorf("views reaches %s: %s", dep, way)
		}
	}
}

func TestOnlyDoorsToTheDatabaseReachTheDriver(t *testing.T) {
	may := []string{"store", "localdb", "testdb"}
	for path, p := range list(t) {
		if !strings.HasPrefix(path, module+"/") || slices.Contains(may, room(path)) {
			continue
		}
		for _, dep := range p.Imports {
			if dep == "database/sql" || strings.HasPrefix(dep, "github.com/jackc/") {
				t.Errorf("%s imports %s; SQL stands in internal/store alone", path, dep)
			}
		}
	}
}

// Pure rooms take times as values: an answer must not depend on when it was
// asked, nor on unseeded chance.
func TestPureRoomsHaveNoClockAndNoUnseededChance(t *testing.T) {
	banned := map[string][]string{
		"time":         {"Now", "Since", "Until", "After", "Tick", "Sleep", "NewTimer", "NewTicker", "AfterFunc"},
		"math/rand":    {"Int", "Intn", "Int63", "Float64", "Perm", "Shuffle", "NormFloat64", "ExpFloat64"},
		"math/rand/v2": {"Int", "IntN", "N", "Int64", "Uint64", "Float64", "Perm", "Shuffle", "NormFloat64", "ExpFloat64"},
	}
	for path, p := range list(t) {
		if !slices.Contains(pure, room(path)) {
			continue
		}
		for _, name := range p.GoFiles {
			fset := token.NewFileSet()
			file, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
			if err != nil {
				t.Errorf("%s: %v", path, err)
				continue
			}
			names := map[string]string{} // local name → import path
			for _, imp := range file.Imports {
				full := strings.Trim(imp.Path.Value, `"`)
				local := strings.TrimSuffix(full, "/v2")
				local = local[strings.LastIndexByte(local, '/')+1:]
				if imp.Name != nil {
					local = imp.Name.Name
				}
				names[local] = full
			}
			ast.Inspect(file, func(n ast.Node) bool {
				sel, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				if x, ok := sel.X.(*ast.Ident); ok && slices.Contains(banned[names[x.Name]], sel.Sel.Name) {
					t.Errorf("%s: %s.%s in a pure room", fset.Position(sel.Pos()), x.Name, sel.Sel.Name)
				}
				return true
			})
		}
	}
}

func TestForbiddenKnowsADoorFromItsNamesake(t *testing.T) {
	for path, want := range map[string]bool{
		"net/http":                                  true,
		"net/http/internal":                         true,
		"net/url":                                   false,
		"github.com/jackc/pgx/v5":                   true,
		"github.com/jackc/pgx/v5/pgtype":            true,
		"gonum.org/v1/gonum/mat":                    false,
		module + "/internal/store":                  true,
		module + "/internal/web/words":              true,
		module + "/internal/farm":                   false,
		module + "/views":                           true,
		"github.com/a-h/templ":                      true,
		"github.com/a-h/templates-of-somebody-else": false,
	} {
		if got := forbidden(path); got != want {
			t.Errorf("forbidden(%q) = %v, want %v", path, got, want)
		}
	}
}
