package tax_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/tax"
)

func parse(text string) (tax.Pack, error) { return tax.Parse(strings.NewReader(text)) }

func TestPacksAreWrittenAsTheyAreRead(t *testing.T) {
	t.Parallel()
	names, err := filepath.Glob("packs/*.json")
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	for _, name := range names {
		file, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		pack, err := tax.Parse(bytes.NewReader(file))
		if err != nil {
			t.Fatal(name, err)
		}
		if diff := cmp.Diff(string(file), string(pack.Bytes())); diff != "" {
			t.Errorf("%s is written otherwise: %s", name, diff)
		}
		if want := pack.Place + ".json"; filepath.Base(name) != want {
			t.Errorf("%s should be called %s", name, want)
		}
	}
}

func TestParseReadsWhatBytesWrites(t *testing.T) {
	t.Parallel()
	want := invented("AQ")
	want.Notes = []string{"N < 1"}
	got, err := tax.Parse(bytes.NewReader(want.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	sound := string(invented("AQ").Bytes())
	if _, err := parse(sound); err != nil {
		t.Fatal(err)
	}
	swap := func(old, fresh string) string { return strings.Replace(sound, old, fresh, 1) }
	for name, c := range map[string]struct{ file, says string }{
		"nothing":            {"", "EOF"},
		"unknown field":      {swap(`"place"`, `"plaice"`), `unknown field "plaice"`},
		"unknown rule":       {swap(`"rule": "freight"`, `"rule": "frieght"`), "rules[2].rule"},
		"rule twice":         {swap(`"rule": "freight"`, `"rule": "core"`), "core is there twice"},
		"missing rule":       {`{"place":"AQ","name":"Ice","version":"2026-11-25","rules":[]}`, "part is missing"},
		"no answer":          {swap(`"answer": "yes"`, `"answer": ""`), "rules[0] (part).answer"},
		"answer in capitals": {swap(`"answer": "yes"`, `"answer": "YES"`), "rules[0] (part).answer"},
		"boundary":           {swap(`"answer": "line"`, `"answer": "yes"`), "none of line, invoice, unstated"},
		"no source":          {swap(`"source": "S"`, `"source": ""`), "rules[0] (part).source"},
		"no text":            {swap(`"text": "T"`, `"text": " T"`), "rules[0] (part).text"},
		"unstated with text": {swap(`"answer": "yes"`, `"answer": "unstated"`), "text: none where"},
		"place":              {swap(`"AQ"`, `"Antarctica"`), "place:"},
		"version":            {swap(`2026-11-25`, `2026-11-31`), "version:"},
		"control characters": {swap(`"Ice"`, `"I\u0007ce"`), "name: control"},
		"long name":          {swap(`"Ice"`, `"`+strings.Repeat("i", 81)+`"`), "name: at most 80"},
		"empty note":         {swap(`"version"`, `"notes":[""],"version"`), "notes[0]"},
		"many notes":         {swap(`"version"`, `"notes":["n"`+strings.Repeat(`,"n"`, 50)+`],"version"`), "notes: at most 50"},
		"large":              {sound + strings.Repeat(" ", 64<<10), "more than"},
	} {
		if _, err := parse(c.file); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, pack := range tax.Builtin().All() {
		f.Add(pack.Bytes())
	}
	f.Add(invented("AQ").Bytes())
	f.Fuzz(func(t *testing.T, file []byte) {
		pack, err := tax.Parse(bytes.NewReader(file))
		if err != nil {
			return
		}
		again, err := tax.Parse(bytes.NewReader(pack.Bytes()))
		if err != nil {
			t.Fatalf("%s cannot be read again: %v", pack.Bytes(), err)
		}
		if diff := cmp.Diff(pack, again); diff != "" {
			t.Fatal(diff)
		}
		if set, err := (&tax.Set{}).With(pack); err != nil || len(set.All()) != 1 {
			t.Fatalf("a pack that reads is refused: %v", err)
		}
	})
}
