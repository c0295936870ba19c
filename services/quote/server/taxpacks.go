package server

import (
	"context"
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/tax"
)

// ListTaxPacks lists what is known of places' tax on repairs, and at the end what
// counts where the place is not known; of one place only what counts there.
func (s *Server) ListTaxPacks(ctx context.Context, request *quotev1.ListTaxPacksRequest) (*quotev1.ListTaxPacksResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	place := request.GetPlace()
	if place != "" && !placeForm.MatchString(place) {
		var fields check.Fields
		fields.Add("place", fmt.Sprintf("%.20q is no place", place), "a code of ISO 3166, such as US-CA, or nothing for all")
		return nil, fields.Err()
	}
	if place != "" {
		pack, known := s.packs.For(place)
		return &quotev1.ListTaxPacksResponse{Packs: []*quotev1.TaxPack{packProto(pack, known)}}, nil
	}
	answer := &quotev1.ListTaxPacksResponse{}
	for _, pack := range s.packs.All() {
		answer.Packs = append(answer.Packs, packProto(pack, true))
	}
	answer.Packs = append(answer.Packs, packProto(tax.Default(""), false))
	return answer, nil
}

// packProto puts a pack into the form of the wire contract; one of a place that is
// not known has no place.
func packProto(pack tax.Pack, known bool) *quotev1.TaxPack {
	made := &quotev1.TaxPack{Version: pack.Version}
	if known {
		made.Place = pack.Place
	}
	for _, statement := range pack.Statements() {
		made.Rules = append(made.Rules, &quotev1.SourcedText{Text: statement.Text, Source: statement.Source})
	}
	return made
}
