// Package layout_test holds the rules about who may import whom, and about the
// tree's shape, that no linter checks.
package layout_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "beltwright.example/"

// pure packages decide; they may not know of servers, stores, clocks or
// contexts.
var pure = []string{
	"services/fitment/vin", "services/fitment/fault", "services/fitment/evidence", "services/fitment/rules",
	"services/fitment/names", "services/fitment/vindata", "services/fitment/restraint", "services/fitment/basis", "services/fitment/jurisdiction", "services/fitment/reference",
	"services/quote/money", "services/quote/landed", "services/quote/working", "services/quote/tax", "services/platform/transport", "services/quote/trust", "services/quote/plan", "services/quote/choice", "services/quote/basket", "services/quote/problem", "services/quote/quote", "services/quote/repair", "services/quote/books", "services/quote/document", "services/fitment/document", "services/platform/paper", "services/platform/sheet", "services/platform/prose", "services/platform/policy", "gateway/plain",
}

func TestPureDecisionCodeKnowsNoClockContextOrTransport(t *testing.T) {
	t.Parallel()
	forbidden := []string{"context", "net/http", "google.golang.org/grpc", "os", "math/rand", "math/rand/v2", module + "services/store"}
	for _, dir := range pure {
		files := sources(t, filepath.Join(root(t), dir), false)
		if len(files) == 0 {
			t.Errorf("%s: no source files; is the list of pure packages out of date?", dir)
		}
		for _, file := range files {
			for _, path := range imports(t, file) {
				if slices.Contains(forbidden, path) || strings.HasPrefix(path, module+"services/store/") {
					t.Errorf("%s imports %s: decision code takes everything as an argument", file, path)
				}
			}
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for _, call := range []string{"time.Now(", "time.Since("} {
				if strings.Contains(string(text), call) {
					t.Errorf("%s calls %s…): the day is an argument", file, call)
				}
			}
		}
	}
}

func TestImportsPointOneWay(t *testing.T) {
	t.Parallel()
	for _, file := range sources(t, root(t), true) {
		dir := filepath.ToSlash(strings.TrimPrefix(filepath.Dir(file), root(t)+string(filepath.Separator)))
		for _, path := range imports(t, file) {
			target, ours := strings.CutPrefix(path, module)
			if ours && !allowed(dir, target) {
				t.Errorf("%s must not import %s", dir, target)
			}
		}
	}
}

// allowed says whether a package in dir may import target.
func allowed(dir, target string) bool {
	switch {
	case strings.HasPrefix(target, "services/store/"):
		// adapters are chosen where a process is put together
		return strings.HasPrefix(dir, "services/store/") || composes(dir)
	case strings.HasSuffix(target, "/server"):
		return composes(dir)
	case target == "services/fitment/reference":
		return false // only tests may, and those are not looked at
	case strings.HasPrefix(dir, "services/fitment/"):
		return !strings.HasPrefix(target, "services/quote/") && !strings.HasPrefix(target, "gateway/") && !strings.HasPrefix(target, "proto/beltwright/quote/")
	case strings.HasPrefix(dir, "services/quote/"):
		return !strings.HasPrefix(target, "gateway/") && !strings.HasPrefix(target, "services/fitment/")
	case strings.HasPrefix(dir, "services/platform/"):
		return strings.HasPrefix(target, "services/platform/") || target == "services/store" || strings.HasPrefix(target, "proto/beltwright/fitment/")
	}
	return true
}

// composes says whether a package puts a process together.
func composes(dir string) bool {
	return strings.HasSuffix(dir, "/app") || strings.Contains(dir, "/cmd/") || strings.HasPrefix(dir, "gateway/cli") || strings.HasPrefix(dir, "services/bench")
}

func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs(filepath.Join("..", "..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "go.mod")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// sources lists the Go files of a folder, without tests and generated code.
func sources(t *testing.T, dir string, deep bool) []string {
	t.Helper()
	var files []string
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case entry.IsDir() && path != dir && (!deep || strings.HasPrefix(entry.Name(), ".") || entry.Name() == "proto" || entry.Name() == "node_modules"):
			return filepath.SkipDir
		case strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go"):
			files = append(files, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func imports(t *testing.T, file string) []string {
	t.Helper()
	parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	paths := make([]string, 0, len(parsed.Imports))
	for _, spec := range parsed.Imports {
		path, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
	}
	return paths
}

func TestTopLevelHoldsWhatWasAgreed(t *testing.T) {
	t.Parallel()
	agreed := []string{
		"proto", "services", "gateway", "deploy", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md",
		"LICENSE", "buf.yaml", "buf.gen.yaml",
	}
	entries, err := os.ReadDir(root(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range entries {
		ignored := strings.HasPrefix(entry.Name(), ".") || entry.Name() == "beltwright-data"
		if !ignored && !slices.Contains(agreed, entry.Name()) {
			t.Errorf("%s stands at the top level", entry.Name())
		}
	}
}
