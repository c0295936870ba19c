package page_test

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/page"
)

func TestSizeFollowsAIP158(t *testing.T) {
	t.Parallel()
	for asked, want := range map[int32]int{0: page.DefaultSize, 1: 1, 1000: 1000, 1001: page.MaxSize, 1 << 30: page.MaxSize} {
		if got, err := page.Size(asked); err != nil || got != want {
			t.Errorf("Size(%d) = %d, %v; want %d", asked, got, err, want)
		}
	}
	if _, err := page.Size(-1); status.Code(err) != codes.InvalidArgument {
		t.Errorf("Size(-1): %v, want INVALID_ARGUMENT", err)
	}
}

func TestTokenBelongsToItsRequestAndCaller(t *testing.T) {
	t.Parallel()
	request := &fitmentv1.ListListingsRequest{Yard: "yard-a"}
	token, err := page.Encode("shop-a", request, "B-17")
	if err != nil {
		t.Fatal(err)
	}
	var cursor string
	next := &fitmentv1.ListListingsRequest{Yard: "yard-a", PageToken: token, PageSize: 7}
	if err := page.Decode("shop-a", next, token, &cursor); err != nil || cursor != "B-17" {
		t.Fatalf("own token: %q, %v", cursor, err)
	}
	refused := map[string]func() error{
		"another yard": func() error {
			return page.Decode("shop-a", &fitmentv1.ListListingsRequest{Yard: "yard-b"}, token, &cursor)
		},
		"another caller": func() error { return page.Decode("shop-b", next, token, &cursor) },
		"another method": func() error { return page.Decode("shop-a", &fitmentv1.ListPartsRequest{}, token, &cursor) },
		"garbage":        func() error { return page.Decode("shop-a", next, "!!", &cursor) },
	}
	for name, decode := range refused {
		if err := decode(); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID {
			t.Errorf("%s: %v, want PAGE_TOKEN_INVALID", name, err)
		}
	}
}

func TestTokenRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.String().Draw(t, "cursor")
		request := &fitmentv1.ListListingsRequest{Yard: rapid.StringMatching(`[a-z0-9-]{0,20}`).Draw(t, "yard")}
		token, err := page.Encode("t", request, []byte(want))
		if err != nil {
			t.Fatal(err)
		}
		var got []byte
		if err := page.Decode("t", request, token, &got); err != nil || string(got) != want {
			t.Fatalf("%q came back as %q, %v", want, got, err)
		}
	})
}
