package document_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/document"
)

func TestReadLetterhead(t *testing.T) {
	t.Parallel()
	got, err := document.ReadLetterhead(strings.NewReader(`{"name":"Alder Road Garage","address":["12 Alder Road","Brindle Falls"],"phone":"555 0100","registration":"R-0042"}`))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(garage, got); diff != "" {
		t.Error(diff)
	}
	for text, want := range map[string]string{
		`{}`:                              "name",
		`{"name":"a","fax":"1"}`:          "fax",
		`{"name":"a","name":"b"}`:         "name",
		`{"name":"a","phone":"\u0007"}`:   "phone",
		`{"name":"a","address":[""]}`:     "address[0]",
		`{"name":"a","address":"street"}`: "address",
		`[]`:                              "",
		`{"name":"a","address":["1","2","3","4","5","6","7","8","9"]}`: "address",
	} {
		if _, err := document.ReadLetterhead(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s to be named", text, err, want)
		}
	}
}

func FuzzReadLetterhead(f *testing.F) {
	f.Add(`{"name":"Alder Road Garage","address":["12 Alder Road"]}`)
	f.Fuzz(func(t *testing.T, text string) {
		head, err := document.ReadLetterhead(strings.NewReader(text))
		if err == nil && (head.Name == "" || len(head.Address) > 8) {
			t.Fatalf("accepted %+v", head)
		}
	})
}
