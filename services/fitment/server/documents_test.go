package server_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/paper/papertest"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/storetest"
)

// atAddress is a fixture whose REST is reached at an address.
func atAddress(t *testing.T, address string) *fixture {
	t.Helper()
	f := start(t)
	return serveOn(t, f.store, f.clock, func(o *server.Options) { o.PublicURL = address })
}

func TestRenderTag(t *testing.T) {
	t.Parallel()
	f := atAddress(t, "https://parts.example.org/")
	name := f.create(t, northYard, plain("K-1")).GetListing().GetName()
	got, err := f.listings.RenderTag(as(t, northYard), &fitmentv1.RenderTagRequest{Name: name, Paper: fitmentv1.Document_LETTER})
	if err != nil {
		t.Fatal(err)
	}
	tag := got.GetDocument()
	if tag.GetContentType() != "application/pdf" || tag.GetFileName() != "tag-north-yard.K-1.pdf" {
		t.Errorf("%s as %s", tag.GetFileName(), tag.GetContentType())
	}
	if info := papertest.Info(t, tag.GetContent()); !strings.Contains(info, "612 x 792 pts") {
		t.Errorf("the paper is not the one asked for: %s", info)
	}
	codesRead := papertest.Codes(t, papertest.Pages(t, "tag", tag.GetContent())[0])
	if want := "https://parts.example.org/v1/listings/north-yard.K-1"; !slices.Equal(codesRead, []string{want}) {
		t.Errorf("the code reads %q, want %s", codesRead, want)
	}
	if text := papertest.Flat(t, tag.GetContent()); !strings.Contains(text, "VIN 1G4AH59H45G******") || strings.Contains(text, "118341") {
		t.Errorf("the VIN is not masked on a tag: %s", text)
	}
	again, err := f.listings.RenderTag(as(t, admin), &fitmentv1.RenderTagRequest{Name: name, Paper: fitmentv1.Document_LETTER})
	if err != nil || !bytes.Equal(again.GetDocument().GetContent(), tag.GetContent()) {
		t.Errorf("an administrator's copy differs, or %v", err)
	}
}

func TestRenderShippingFacts(t *testing.T) {
	t.Parallel()
	f := start(t)
	said := plain("K-1")
	said.Terms = &fitmentv1.Terms{UnNumber: "UN3268", WeightGrams: 26_000}
	name := f.create(t, northYard, said).GetListing().GetName()
	got, err := f.listings.RenderShippingFacts(as(t, northYard), &fitmentv1.RenderShippingFactsRequest{Name: name, Mode: "passenger aircraft"})
	if err != nil {
		t.Fatal(err)
	}
	if file := got.GetDocument().GetFileName(); file != "shipping-north-yard.K-1.pdf" {
		t.Errorf("file %s", file)
	}
	// 25 kg a package at most: 49 CFR 172.101, entry UN3268.
	if text := papertest.Flat(t, got.GetDocument().GetContent()); !strings.Contains(text, "It may not be shipped so.") || strings.Contains(text, "118341") {
		t.Errorf("it says %s", text)
	}
	got, err = f.listings.RenderShippingFacts(as(t, northYard), &fitmentv1.RenderShippingFactsRequest{Name: name, ToRecycler: true})
	if err != nil {
		t.Fatal(err)
	}
	if text := papertest.Flat(t, got.GetDocument().GetContent()); !strings.Contains(text, "travels") || !strings.Contains(text, "right after the basic description") {
		t.Errorf("it says %s", text)
	}
}

func TestWhatRenderingRefuses(t *testing.T) {
	t.Parallel()
	f := start(t)
	name := f.create(t, northYard, plain("K-1")).GetListing().GetName()
	for what, c := range map[string]struct {
		who, name, mode string
		paper           fitmentv1.Document_Paper
		want            codes.Code
		field           string
	}{
		"another business": {who: shopA, name: name, want: codes.PermissionDenied},
		"another yard":     {who: "south-yard yard", name: name, want: codes.PermissionDenied},
		"no name":          {who: northYard, name: "listings/", want: codes.InvalidArgument, field: "name"},
		"no such listing":  {who: northYard, name: "listings/north-yard.K-2", want: codes.NotFound},
		"no such paper":    {who: northYard, name: name, paper: 99, want: codes.InvalidArgument, field: "paper"},
		"no such mode":     {who: northYard, name: name, mode: "air", want: codes.InvalidArgument, field: "mode"},
	} {
		_, err := f.listings.RenderShippingFacts(as(t, c.who), &fitmentv1.RenderShippingFactsRequest{Name: c.name, Mode: c.mode, Paper: c.paper})
		if status.Code(err) != c.want || !strings.Contains(status.Convert(err).Message(), c.field) {
			t.Errorf("%s: %v, want %s and %q named", what, err, c.want, c.field)
		}
		if c.mode != "" {
			continue
		}
		if _, err := f.listings.RenderTag(as(t, c.who), &fitmentv1.RenderTagRequest{Name: c.name, Paper: c.paper}); status.Code(err) != c.want {
			t.Errorf("%s, a tag: %v, want %s", what, err, c.want)
		}
	}
}

func TestAnAddressForTagsIsOne(t *testing.T) {
	t.Parallel()
	clock := storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
	st := embeddedtest.Open(t, t.TempDir(), embedded.Options{Now: clock.Now, NoSync: true})
	shelf, err := files.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{"parts.example.org", "ftp://parts.example.org", "https://", "https://a.example/?q=1", "https://a.example/#x", "https://u:p@a.example", "https://" + strings.Repeat("a", 200), "::"} {
		if _, err := server.New(server.Options{Store: st, Files: shelf, PublicURL: address}); err == nil || !strings.Contains(err.Error(), "address for tags") {
			t.Errorf("%s: %v", address, err)
		}
	}
}
