package files_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"go.uber.org/goleak"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/storetest"
)

// The kill test runs this test binary again as the process that is killed.
const childDir = "BELTWRIGHT_TEST_FILES_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := putForEver(dir, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1) //nolint:forbidigo // this is the child's main
		}
		return
	}
	goleak.VerifyTestMain(m)
}

func open(t *testing.T, dir string) *files.Files {
	t.Helper()
	f, err := files.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestConformance(t *testing.T) {
	t.Parallel()
	storetest.RunFiles(t, func(t *testing.T) *storetest.Shelf {
		t.Helper()
		dir := filepath.Join(t.TempDir(), "files")
		return &storetest.Shelf{
			Files:  open(t, dir),
			Reopen: func() store.Files { return open(t, dir) },
			Damage: func(tenant, sum string, change func([]byte) []byte) {
				path := filepath.Join(dir, "of-"+tenant, sum[:2], sum)
				content, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, change(content), 0o600); err != nil {
					t.Fatal(err)
				}
			},
			Leftovers: func() []string { return unfinished(t, dir) },
		}
	})
}

// unfinished lists what lies under a directory and is no file with a hash for its
// name.
func unfinished(t *testing.T, dir string) []string {
	t.Helper()
	var left []string
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() && (len(entry.Name()) != 64 || strings.Contains(path, "unfinished")) {
			left = append(left, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return left
}

func TestADirectoryThatCannotBe(t *testing.T) {
	t.Parallel()
	if _, err := files.Open(""); err == nil {
		t.Error("no name was taken")
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := files.Open(file); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("a file as the directory: %v", err)
	}
}

// content is the i-th content of a writer: of 100,000 bytes or so, so that a kill
// often comes in the middle.
func content(writer, i int) []byte {
	line := fmt.Sprintf("%d-%d.", writer, i)
	return []byte(strings.Repeat(line, 100_000/len(line)))
}

const putters = 4

// putForEver puts content from several goroutines and reports each name, until it
// is killed.
func putForEver(dir string, out io.Writer) error {
	f, err := files.Open(dir)
	if err != nil {
		return err
	}
	var mu sync.Mutex
	failed := make(chan error, putters)
	for w := range putters {
		go func() {
			for i := 0; ; i++ {
				file, err := f.Put(context.Background(), "crash", bytes.NewReader(content(w, i)), 1<<20)
				if err == nil {
					mu.Lock()
					_, err = fmt.Fprintln(out, file.SHA256, w, i)
					mu.Unlock()
				}
				if err != nil {
					failed <- err
					return
				}
			}
		}()
	}
	return <-failed
}

// TestKillInTheMiddleOfAPut kills a process that puts content, again and again on
// one directory: what it acknowledged can be read, whole, and what it was just
// putting is gone once the directory is opened.
func TestKillInTheMiddleOfAPut(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "files")
	torn, total := 0, 0
	for round := range 10 {
		acknowledged := putAndKill(t, dir, 1+round*4)
		torn += len(unfinished(t, dir))
		f := open(t, dir)
		if left := unfinished(t, dir); len(left) > 0 {
			t.Fatalf("round %d: left behind: %v", round, left)
		}
		for sum, want := range acknowledged {
			from, _, err := f.Open(t.Context(), "crash", sum)
			if err != nil {
				t.Fatalf("round %d: an acknowledged file: %v", round, err)
			}
			got, err := io.ReadAll(from)
			if err != nil || !bytes.Equal(got, want) {
				t.Errorf("round %d: %d of %d bytes, %v", round, len(got), len(want), err)
			}
			if err := from.Close(); err != nil {
				t.Error(err)
			}
		}
		total += len(acknowledged)
	}
	if torn == 0 {
		t.Error("no kill came in the middle of a put: the hard case did not happen")
	}
	t.Logf("%d acknowledged files, none lost; %d torn ones removed", total, torn)
}

// putAndKill kills a putting process after some reports and returns what it had
// reported.
func putAndKill(t *testing.T, dir string, after int) map[string][]byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	var complaint strings.Builder
	cmd.Stderr = &complaint
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	acknowledged := map[string][]byte{}
	lines := bufio.NewScanner(pipe)
	for n := 1; lines.Scan(); n++ {
		var sum string
		var w, i int
		if _, err := fmt.Sscan(lines.Text(), &sum, &w, &i); err != nil {
			break // cut off in the middle
		}
		acknowledged[sum] = content(w, i)
		if n == after {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil || len(acknowledged) == 0 {
		t.Fatalf("the process ended by itself after %d puts: %s", len(acknowledged), complaint.String())
	}
	return acknowledged
}
