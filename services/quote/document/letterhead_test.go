package document_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/document"
)

func TestReadLetterheads(t *testing.T) {
	t.Parallel()
	got, err := document.ReadLetterheads(strings.NewReader(
		`{"alder-road":{"name":"Alder Road Garage","address":["12 Alder Road","Brindle Falls"],"phone":"555 0100","registration":"R-0042"}}`,
	))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(garage, got.For("alder-road")); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(document.Letterhead{Name: "shop-b"}, got.For("shop-b")); diff != "" {
		t.Errorf("a business without a letterhead: %s", diff)
	}
	for text, want := range map[string]string{
		`{"a":{}}`:                              "a.name",
		`{"a":{"name":"a","fax":"1"}}`:          "fax",
		`{"a":{"name":"a","name":"b"}}`:         "name",
		`{"a":{"name":"a","phone":"\u0007"}}`:   "a.phone",
		`{"a":{"name":"a","address":[""]}}`:     "a.address[0]",
		`{"a":{"name":"a","address":"street"}}`: "address",
		`{"A b":{"name":"a"}}`:                  "no business's id",
		`{"name":"Alder Road Garage"}`:          "",
		`[]`:                                    "",
		`{"a":{"name":"a","address":["1","2","3","4","5","6","7","8","9"]}}`: "a.address",
	} {
		if _, err := document.ReadLetterheads(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s to be named", text, err, want)
		}
	}
}

func FuzzReadLetterheads(f *testing.F) {
	f.Add(`{"alder-road":{"name":"Alder Road Garage","address":["12 Alder Road"]}}`)
	f.Fuzz(func(t *testing.T, text string) {
		heads, err := document.ReadLetterheads(strings.NewReader(text))
		for business, head := range heads {
			if err == nil && (business == "" || head.Name == "" || len(head.Address) > 8) {
				t.Fatalf("accepted %q: %+v", business, head)
			}
		}
	})
}
