// Package papertest reads printed documents back with programs that are none of
// ours: text with pdftotext, pages with pdftoppm, codes with zbarimg (packages
// poppler-utils and zbar-tools).
package papertest

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"beltwright.example/services/platform/needs"
)

// Test is the name by which tests that need these programs may be skipped.
const Test = "documents"

// dots is how fine pages are rendered, in dots an inch.
const dots = "110"

// Text is the text of a document, page after page, each ended by a form feed, its
// layout kept.
func Text(tb testing.TB, pdf []byte) string {
	tb.Helper()
	return string(run(tb, "pdftotext", "-layout", "-enc", "UTF-8", write(tb, pdf), "-"))
}

// Flat is the text of a document with all white space as single spaces.
func Flat(tb testing.TB, pdf []byte) string {
	tb.Helper()
	return strings.Join(strings.Fields(string(run(tb, "pdftotext", "-enc", "UTF-8", write(tb, pdf), "-"))), " ")
}

// Info is what pdfinfo says of a document: a name and a value a line.
func Info(tb testing.TB, pdf []byte) string {
	tb.Helper()
	return string(run(tb, "pdfinfo", write(tb, pdf)))
}

// looked is the environment variable that names a folder for rendered pages.
const looked = "BELTWRIGHT_PAGES"

// Look renders a document into the folder that BELTWRIGHT_PAGES names, for somebody
// to look at; without it, it does nothing.
func Look(tb testing.TB, name string, pdf []byte) {
	tb.Helper()
	if os.Getenv(looked) != "" {
		Pages(tb, name, pdf)
	}
}

// Pages renders a document and returns the files of its pages, in order. Where
// BELTWRIGHT_PAGES names a folder they stay there.
func Pages(tb testing.TB, name string, pdf []byte) []string {
	tb.Helper()
	dir := os.Getenv(looked)
	if dir == "" {
		dir = tb.TempDir()
	}
	prefix := filepath.Join(dir, name)
	run(tb, "pdftoppm", "-r", dots, "-png", write(tb, pdf), prefix)
	files, err := filepath.Glob(prefix + "-*.png")
	if err != nil || len(files) == 0 {
		tb.Fatalf("no page was rendered: %v", err)
	}
	slices.Sort(files)
	return files
}

// noCode is how zbarimg ends where a picture has no code (its manual page).
const noCode = 4

// Codes are the texts of the codes on a rendered page, a line each.
func Codes(tb testing.TB, page string) []string {
	tb.Helper()
	needs.Tools(tb, Test, "zbarimg")
	command := exec.CommandContext(context.WithoutCancel(tb.Context()), "zbarimg", "--quiet", "--raw", page) //nolint:gosec // a file of the test
	out, err := command.Output()
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit) && exit.ExitCode() == noCode:
		return nil
	case err != nil:
		tb.Fatalf("zbarimg: %v", err)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

func write(tb testing.TB, pdf []byte) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "document.pdf")
	if err := os.WriteFile(path, pdf, 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

func run(tb testing.TB, program string, args ...string) []byte {
	tb.Helper()
	needs.Tools(tb, Test, program)
	var out, problems bytes.Buffer
	command := exec.CommandContext(context.WithoutCancel(tb.Context()), program, args...) //nolint:gosec // programs that the tests name
	command.Stdout, command.Stderr = &out, &problems
	if err := command.Run(); err != nil {
		tb.Fatalf("%s: %v: %s", program, err, problems.String())
	}
	if said := strings.TrimSpace(problems.String()); said != "" {
		tb.Fatalf("%s complains of the document: %s", program, said)
	}
	return out.Bytes()
}
