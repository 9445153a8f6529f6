package packs

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"strandline.example/strandline/internal/errs"
)

// TestLibrary: what is in the folder is what there is, by the names of the files.
func TestLibrary(t *testing.T) {
	t.Parallel()
	l := Library{fstest.MapFS{
		"b.yaml": {Data: []byte(small + "---\n" + strings.Replace(small, "month: 2", "month: 3", 1))}, "a.yaml": {Data: []byte(small)},
		"bad.yaml": {Data: []byte("title: [")}, "of.go": {}, "notes.txt": {}, "sub/c.yaml": {},
	}}
	ids, err := l.IDs()
	if err != nil || !slices.Equal(ids, []string{"a", "b", "bad"}) {
		t.Errorf("ids %v, %v", ids, err)
	}
	docs, raw, err := l.Pack("b")
	if err != nil || len(docs) != 2 || docs[0].ID != "b" || !strings.HasPrefix(string(raw), "title: Small") {
		t.Errorf("%d documents, %v", len(docs), err)
	}
	if _, _, err := l.Pack("c"); !errs.Is(err, "NOT_FOUND") || !strings.Contains(err.Error(), `"c"`) || !strings.Contains(err.Error(), "a, b, bad") {
		t.Errorf("a pack that is not there: %v", err)
	}
	if _, _, err := l.Pack("bad"); !errs.Is(err, "INTERNAL") || !strings.Contains(err.Error(), "bad.yaml:1:1: ") {
		t.Errorf("a pack that cannot be read: %v", err)
	}
}

// TestEveryFileIsShipped: a YAML file beside the code is a shipped pack, without anyone naming it.
func TestEveryFileIsShipped(t *testing.T) {
	t.Parallel()
	there, err := Library{os.DirFS(".")}.IDs()
	if err != nil || len(there) < 5 {
		t.Fatal(there, err)
	}
	if ids, err := Shipped.IDs(); err != nil || !slices.Equal(ids, there) {
		t.Errorf("shipped are %v, and there are %v; %v", ids, there, err)
	}
}

// choices are the Go files that choose among the shipped packs for themselves. A pack more changes nothing for them.
var choices = []string{"cmd/strandline/demo.go"}

// TestNoListOfPacks: no Go file but for tests names a shipped pack, so that a pack more asks for no change of one.
func TestNoListOfPacks(t *testing.T) {
	t.Parallel()
	ids, err := Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	const root = "../../.."
	files := 0
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch name, _ := filepath.Rel(root, path); {
		case err != nil:
			return err
		case d.IsDir() && strings.HasPrefix(d.Name(), ".") && path != root:
			return fs.SkipDir
		case !strings.HasSuffix(name, ".go"), strings.HasSuffix(name, "_test.go"), strings.HasPrefix(name, "proto/"), slices.Contains(choices, filepath.ToSlash(name)):
			return nil
		default:
			files++
			for _, id := range named(t, path, ids) {
				t.Errorf("%s names the pack %s", name, id)
			}
			return nil
		}
	})
	if err != nil || files < 100 {
		t.Fatal(files, err)
	}
	if got := named(t, root+"/"+choices[0], ids); len(got) == 0 {
		t.Errorf("%s names no pack: it need not be excepted", choices[0])
	}
}

// named returns which ids a Go file has as texts of their own.
func named(t *testing.T, path string, ids []string) (out []string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
			if s, err := strconv.Unquote(l.Value); err == nil && slices.Contains(ids, strings.TrimSuffix(s, ".yaml")) {
				out = append(out, s)
			}
		}
		return true
	})
	return out
}
