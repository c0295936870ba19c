package server

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/offers"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// Bounds on the offers that one quote weighs.
const (
	offersARead = 500
	maxMatched  = 500
	maxOthers   = 200
)

// ImportOffers reads a price list into the caller's offers; the operator
// may name another owner.
func (s *Server) ImportOffers(stream grpc.BidiStreamingServer[quotev1.ImportOffersRequest, quotev1.ImportOffersResponse]) error {
	return imports.Serve(stream, s.startOffers,
		func(r *fitmentv1.RowResult) *quotev1.ImportOffersResponse {
			return &quotev1.ImportOffersResponse{Content: &quotev1.ImportOffersResponse_Row{Row: r}}
		},
		func(r *fitmentv1.ImportSummary) *quotev1.ImportOffersResponse {
			return &quotev1.ImportOffersResponse{Content: &quotev1.ImportOffersResponse_Summary{Summary: r}}
		})
}

func (s *Server) startOffers(ctx context.Context, options *fitmentv1.ImportOptions) (imports.Job, error) {
	who, err := caller(ctx)
	if err != nil {
		return imports.Job{}, err
	}
	owner := who.Tenant
	if asked := options.GetOwner(); asked != "" && asked != owner {
		if !who.Has(identity.Operator) {
			return imports.Job{}, apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
				"only the operator imports for another business")
		}
		if !identity.ValidTenant(asked) {
			return imports.Job{}, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
				Field: "options.owner", Problem: fmt.Sprintf("%.60q is no business", asked),
				Expected: "1 to 32 lower-case letters, digits and hyphens",
			})
		}
		if err := s.side.keepsBooks(ctx, asked, "options.owner"); err != nil {
			return imports.Job{}, err
		}
		owner = asked
	}
	return imports.Job{Store: s.store, Target: offers.Target(), Owner: owner}, nil
}

// ListOffers pages through the caller's offers.
func (s *Server) ListOffers(ctx context.Context, request *quotev1.ListOffersRequest) (*quotev1.ListOffersResponse, error) {
	answer, err := list(ctx, s, offers.Kind, request, readOffer)
	if err != nil {
		return nil, err
	}
	return &quotev1.ListOffersResponse{Offers: answer.items, NextPageToken: answer.next, Revision: answer.revision}, nil
}

func readOffer(record store.Record) (*quotev1.Offer, error) {
	offer := &quotev1.Offer{}
	if err := proto.Unmarshal(record.Value, offer); err != nil {
		return nil, fmt.Errorf("read offer %s: %w", record.Key.ID, err)
	}
	offer.Name, offer.Etag = offers.Prefix+record.Key.ID, revision.ETag(record.Version)
	return offer, nil
}

// priceList is what the caller's price lists have for a need: offers of a part
// that the fitment side names for it, and, to say why they are kept out, a bounded
// number of others of its kind.
type priceList struct {
	need            *fitmentv1.Need
	named           func(maker, number string) bool
	offers          []*quotev1.Offer
	matched, others int
	more            bool // there are further offers, none of a part for this need
}

func newPriceList(need *fitmentv1.Need, parts []*fitmentv1.PartMatch) priceList {
	return priceList{need: need, named: quote.Named(parts)}
}

// add takes an offer that has to do with the need.
func (l *priceList) add(offer *quotev1.Offer) error {
	switch {
	case l.named(offer.GetPartMaker(), offer.GetPartNumber()):
		l.matched++
	case offer.GetKind() != l.need.GetKind():
		return nil
	case l.others >= maxOthers:
		l.more = true
		return nil
	default:
		l.others++
	}
	if l.matched > maxMatched {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"your price lists have more than %d offers of parts for this need; one quote weighs no more", maxMatched)
	}
	l.offers = append(l.offers, offer)
	return nil
}

// readPriceLists reads the caller's offers once for all needs.
func (s *Server) readPriceLists(ctx context.Context, tenant string, lists []priceList) error {
	for after := ""; ; {
		records, err := s.store.List(ctx, tenant, offers.Kind, after, offersARead)
		if err != nil {
			return fmt.Errorf("read offers: %w", err)
		}
		for _, record := range records {
			offer, err := readOffer(record)
			if err != nil {
				return err
			}
			after = record.Key.ID
			for i := range lists {
				if err := lists[i].add(offer); err != nil {
					return err
				}
			}
		}
		if len(records) < offersARead {
			return nil
		}
	}
}
