package page_test

import (
	"encoding/base64"
	"encoding/json"
	"reflect"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/page"
)

// FuzzDecode reads arbitrary tokens, and then the same bytes as a cursor in a
// token of our own: a token that is not of this request is refused with one
// reason, one that is comes back as it was made.
func FuzzDecode(f *testing.F) {
	request := &fitmentv1.ListListingsRequest{Yard: "hill-yard"}
	own, err := page.Encode("shop-a", request, map[string]any{"after": "B-17"})
	if err != nil {
		f.Fatal(err)
	}
	f.Add("shop-a", own)
	f.Add("shop-b", own)
	f.Add("shop-a", own+"\n")
	f.Add("", "e30")
	f.Add("shop-a", base64.RawURLEncoding.EncodeToString([]byte(`{"r":null,"c":[1,2]}`)))
	f.Fuzz(func(t *testing.T, tenant, token string) {
		var cursor map[string]any
		err := page.Decode(tenant, request, token, &cursor)
		switch {
		case token == "":
			if err != nil || cursor != nil {
				t.Fatalf("no token: %v, %v", cursor, err)
			}
		case err != nil:
			if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID {
				t.Fatalf("%q: %v", token, err)
			}
		default:
			// Taken: so it is refused to anybody else, and for another yard.
			if page.Decode(tenant+"x", request, token, &cursor) == nil || page.Decode(tenant, &fitmentv1.ListListingsRequest{Yard: "dale-yard"}, token, &cursor) == nil {
				t.Fatalf("%q is taken from another caller, or for another request", token)
			}
		}
		made, err := page.Encode(tenant, request, token)
		if err != nil {
			t.Fatal(err)
		}
		var back, want any
		raw, err := json.Marshal(token) // which replaces what is not UTF-8
		if err != nil || json.Unmarshal(raw, &want) != nil {
			t.Fatal(err)
		}
		if err := page.Decode(tenant, request, made, &back); err != nil || !reflect.DeepEqual(back, want) {
			t.Fatalf("%q came back as %q, %v", want, back, err)
		}
	})
}
