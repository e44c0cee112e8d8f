package arch

import (
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// source is one parsed package with the types of its expressions.
type source struct {
	fset  *token.FileSet
	files []*ast.File
	info  *types.Info
}

// from reads imported packages once for all rooms.
var (
	files = token.NewFileSet()
	from  = importer.ForCompiler(files, "source", nil)
)

func parse(t *testing.T, p pkg) source {
	t.Helper()
	s := source{fset: files, info: &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}}
	for _, name := range p.GoFiles {
		f, err := parser.ParseFile(s.fset, filepath.Join(p.Dir, name), nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		s.files = append(s.files, f)
	}
	check := types.Config{Importer: from, Error: func(error) {}}
	check.Check(p.ImportPath, s.fset, s.files, s.info) //nolint:errcheck // what has no type is not looked at
	return s
}

// TestTheCoreStartsNothingAndShowsNoMapOrder looks at the statements of the pure
// rooms: no goroutine, channel or select, and no loop over a map except one
// that says why its order cannot show.
func TestTheCoreStartsNothingAndShowsNoMapOrder(t *testing.T) {
	for _, p := range packages(t) {
		room := strings.TrimPrefix(p.ImportPath, module)
		if !slices.Contains(pure, room) {
			continue
		}
		s := parse(t, p)
		for _, f := range s.files {
			for _, v := range impurities(s, f) {
				t.Error(v)
			}
		}
	}
}

func impurities(s source, f *ast.File) []string {
	var found []string
	add := func(n ast.Node, what string) {
		at := s.fset.Position(n.Pos())
		found = append(found, fmt.Sprintf("%s:%d %s", filepath.Base(at.Filename), at.Line, what))
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			add(n, "starts a goroutine")
		case *ast.SelectStmt, *ast.SendStmt:
			add(n, "uses a channel")
		case *ast.RangeStmt:
			if typed, ok := s.info.Types[n.X]; ok && typed.Type != nil {
				if _, isMap := typed.Type.Underlying().(*types.Map); isMap && !excusedLoop(s, f, n) {
					add(n, "ranges over a map; sort its keys, or say \"any order\" beside it and why")
				}
			}
		}
		return true
	})
	return found
}

// excusedLoop reports whether a comment on the loop's line or the one above says
// that any order will do.
func excusedLoop(s source, f *ast.File, n ast.Node) bool {
	line := s.fset.Position(n.Pos()).Line
	for _, group := range f.Comments {
		for _, c := range group.List {
			at := s.fset.Position(c.Pos()).Line
			if (at == line || at == line-1) && strings.Contains(c.Text, "any order") {
				return true
			}
		}
	}
	return false
}

func TestImpuritiesAreSeen(t *testing.T) {
	const text = `package x
func f(m map[string]int, c chan int) {
	go f(m, c)
	c <- 1
	for range m {
	}
	for range m { // any order: nothing is kept
	}
}`
	s := source{fset: token.NewFileSet(), info: &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}}
	f, err := parser.ParseFile(s.fset, "x.go", text, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := (&types.Config{}).Check("x", s.fset, []*ast.File{f}, s.info); err != nil {
		t.Fatal(err)
	}
	if got := impurities(s, f); len(got) != 3 {
		t.Errorf("saw %d of 3 impurities: %q", len(got), got)
	}
}
