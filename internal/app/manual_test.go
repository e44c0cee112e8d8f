package app

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"offsetbridge/internal/core"
)

// Every code that the program may show is explained under messages, and nothing
// else is.
func TestTheManualExplainsEveryMessage(t *testing.T) {
	m, err := Manual()
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]bool{}
	for _, c := range core.Codes() {
		said[string(c)] = true
	}
	if len(said) < 250 {
		t.Fatalf("the program has only %d codes", len(said))
	}
	for _, c := range refusals(t) {
		said[c] = true
	}
	told := map[string]bool{}
	for _, s := range m.Page("messages").Sections {
		for _, k := range s.Keys {
			told[k] = true
			if !said[k] {
				t.Errorf("the manual explains %q, which nothing says", k)
			}
		}
	}
	for c := range said {
		if !told[c] {
			t.Errorf("the manual does not explain %q (%s)", c, core.Code(c).Words())
		}
	}
}

// Every code of the program has a sentence: what a package declares as one is in
// the table of sentences.
func TestEveryCodeHasASentence(t *testing.T) {
	has := map[string]bool{}
	for _, c := range core.Codes() {
		has[string(c)] = true
	}
	n := 0
	for _, dir := range []string{"../core", "../machine", "../intake", "."} {
		for _, f := range sources(t, dir) {
			ast.Inspect(f, func(node ast.Node) bool {
				v, ok := node.(*ast.ValueSpec)
				if !ok || v.Type == nil || !isCode(v.Type) {
					return true
				}
				for _, x := range v.Values {
					if c := literal(x); c != "" {
						n++
						if !has[c] {
							t.Errorf("%s: code %q has no sentence", v.Names[0].Name, c)
						}
					}
				}
				return true
			})
		}
	}
	if n < 200 {
		t.Errorf("only %d codes were found in the sources", n)
	}
}

func isCode(x ast.Expr) bool {
	switch x := x.(type) {
	case *ast.Ident:
		return x.Name == "Code"
	case *ast.SelectorExpr:
		return x.Sel.Name == "Code"
	}
	return false
}

// refusals are the codes with which the interface refuses a request.
func refusals(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, f := range sources(t, "../web") {
		ast.Inspect(f, func(node ast.Node) bool {
			call, ok := node.(*ast.CallExpr)
			if !ok {
				return true
			}
			if name, is := call.Fun.(*ast.Ident); is && strings.HasPrefix(name.Name, "refuse") && len(call.Args) > 2 {
				if c := literal(call.Args[2]); c != "" {
					all = append(all, c)
				}
			}
			return true
		})
	}
	if len(all) < 30 {
		t.Fatalf("the interface refuses in only %d places", len(all))
	}
	return all
}

func literal(x ast.Expr) string {
	l, ok := x.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return ""
	}
	s, err := strconv.Unquote(l.Value)
	if err != nil {
		return ""
	}
	return s
}

func sources(t *testing.T, dir string) []*ast.File {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var all []*ast.File
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(dir, e.Name()), nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, f)
	}
	return all
}
