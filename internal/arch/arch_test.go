package arch

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// pkg is what the go command says of one package of this module.
type pkg struct {
	ImportPath string
	Dir        string
	Doc        string
	Name       string
	GoFiles    []string
	Imports    []string
}

const module = "offsetbridge/"

var list = sync.OnceValues(func() ([]pkg, error) {
	cmd := exec.Command("go", "list", "-json=ImportPath,Dir,Doc,Name,GoFiles,Imports", "./...")
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			return nil, fmt.Errorf("go list: %s", exit.Stderr)
		}
		return nil, err
	}
	var all []pkg
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		if err := d.Decode(&p); err == io.EOF {
			return all, nil
		} else if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
})

func packages(t *testing.T) []pkg {
	t.Helper()
	all, err := list()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 10 {
		t.Fatalf("go list found %d packages, the test looks at the wrong folder", len(all))
	}
	return all
}

// law says for each room which rooms of this module it may import. A room that
// is not named may import nothing of ours.
var law = map[string][]string{
	"internal/length":     {},
	"internal/limits":     {"internal/length"},
	"internal/gauge":      {"internal/length", "internal/limits"},
	"internal/estimate":   {"internal/length"},
	"internal/compensate": {"internal/length"},
	"internal/guard":      {"internal/length"},
	"internal/core":       {"internal/length", "internal/limits", "internal/gauge", "internal/estimate", "internal/compensate", "internal/guard"},
	"internal/journal":    {"internal/core"},
	"internal/bridge":     {"internal/length", "internal/core", "internal/journal"},
	"internal/replay":     {"internal/length", "internal/core", "internal/journal"},
	"internal/intake":     {"internal/length", "internal/core"},
	"internal/machine":    {"internal/length", "internal/core"},
	"internal/account":    {"internal/core"},
	"internal/metrics":    {"internal/core", "internal/journal", "internal/bridge"},
	"internal/series":     {"internal/length", "internal/core", "internal/journal"},
	"internal/capability": {},
	"internal/comparison": {"internal/capability"},
	"internal/gaugestudy": {"internal/capability"},
	"internal/chart":      {},
	"internal/report":     {"internal/length", "internal/core", "internal/journal", "internal/series", "internal/capability", "internal/comparison", "internal/gaugestudy", "internal/chart"},
	"internal/manual":     {},
	"internal/web":        {"internal/manual", "internal/length", "internal/core", "internal/bridge", "internal/account", "internal/series", "internal/capability", "internal/chart", "internal/report"},
	"config":              {"internal/length", "internal/limits", "internal/gauge", "internal/compensate", "internal/core", "internal/account"},
	"internal/app":        {"config", "internal/*"},
	"cmd/*":               {"config", "internal/*", "simulators/*"},
	"simulators/*":        {"simulators/*"},
	"testdata/*":          {"simulators/*"},
	"internal/journal/*":  {"internal/journal"},
	"internal/faultsim":   {"internal/*", "simulators/plant"},
	"internal/arch":       {},
}

func allowed(room string) ([]string, bool) {
	if rooms, ok := law[room]; ok {
		return rooms, true
	}
	for pattern, rooms := range law {
		if prefix, ok := strings.CutSuffix(pattern, "*"); ok && strings.HasPrefix(room, prefix) {
			return rooms, true
		}
	}
	return nil, false
}

func matches(room string, patterns []string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool {
		prefix, wild := strings.CutSuffix(p, "*")
		return p == room || wild && strings.HasPrefix(room, prefix)
	})
}

// violations are the imports that break the law.
func violations(all []pkg) []string {
	var broken []string
	for _, p := range all {
		room := strings.TrimPrefix(p.ImportPath, module)
		may, known := allowed(room)
		if !known {
			broken = append(broken, room+" is no room of the house, give it a line in the law or another place")
			continue
		}
		for _, i := range p.Imports {
			to, ours := strings.CutPrefix(i, module)
			if ours && !matches(to, may) {
				broken = append(broken, room+" imports "+to)
			}
		}
	}
	return broken
}

func TestImportsPointOneWay(t *testing.T) {
	for _, v := range violations(packages(t)) {
		t.Error(v)
	}
}

func TestTheLawCatchesABrokenImport(t *testing.T) {
	bad := []pkg{
		{ImportPath: module + "internal/core", Imports: []string{module + "internal/journal"}},
		{ImportPath: module + "internal/intake", Imports: []string{module + "internal/machine"}},
		{ImportPath: module + "internal/machine", Imports: []string{module + "config"}},
		{ImportPath: module + "simulators/cell", Imports: []string{module + "internal/length"}},
		{ImportPath: module + "internal/helper"},
	}
	if got := violations(bad); len(got) != len(bad) {
		t.Errorf("the law saw %d of %d broken imports: %q", len(got), len(bad), got)
	}
}

// pure are the rooms in which decisions are made.
var pure = []string{
	"internal/length", "internal/limits", "internal/gauge", "internal/estimate", "internal/compensate", "internal/guard", "internal/core",
	"internal/capability", "internal/comparison", "internal/gaugestudy", "internal/chart",
}

// impure are the imports with which something could come in that is no input.
var impure = []string{
	"time", "os", "net", "net/*", "io/fs", "math/rand", "math/rand/v2", "crypto/rand", "sync", "sync/*", "context", "log", "log/*",
	"syscall", "runtime", "unsafe", "database/*", "go.uber.org/*",
}

// excused imports are pure in the place named.
var excused = map[string][]string{
	"internal/limits":     {"sync"},         // tables are read once
	"internal/capability": {"math/rand/v2"}, // resampling from a fixed start
	"internal/gaugestudy": {"math/rand/v2"}, // as above
}

func TestTheCoreIsPure(t *testing.T) {
	for _, p := range packages(t) {
		room := strings.TrimPrefix(p.ImportPath, module)
		if !slices.Contains(pure, room) {
			continue
		}
		for _, i := range p.Imports {
			if matches(i, impure) && !slices.Contains(excused[room], i) {
				t.Errorf("%s imports %s: a decision could depend on more than its input", room, i)
			}
		}
	}
}

func TestEveryPackageStatesItsContract(t *testing.T) {
	for _, p := range packages(t) {
		if len(p.GoFiles) == 0 {
			continue // tests only
		}
		doc := packageComment(t, p)
		if words := len(strings.Fields(doc)); words < 12 {
			t.Errorf("%s has no package comment that states its contract (%d words)", p.ImportPath, words)
		}
		if want := "Package " + p.Name; p.Name != "main" && !strings.HasPrefix(doc, want) {
			t.Errorf("%s: its comment does not start with %q", p.ImportPath, want)
		}
	}
}

func packageComment(t *testing.T, p pkg) string {
	t.Helper()
	var doc string
	for _, name := range p.GoFiles {
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(p.Dir, name), nil, parser.ParseComments|parser.PackageClauseOnly)
		if err != nil {
			t.Fatal(err)
		}
		doc += f.Doc.Text()
	}
	return doc
}
