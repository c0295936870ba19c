package server

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
)

// ListJurisdictionPacks lists what is known of the law of a place, with that of the
// places it lies in, or of all places.
func (s *Server) ListJurisdictionPacks(ctx context.Context, req *fitmentv1.ListJurisdictionPacksRequest) (*fitmentv1.ListJurisdictionPacksResponse, error) {
	place := req.GetJurisdiction()
	_, err := s.visitor(ctx, func(fields *check.Fields) {
		if place != "" && !rules.IsPlace(place) {
			fields.Add("jurisdiction", fmt.Sprintf("%q is no jurisdiction", place), `a country or its part by ISO 3166-2, such as "US-WA", or nothing`)
		}
	})
	if err != nil {
		return nil, err
	}
	set := s.policy.Packs
	if set == nil {
		set = jurisdiction.Builtin()
	}
	list := set.All()
	if place != "" {
		if list = about(set, place); len(list) == 0 {
			return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND,
				"the law of %s is not known here; where seller or installer stand there, the provisions of all places count", place)
		}
	}
	answer := &fitmentv1.ListJurisdictionPacksResponse{}
	for _, pack := range list {
		answer.Packs = append(answer.Packs, jurisdiction.Proto(pack))
	}
	return answer, nil
}

// about lists the packs that speak for a place: those that are weighed there, and
// the place's own where that alone does not say what holds.
func about(set *jurisdiction.Set, place string) []*jurisdiction.Pack {
	if weighed := set.For(place, place); weighed.Known {
		return weighed.Packs
	}
	return slices.DeleteFunc(set.All(), func(p *jurisdiction.Pack) bool { return p.Jurisdiction != place })
}
