// Package listing keeps what a yard says about one pulled part and the life of
// that listing: available, held, sold once, or withdrawn; and, where it failed its
// arrival check, the way back under a new listing. Everything here is
// pure: time, viewer and the stored listing are arguments.
package listing

import (
	"fmt"
	"regexp"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Kind is the store's kind of a listing; the record's tenant is the yard and
// its id the stock number.
const Kind = "listing"

const prefix = "listings/"

var stockShape = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// Name is the resource name of a yard's listing.
func Name(yard, stock string) string { return prefix + yard + "." + stock }

// ParseName splits a resource name into yard and stock number; false where it
// is no name of a listing.
func ParseName(name string) (yard, stock string, ok bool) {
	body, found := strings.CutPrefix(name, prefix)
	yard, stock, dotted := strings.Cut(body, ".")
	if !found || !dotted || !identity.ValidTenant(yard) || !stockShape.MatchString(stock) {
		return "", "", false
	}
	return yard, stock, true
}

// Key is where the yard's listing is stored.
func Key(yard, stock string) store.Key { return store.Key{Tenant: yard, Kind: Kind, ID: stock} }

// Encode turns a listing into its stored form, which has no etag: that is the
// record's version.
func Encode(l *fitmentv1.Listing) ([]byte, error) {
	bare := clone(l)
	bare.Etag = ""
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return nil, fmt.Errorf("encode listing %s: %w", l.GetName(), err)
	}
	return raw, nil
}

// Decode reads a stored listing.
func Decode(value []byte) (*fitmentv1.Listing, error) {
	l := &fitmentv1.Listing{}
	if err := proto.Unmarshal(value, l); err != nil {
		return nil, fmt.Errorf("decode listing: %w", err)
	}
	return l, nil
}

// Content is what the yard says, and what a buyer reported of a part that came back:
// the listing without state, hold, buyer, links to other listings, etag and times.
// The result shares nothing with l.
func Content(l *fitmentv1.Listing) *fitmentv1.Listing {
	c := clone(l)
	c.State, c.Hold, c.Buyer, c.Etag = fitmentv1.Listing_STATE_UNSPECIFIED, nil, "", ""
	c.CreateTime, c.UpdateTime = nil, nil
	c.ReturnOf, c.ReturnedAs = "", ""
	return c
}

// Judged is what decisions go by: Content without the yard's cost note, which no
// decision, nor anything that is kept or computed for others, may depend on.
func Judged(l *fitmentv1.Listing) *fitmentv1.Listing {
	c := Content(l)
	c.CostNote = nil
	return c
}

func clone(l *fitmentv1.Listing) *fitmentv1.Listing {
	if l == nil {
		return &fitmentv1.Listing{}
	}
	return proto.CloneOf(l)
}
