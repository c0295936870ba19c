package check_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"debug/elf"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/moby/patternmatcher"
	"github.com/moby/patternmatcher/ignorefile"
)

// buildContext tells what of the source tree an image is built from, as the builder reads
// Containerfile.dockerignore.
func buildContext(t *testing.T) *patternmatcher.PatternMatcher {
	t.Helper()
	rules, err := ignorefile.ReadAll(strings.NewReader(read(t, "container/Containerfile.dockerignore")))
	if err != nil {
		t.Fatal(err)
	}
	ignored, err := patternmatcher.New(rules)
	if err != nil {
		t.Fatal(err)
	}
	return ignored
}

// sources copies the source tree as git lists it, with what is not committed yet, into
// a folder, and what of it an image is built from into another one.
func sources(t *testing.T, all, image string) {
	t.Helper()
	ignored := buildContext(t)
	command := exec.CommandContext(t.Context(), "git", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	command.Dir = filepath.Join("..", "..")
	listed, err := command.Output()
	if err != nil {
		t.Fatalf("list the sources: %v", err)
	}
	for name := range strings.SplitSeq(strings.TrimRight(string(listed), "\x00"), "\x00") {
		from := filepath.Join("..", "..", name)
		info, err := os.Lstat(from)
		if err != nil || !info.Mode().IsRegular() {
			continue // deleted, and not committed yet
		}
		content, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		trees := []string{all}
		if left, err := ignored.MatchesOrParentMatches(name); err != nil {
			t.Fatal(err)
		} else if !left {
			trees = append(trees, image)
		}
		for _, tree := range trees {
			path := filepath.Join(tree, name)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, content, info.Mode().Perm()); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// built runs deploy/build.sh of a source tree and returns the hash of each program.
func built(ctx context.Context, t *testing.T, tree string, env []string, packages ...string) map[string][32]byte {
	t.Helper()
	out := t.TempDir()
	command := exec.CommandContext(ctx, filepath.Join(tree, "deploy", "build.sh"), append([]string{out}, packages...)...)
	command.Env = append(os.Environ(), env...)
	if said, err := command.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	programs, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	hashes := map[string][32]byte{}
	for _, program := range programs {
		content, err := os.ReadFile(filepath.Join(out, program.Name()))
		if err != nil {
			t.Fatal(err)
		}
		hashes[program.Name()] = sha256.Sum256(content)
		if bytes.Contains(content, []byte(tree)) != (len(env) > 0 && strings.HasPrefix(env[0], "BELTWRIGHT_BUILD_FLAGS=")) {
			t.Errorf("%s names the folder of its sources: %v", program.Name(), bytes.Contains(content, []byte(tree)))
		}
		static(t, filepath.Join(out, program.Name()))
	}
	return hashes
}

// static demands a program that needs no other file to run.
func static(t *testing.T, path string) {
	t.Helper()
	file, err := elf.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	if libraries, err := file.ImportedLibraries(); err != nil || len(libraries) > 0 {
		t.Errorf("%s needs %v, %v", filepath.Base(path), libraries, err)
	}
	for _, segment := range file.Progs {
		if segment.Type == elf.PT_INTERP {
			t.Errorf("%s needs a loader", filepath.Base(path))
		}
	}
}

// TestTheSameSourcesGiveTheSamePrograms builds in two folders. One's name is longer and
// has spaces, and it holds only what an image is built from. The control builds one program without -trimpath: it
// differs. Compiled packages are shared between the two builds; with
// BELTWRIGHT_LONG=1 each has a cache of its own, so that everything is compiled twice.
func TestTheSameSourcesGiveTheSamePrograms(t *testing.T) {
	t.Parallel()
	trees := [2]string{filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "somewhere else", "with a longer name")}
	sources(t, trees[0], trees[1])
	// A small program, since nothing of ours that is compiled without -trimpath can be
	// used for the other folder, or again.
	const small = "testdata/demo/generate"
	var whole, trimmed, control [2]map[string][32]byte
	for i, tree := range trees {
		var env []string
		if os.Getenv("BELTWRIGHT_LONG") == "1" {
			env = []string{"GOCACHE=" + t.TempDir()}
		}
		whole[i] = built(t.Context(), t, tree, env)
		trimmed[i] = built(t.Context(), t, tree, env, small)
		control[i] = built(t.Context(), t, tree, []string{"BELTWRIGHT_BUILD_FLAGS="}, small)
	}
	if len(whole[0]) != 3 || !maps.Equal(whole[0], whole[1]) || !maps.Equal(trimmed[0], trimmed[1]) {
		t.Errorf("two folders give different programs:\n%x\n%x", whole[0], whole[1])
	}
	if maps.Equal(control[0], control[1]) {
		t.Error("control: without -trimpath the programs are the same too, so the test proves nothing")
	}
	if maps.Equal(control[0], trimmed[0]) {
		t.Error("control: -trimpath changes nothing")
	}
}
