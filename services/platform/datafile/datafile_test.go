package datafile_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/iotest"

	"beltwright.example/services/platform/datafile"
)

type document struct {
	Name  string             `json:"name"`
	Rates map[string]float64 `json:"rates,omitempty"`
	Inner []document         `json:"inner,omitempty"`
}

const limit = 200

func TestWhatIsReadAndWhatIsRefused(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ file, problem string }{
		"plain":                  {`{"name":"a","rates":{"x":0.5,"y":1}}`, ""},
		"same name, two objects": {`{"name":"a","inner":[{"name":"b"},{"name":"c"}]}`, ""},
		"twice":                  {`{"name":"a","name":"b"}`, `"name" is there twice`},
		"twice in a map":         {`{"name":"a","rates":{"x":1,"x":2}}`, `"x" is there twice`},
		"twice but for case":     {`{"name":"a","Name":"b"}`, `"Name" is there twice`},
		"twice but for case, s":  {`{"rates":{},"rateſ":{}}`, `is there twice`},
		"unknown":                {`{"nam":"a"}`, `unknown field "nam"`},
		"null":                   {`{"name":null}`, "null says nothing"},
		"after the end":          {`{"name":"a"} {}`, "follows the end"},
		"broken":                 {`{"name":"a"`, "EOF"},
		"empty":                  {``, "EOF"},
		"of another type":        {`{"name":1}`, "cannot unmarshal"},
		"no object":              {`[1]`, "cannot unmarshal"},
		"not UTF-8":              {"{\"name\":\"\xff\"}", "UTF-8"},
		"too long":               {`{"name":"` + strings.Repeat("a", limit) + `"}`, "more than 200 bytes"},
		"too deep":               {`{"inner":` + strings.Repeat("[", 40) + strings.Repeat("]", 40) + `}`, "too deep"},
	}
	for name, c := range cases {
		var got document
		err := datafile.Decode(strings.NewReader(c.file), limit, &got)
		if (err == nil) != (c.problem == "") || (err != nil && !strings.Contains(err.Error(), c.problem)) {
			t.Errorf("%s: %v, want %q", name, err, c.problem)
		}
	}
	broken := errors.New("the disk is gone")
	if err := datafile.Decode(iotest.ErrReader(broken), limit, &document{}); !errors.Is(err, broken) {
		t.Errorf("a reader that fails: %v", err)
	}
}

func TestSentence(t *testing.T) {
	t.Parallel()
	for text, problem := range map[string]string{
		"Say so.":      "",
		"äöü":          "",
		"":             "note: empty",
		" Say so.":     "note: empty, or with spaces",
		"Say\x07 so.":  "note: control characters",
		"\xff":         "note: control characters",
		"Say so again": "note: at most 8 characters",
	} {
		err := datafile.Sentence("note", text, 8)
		if (err == nil) != (problem == "") || (err != nil && !strings.HasPrefix(err.Error(), problem)) {
			t.Errorf("%q: %v, want %q", text, err, problem)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(`{"name":"a","rates":{"x":0.5,"y":1},"inner":[{"name":"b"}]}`))
	f.Add([]byte(`{"name":"a","Name":"b"}`))
	f.Add([]byte(`{"rates":{"x":1,"X":2}}`))
	f.Fuzz(func(t *testing.T, file []byte) {
		var got, plain, again document
		if datafile.Decode(bytes.NewReader(file), limit, &got) != nil {
			return
		}
		if err := json.Unmarshal(file, &plain); err != nil {
			t.Fatalf("the standard decoder refuses what was read: %v", err)
		}
		written, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		if other, err := json.Marshal(plain); err != nil || !bytes.Equal(other, written) {
			t.Fatalf("read %s, the standard decoder %s, %v", written, other, err)
		}
		if err := datafile.Decode(bytes.NewReader(written), 10*limit, &again); err != nil {
			t.Fatalf("%s cannot be read again: %v", written, err)
		}
	})
}
