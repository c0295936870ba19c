package check_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwright.example/deploy/check"
)

// mit is the MIT License as the SPDX License List 3 has it, of an invented holder.
const mit = `MIT License

Copyright (c) 2026 Korrin Invented Works

Permission is hereby granted, free of charge, to any person obtaining a copy of this software and associated documentation files (the "Software"), to deal in the Software without restriction, including without limitation the rights to use, copy, modify, merge, publish, distribute, sublicense, and/or sell copies of the Software, and to permit persons to whom the Software is furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in all copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND, EXPRESS OR IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY, FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM, OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN THE SOFTWARE.
`

// zeroBSD is the BSD Zero Clause License as the SPDX License List 3 has it: one that is
// known, and that nobody has looked at for shipping.
const zeroBSD = `Copyright (C) 2026 by Korrin Invented Works

Permission to use, copy, modify, and/or distribute this software for any purpose with or without fee is hereby granted.

THE SOFTWARE IS PROVIDED "AS IS" AND THE AUTHOR DISCLAIMS ALL WARRANTIES WITH REGARD TO THIS SOFTWARE INCLUDING ALL IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS. IN NO EVENT SHALL THE AUTHOR BE LIABLE FOR ANY SPECIAL, DIRECT, INDIRECT, OR CONSEQUENTIAL DAMAGES OR ANY DAMAGES WHATSOEVER RESULTING FROM LOSS OF USE, DATA OR PROFITS, WHETHER IN AN ACTION OF CONTRACT, NEGLIGENCE OR OTHER TORTIOUS ACTION, ARISING OUT OF OR IN CONNECTION WITH THE USE OR PERFORMANCE OF THIS SOFTWARE.
`

// TestLicences: what is shipped is under licences that were looked at, and the files
// say so.
func TestLicences(t *testing.T) {
	t.Parallel()
	list, err := check.Licences(t.Context(), filepath.Join("..", ".."), check.Shipped...)
	if err != nil {
		t.Fatal(err)
	}
	if err := check.Allowed(list); err != nil {
		t.Error(err)
	}
	for name, want := range map[string]string{"LICENCES.md": check.Table(list), "NOTICES.txt": check.Notices(list)} {
		if read(t, name) != want {
			t.Errorf("%s is stale; run: go run -C deploy/check ./licences", name)
		}
	}
}

// withDependency makes a program that needs one module, with these licence files.
func withDependency(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	all := map[string]string{
		"go.mod":                "module example.test/program\n\ngo 1.26\n\nrequire example.test/needed v1.2.3\n\nreplace example.test/needed => ./needed\n",
		"main.go":               "package main\n\nimport \"example.test/needed/inner\"\n\nfunc main() { inner.Do() }\n",
		"needed/go.mod":         "module example.test/needed\n\ngo 1.26\n",
		"needed/inner/inner.go": "package inner\n\nfunc Do() {}\n",
	}
	for name, text := range files {
		all["needed/"+name] = text
	}
	for name, text := range all {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestPlantedLicences(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		files map[string]string
		says  string // "" where it is fine
	}{
		"control":                  {map[string]string{"LICENSE": mit}, ""},
		"control, in the package":  {map[string]string{"inner/COPYING.txt": mit}, ""},
		"one nobody looked at":     {map[string]string{"LICENSE": zeroBSD}, "is under 0BSD"},
		"a second one below":       {map[string]string{"LICENSE": mit, "inner/LICENSE": zeroBSD}, "is under 0BSD"},
		"none":                     {nil, "no licence was found"},
		"of another package alone": {map[string]string{"other/LICENSE": mit}, "no licence was found"},
		"one of its own":           {map[string]string{"LICENSE": "You may look at this, but ask before you ship it.\n"}, "a licence that is not known"},
		"notice alone":             {map[string]string{"NOTICE": mit}, "no licence was found"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			list, err := check.Licences(t.Context(), withDependency(t, c.files), ".")
			if err == nil {
				err = check.Allowed(list)
			}
			if (c.says == "") != (err == nil) || (err != nil && !strings.Contains(err.Error(), c.says)) {
				t.Errorf("%v; want %q", err, c.says)
			}
			if err == nil && (len(list) != 2 || !strings.Contains(check.Notices(list), "Korrin Invented Works") || !strings.Contains(check.Table(list), "| example.test/needed | v1.2.3 | MIT |")) {
				t.Errorf("listed %v", list)
			}
		})
	}
}
