package check

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/google/licensecheck"
)

// Shipped are the packages of the programs that are shipped.
var Shipped = []string{"./gateway/cmd/beltwright", "./services/fitment/cmd/fitment", "./services/quote/cmd/quote"}

// allowed are the licences that what is shipped may be under (SPDX License List
// identifiers): each lets us ship without more than its text and its notices.
var allowed = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "MIT"}

// leastCovered is how much of a licence's file must be text of licences that are known,
// in percent: the rest is the names of holders and the like.
const leastCovered = 60

// Licence is what a module that is shipped is under.
type Licence struct {
	// Module is its path, and Version its version; the standard library is "std".
	Module, Version string
	// IDs are the SPDX identifiers, in order.
	IDs []string
	// Texts are its licence files and notices, in order of their names.
	Texts []string
}

// Licences lists the modules that the programs are made of, in order of their paths.
// The packages are taken from the module in dir.
func Licences(ctx context.Context, dir string, packages ...string) ([]Licence, error) {
	folders, err := linked(ctx, dir, packages)
	if err != nil {
		return nil, err
	}
	goroot, err := run(ctx, dir, "go", "env", "GOROOT")
	if err != nil {
		return nil, err
	}
	// The standard library's version is the builder's; its licence has not changed with it.
	list := []Licence{{Module: "std", Version: "as the builder's Go"}}
	if err := list[0].read([]string{strings.TrimSpace(goroot)}); err != nil {
		return nil, err
	}
	for module, where := range folders {
		path, version, _ := strings.Cut(module, " ")
		one := Licence{Module: path, Version: version}
		if err := one.read(where); err != nil {
			return nil, err
		}
		list = append(list, one)
	}
	slices.SortFunc(list, func(a, b Licence) int { return strings.Compare(a.Module, b.Module) })
	return list, nil
}

// linked are the modules that packages are made of, each with its folder and those of
// its packages that are used.
func linked(ctx context.Context, dir string, packages []string) (map[string][]string, error) {
	const each = `{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{"\t"}}{{.Dir}}{{"\t"}}{{$.Dir}}{{end}}{{end}}`
	out, err := run(ctx, dir, "go", append([]string{"list", "-deps", "-f", each}, packages...)...)
	if err != nil {
		return nil, err
	}
	folders := map[string][]string{}
	for line := range strings.Lines(out) {
		parts := strings.Split(strings.TrimSpace(line), "\t")
		if len(parts) != 3 {
			continue // the standard library, and our own
		}
		module, top, used := parts[0], parts[1], parts[2]
		for ; len(used) >= len(top); used = filepath.Dir(used) {
			if !slices.Contains(folders[module], used) {
				folders[module] = append(folders[module], used)
			}
		}
	}
	return folders, nil
}

func run(ctx context.Context, dir, program string, args ...string) (string, error) {
	command := exec.CommandContext(ctx, program, args...) //nolint:gosec // go, with packages of ours
	command.Dir = dir
	command.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64", "GOFLAGS=", "GOWORK=off")
	var complaint bytes.Buffer
	command.Stderr = &complaint
	out, err := command.Output()
	if err != nil {
		return "", fmt.Errorf("%s %s: %w\n%s", program, strings.Join(args, " "), err, &complaint)
	}
	return string(out), nil
}

// licenceFile is what files with licences and notices are called.
var licenceFile = regexp.MustCompile(`(?i)^(licen[cs]e|copying|copyright|notice|patents)([-.].*)?$`)

// read reads the licence files of a module's folders.
func (l *Licence) read(folders []string) error {
	slices.Sort(folders)
	for _, folder := range folders {
		entries, err := os.ReadDir(folder)
		if err != nil {
			return err
		}
		for _, entry := range entries {
			if entry.IsDir() || !licenceFile.MatchString(entry.Name()) || strings.HasSuffix(entry.Name(), ".go") {
				continue
			}
			if err := l.take(filepath.Join(folder, entry.Name())); err != nil {
				return err
			}
		}
	}
	slices.Sort(l.IDs)
	l.IDs = slices.Compact(l.IDs)
	if len(l.IDs) == 0 {
		return fmt.Errorf("%s: no licence was found in %v", l.Module, folders)
	}
	return nil
}

// take reads one file. Notices and patent grants say nothing that is a licence of its
// own; a licence's file must be one that is known.
func (l *Licence) take(path string) error {
	text, err := os.ReadFile(path) //nolint:gosec // of a module that is linked
	if err != nil {
		return err
	}
	l.Texts = append(l.Texts, strings.TrimSpace(string(text)))
	ids, covered := identify(text)
	name := strings.ToLower(filepath.Base(path))
	if strings.HasPrefix(name, "notice") || strings.HasPrefix(name, "patents") {
		return nil
	}
	if covered < leastCovered {
		return fmt.Errorf("%s: %s is a licence that is not known (%.0f %% of it is)", l.Module, filepath.Base(path), covered)
	}
	l.IDs = append(l.IDs, ids...)
	return nil
}

// identify finds the licences in a text, and how much of it they make up, in percent.
func identify(text []byte) (ids []string, covered float64) {
	found := licensecheck.Scan(text)
	for _, match := range found.Match {
		if !match.IsURL {
			ids = append(ids, match.ID)
		}
	}
	return ids, found.Percent
}

// Allowed says which modules are under a licence that nobody has looked at for
// shipping.
func Allowed(list []Licence) error {
	var faults []error
	for _, l := range list {
		for _, id := range l.IDs {
			if !slices.Contains(allowed, id) {
				faults = append(faults, fmt.Errorf("%s %s is under %s; expected one of %s", l.Module, l.Version, id, strings.Join(allowed, ", ")))
			}
		}
	}
	return errors.Join(faults...)
}

// Table is the list as a document.
func Table(list []Licence) string {
	var text strings.Builder
	text.WriteString(`# What the programs are made of

Written by ` + "`go run -C deploy/check ./licences`" + `; a test fails where it is stale or a licence
is none of ` + strings.Join(allowed, ", ") + `. It lists every module that
is linked into the programs on Linux. The texts that go with them are in NOTICES.txt;
the image has both.

| module | version | licence (SPDX) |
| --- | --- | --- |
`)
	for _, l := range list {
		fmt.Fprintf(&text, "| %s | %s | %s |\n", l.Module, l.Version, strings.Join(l.IDs, ", "))
	}
	return text.String()
}

// Notices are the texts that have to go with the programs, each once, with the modules
// that it belongs to.
func Notices(list []Licence) string {
	owners := map[string][]string{}
	var order []string
	for _, l := range list {
		for _, text := range l.Texts {
			if owners[text] == nil {
				order = append(order, text)
			}
			if !slices.Contains(owners[text], l.Module) {
				owners[text] = append(owners[text], l.Module)
			}
		}
	}
	rule := strings.Repeat("=", 80) + "\n"
	var out strings.Builder
	out.WriteString("Licences and notices of what the programs are made of. Written by the program in\ndeploy/check/licences.\n")
	for _, text := range order {
		out.WriteString("\n" + rule + strings.Join(owners[text], "\n") + "\n" + rule + "\n")
		for line := range strings.Lines(text) {
			out.WriteString(strings.TrimRight(line, " \t\r\n\f") + "\n")
		}
	}
	return out.String()
}
