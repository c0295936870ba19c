package tenants_test

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// row is how a method is called with a good request that is about a business's things.
type row struct {
	method string
	ask    func(w *world, x *things) []proto.Message
	// by is who calls it for the business itself: nobody in particular is its key for
	// all desks.
	by caller
	// silent tells that its answer to the business itself shows nothing of it: a list
	// for everybody, a sum, or something drawn.
	silent bool
}

type caller int

const (
	byKey caller = iota
	byOperator
	byPerson
	byAnybody
)

func one(ask func(w *world, x *things) proto.Message) func(*world, *things) []proto.Message {
	return func(w *world, x *things) []proto.Message { return []proto.Message{ask(w, x)} }
}

func same(m proto.Message) func(*world, *things) []proto.Message {
	return func(*world, *things) []proto.Message { return []proto.Message{proto.Clone(m)} }
}

// rows are all methods, in an order in which a business can call them one after the
// other: reads first, what ends something last.
func rows() []row {
	var all []row
	for _, some := range [][]row{identityReads(), catalogueRows(), fitmentReads(), quoteReads(), fitmentWrites(), quoteWrites(), identityWrites()} {
		all = append(all, some...)
	}
	return all
}

func identityReads() []row {
	return []row{
		{method: "IdentityService/VerifyCredential", ask: same(&fitmentv1.VerifyCredentialRequest{}), silent: true},
		{method: "IdentityService/GetBusiness", ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.GetBusinessRequest{Name: "businesses/" + x.business}
		})},
		{method: "IdentityService/ListBusinesses", ask: same(&fitmentv1.ListBusinessesRequest{})},
		{method: "IdentityService/ListKeys", ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListKeysRequest{Business: x.business, PageSize: 100}
		})},
		{method: "IdentityService/ListPeople", ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListPeopleRequest{Business: x.business, PageSize: 3}
		})},
		{method: "IdentityService/ListSessions", ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.ListSessionsRequest{Business: x.business} }), silent: true},
		{method: "BackupService/BackUp", ask: same(&fitmentv1.BackUpRequest{}), by: byOperator},
		{method: "quote BackupService/BackUp", ask: same(&quotev1.BackUpRequest{}), by: byOperator},
	}
}

func catalogueRows() []row {
	options := &fitmentv1.ImportOptions{}
	return []row{
		{method: "CatalogueService/GetPart", ask: same(&fitmentv1.GetPartRequest{Name: "parts/korrin.KR4821R"}), silent: true},
		{method: "CatalogueService/ListParts", ask: same(&fitmentv1.ListPartsRequest{PageSize: 2}), silent: true},
		{method: "CatalogueService/ListSupersessions", ask: same(&fitmentv1.ListSupersessionsRequest{}), silent: true},
		{method: "CatalogueService/ListRecalls", ask: same(&fitmentv1.ListRecallsRequest{}), silent: true},
		{method: "CatalogueService/ListVehicleData", ask: same(&fitmentv1.ListVehicleDataRequest{}), silent: true},
		{method: "CatalogueService/ImportParts", by: byOperator, silent: true, ask: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Options{Options: options}},
				&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: w.demo("parts.csv")}})
		}},
		{method: "CatalogueService/ImportSupersessions", by: byOperator, silent: true, ask: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Options{Options: options}},
				&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Chunk{Chunk: w.demo("supersessions.csv")}})
		}},
		{method: "CatalogueService/ImportRecalls", by: byOperator, silent: true, ask: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Options{Options: options}},
				&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Chunk{Chunk: w.demo("recalls.csv")}})
		}},
		{method: "CatalogueService/ImportVehicleData", by: byOperator, silent: true, ask: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Options{Options: options}},
				&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Chunk{Chunk: w.demo("vehicle-data.csv")}})
		}},
	}
}

// own is the nth of a business's listings.
func own(x *things, n string) string { return "listings/" + x.business + ".L" + n }

func fitmentReads() []row {
	return []row{
		{method: "ListingService/GetListing", ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetListingRequest{Name: own(x, "0")} })},
		{method: "ListingService/ListListings", ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListListingsRequest{Yard: x.business, PageSize: 20}
		})},
		{method: "ListingService/RenderTag", silent: true, ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.RenderTagRequest{Name: own(x, "0")} })},
		{method: "ListingService/RenderShippingFacts", silent: true, ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.RenderShippingFactsRequest{Name: own(x, "0"), Mode: "road"}
		})},
		{method: "FitmentService/DecodeVin", silent: true, ask: same(&fitmentv1.DecodeVinRequest{Vin: "5ZTSSB4K85A000001"})},
		{method: "FitmentService/AssessFault", silent: true, ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.AssessFaultRequest{Vehicle: need(x.customerVIN).GetVehicle(), Codes: []string{"B0001"}}
		})},
		{method: "FitmentService/Decide", silent: true, ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.DecideRequest{Need: need(""), ListingName: own(x, "0")}
		})},
		{method: "FitmentService/FindDonors", silent: true, ask: same(&fitmentv1.FindDonorsRequest{Need: need(""), IncludeUnsuitable: true, PageSize: 100})},
		{method: "FitmentService/FindParts", silent: true, ask: same(&fitmentv1.FindPartsRequest{Need: need("")})},
		{method: "FitmentService/GetSavedNeed", ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetSavedNeedRequest{Name: x.need} })},
		{method: "FitmentService/ListSavedNeeds", ask: same(&fitmentv1.ListSavedNeedsRequest{PageSize: 1})},
		{method: "FitmentService/WatchDonors", silent: true, ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.WatchDonorsRequest{Name: x.need, IncludeProveFirst: true}
		})},
		{method: "FitmentService/GetKeptDecision", silent: true, ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetKeptDecisionRequest{Name: x.decision} })},
		{method: "FitmentService/ListKeptDecisions", silent: true, ask: same(&fitmentv1.ListKeptDecisionsRequest{})},
		{method: "FitmentService/RecomputeDecision", silent: true, ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.RecomputeDecisionRequest{Name: x.decision} })},
		{method: "FitmentService/ListDialects", silent: true, ask: same(&fitmentv1.ListDialectsRequest{})},
		{method: "FitmentService/ListJurisdictionPacks", silent: true, ask: same(&fitmentv1.ListJurisdictionPacksRequest{})},
		{method: "EvidenceService/GetEvidenceRequest", ask: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetEvidenceRequestRequest{Name: x.asked} })},
		{method: "EvidenceService/ListEvidenceRequests", ask: same(&fitmentv1.ListEvidenceRequestsRequest{})},
		{method: "EvidenceService/WatchEvidenceRequests", ask: same(&fitmentv1.WatchEvidenceRequestsRequest{})},
		{method: "EvidenceService/DownloadAttachment", ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.DownloadAttachmentRequest{Name: x.attachment}
		})},
	}
}

func quoteReads() []row {
	plan := &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", Fallback: &quotev1.PlanFallback{Price: 40_000, Days: 9}, Offers: []*quotev1.PlanOffer{
		{Id: "a", Price: 10_000, PassProbability: 0.8, Days: 2, Seller: "s"}, {Id: "b", Price: 12_000, PassProbability: 0.9, Days: 3, Seller: "u"},
	}}
	return []row{
		{method: "QuoteService/GetQuote", ask: one(func(_ *world, x *things) proto.Message { return &quotev1.GetQuoteRequest{Name: x.quote} })},
		{method: "QuoteService/ListQuotes", ask: same(&quotev1.ListQuotesRequest{PageSize: 2})},
		{method: "QuoteService/RenderQuote", ask: one(func(_ *world, x *things) proto.Message {
			return &quotev1.RenderQuoteRequest{Name: x.quote, Format: quotev1.RenderQuoteRequest_JSON}
		})},
		{method: "BooksService/ListEntries", ask: same(&quotev1.ListEntriesRequest{})},
		{method: "BooksService/SumQuotes", ask: same(&quotev1.SumQuotesRequest{})},
		{method: "BooksService/ListCoreDeposits", silent: true, ask: same(&quotev1.ListCoreDepositsRequest{})},
		{method: "BooksService/ExportLedger", ask: same(&quotev1.ExportLedgerRequest{})},
		{method: "BooksService/RenderCreditNote", silent: true, ask: one(func(_ *world, x *things) proto.Message { return &quotev1.RenderCreditNoteRequest{Name: x.entry} })},
		{method: "OfferService/ListOffers", ask: same(&quotev1.ListOffersRequest{})},
		{method: "PlanningService/PlanPurchase", silent: true, ask: same(plan)},
		{method: "PlanningService/WeighChoices", silent: true, ask: same(&quotev1.WeighChoicesRequest{Problem: plan})},
		{method: "PlanningService/SolveBasket", silent: true, ask: same(&quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"a"}, Sellers: []*quotev1.BasketSeller{
			{Id: "s", Offers: []*quotev1.BasketOffer{{Part: "a", Price: 100}}},
		}})},
		{method: "PlanningService/JudgeConsignment", silent: true, ask: same(&quotev1.JudgeConsignmentRequest{UnNumber: "UN3268", Mode: quotev1.JudgeConsignmentRequest_ROAD, GrossGrams: 700})},
		{method: "PlanningService/ListTaxPacks", silent: true, ask: same(&quotev1.ListTaxPacksRequest{})},
		{method: "RepairService/GetRepairOrder", ask: one(func(_ *world, x *things) proto.Message { return &quotev1.GetRepairOrderRequest{Name: x.repair} })},
		{method: "RepairService/ListRepairOrders", ask: same(&quotev1.ListRepairOrdersRequest{})},
		{method: "RepairService/RenderRepairOrder", silent: true, ask: one(func(_ *world, x *things) proto.Message { return &quotev1.RenderRepairOrderRequest{Name: x.repair} })},
		{method: "RepairService/ListOutcomes", ask: same(&quotev1.ListOutcomesRequest{})},
	}
}

func fitmentWrites() []row {
	return []row{
		{method: "ListingService/CreateListing", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.CreateListingRequest{RequestId: w.id(), Listing: &fitmentv1.Listing{
				Yard: x.business, StockNumber: "N1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, CurrencyCode: "USD", Price: 100,
				CostNote: &fitmentv1.CostNote{Note: canary(x.speaker, "cost")},
			}}
		})},
		{method: "ListingService/UpdateListing", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdateListingRequest{RequestId: w.id(), Etag: x.etags[own(x, "1")], Listing: &fitmentv1.Listing{
				Name: own(x, "1"), Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, CurrencyCode: "USD", Price: 100, CostNote: &fitmentv1.CostNote{Note: canary(x.speaker, "cost")},
			}}
		})},
		{method: "ListingService/WithdrawListing", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.WithdrawListingRequest{Name: own(x, "2"), Etag: x.etags[own(x, "2")], RequestId: w.id()}
		})},
		{method: "ListingService/RelistListing", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RelistListingRequest{Name: x.back, Etag: x.etags[x.back], RequestId: w.id()}
		})},
		{method: "ListingService/ImportListings", silent: true, ask: func(_ *world, x *things) []proto.Message {
			return file(&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: &fitmentv1.ImportOptions{Owner: x.business}}},
				&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Chunk{Chunk: []byte("stock_number,kind,price,currency,cost_note\nN2,clock spring,10.00,USD," + canary(x.speaker, "cost") + "\n")}})
		}},
		{method: "ListingService/HoldListing", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.HoldListingRequest{Name: x.held, Fence: x.heldFence, Minutes: 600, RequestId: w.id()}
		})},
		{method: "ListingService/ReleaseListing", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.ReleaseListingRequest{Name: x.held, Fence: x.heldFence + 1, RequestId: w.id()}
		})},
		{method: "ListingService/SellListing", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SellListingRequest{Name: x.sold, Fence: x.soldFence, Need: need(""), RequestId: w.id()}
		})},
		{method: "ListingService/ReturnListing", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.ReturnListingRequest{Name: x.bought, RequestId: w.id(), Report: &fitmentv1.ReturnReport{
				FailedChecks: []string{"The label can be read."}, Note: strings.ToUpper("seen by daylight"),
			}}
		}), silent: true},
		{method: "FitmentService/SaveNeed", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SaveNeedRequest{Need: need(x.customerVIN), Note: canary(x.speaker, "note"), RequestId: w.id()}
		})},
		{method: "FitmentService/DeleteSavedNeed", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.DeleteSavedNeedRequest{Name: x.deleted, RequestId: w.id()}
		})},
		{method: "FitmentService/KeepDecision", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.KeepDecisionRequest{Need: need(x.customerVIN), ListingName: own(x, "0"), RequestId: w.id()}
		})},
		{method: "EvidenceService/UploadAttachment", silent: true, ask: func(_ *world, x *things) []proto.Message {
			return uploading(append(append([]byte{}, picture...), canary(x.speaker, "second")...))
		}},
		{method: "EvidenceService/RequestEvidence", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RequestEvidenceRequest{
				Listing: "listings/" + yard + ".L0", Need: need(""), Text: canary(x.speaker, "question"),
				Attributes: []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_PART_MAKER}, RequestId: w.id(),
			}
		})},
		{method: "EvidenceService/AnswerEvidenceRequest", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.AnswerEvidenceRequestRequest{Name: x.toAnswer, Answer: canary(x.speaker, "answer"), RequestId: w.id(), Evidence: []*fitmentv1.Evidence{
				{Attribute: fitmentv1.Evidence_PULLED_BY, Value: "employee 15", Level: fitmentv1.Evidence_CLAIMED},
			}}
		})},
		{method: "EvidenceService/DeclineEvidenceRequest", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.DeclineEvidenceRequestRequest{Name: x.toDecline, Answer: canary(x.speaker, "answer"), RequestId: w.id()}
		})},
		{method: "EvidenceService/WithdrawEvidenceRequest", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.WithdrawEvidenceRequestRequest{Name: x.withdrawn, RequestId: w.id()}
		})},
	}
}

func quoteWrites() []row {
	return []row{
		{method: "OfferService/ImportOffers", silent: true, ask: func(_ *world, x *things) []proto.Message {
			return offers(canary(x.speaker, "supplier"), canary(x.speaker, "item2"))
		}},
		{method: "QuoteService/PrepareQuote", ask: one(func(w *world, x *things) proto.Message { return w.preparing(x, true) })},
		{method: "QuoteService/IssueQuote", ask: one(func(w *world, x *things) proto.Message {
			return &quotev1.IssueQuoteRequest{Name: x.draft, RequestId: w.id()}
		})},
		{method: "QuoteService/ReviseQuote", ask: one(func(w *world, x *things) proto.Message {
			again := w.preparing(x, false)
			again.RequestId = ""
			return &quotev1.ReviseQuoteRequest{Name: x.revised, Prepare: again, RequestId: w.id()}
		})},
		{method: "QuoteService/AcceptQuote", ask: one(func(w *world, x *things) proto.Message { return w.accepting(x.accepted) })},
		{method: "QuoteService/DeclineQuote", ask: one(func(w *world, x *things) proto.Message {
			return &quotev1.DeclineQuoteRequest{Name: x.declined, Reason: canary(x.speaker, "reason"), RequestId: w.id()}
		})},
		{method: "BooksService/RecordEntry", ask: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordEntryRequest{RequestId: w.id(), Entry: &quotev1.Entry{
				Kind: quotev1.Entry_RECEIVED, Quote: x.accepted, Amount: 50, CurrencyCode: "USD", Day: day, Note: canary(x.speaker, "entry"),
			}}
		})},
		{method: "RepairService/RecordOutcome", ask: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordOutcomeRequest{RequestId: w.id(), Outcome: &quotev1.Outcome{
				Source: "listings/" + yard + ".past-2", Seller: yard, Condition: quotev1.Offer_USED, Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
				Result: quotev1.Outcome_PASSED, Note: canary(x.speaker, "outcome"),
			}}
		})},
		{method: "RepairService/CreateRepairOrder", ask: one(func(w *world, x *things) proto.Message { return w.opening(x) })},
		{method: "RepairService/RecordRepairStep", ask: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordRepairStepRequest{Name: x.repair, Etag: x.repairEtag, RequestId: w.id(), Step: &quotev1.RepairStep{
				By: "Kim", Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{
					Read:  &fitmentv1.AssessFaultRequest{Codes: []string{"B0001"}},
					Needs: []*fitmentv1.Need{need(x.customerVIN)}, Reason: canary(x.speaker, "diagnosis"),
				}},
			}}
		})},
	}
}

func identityWrites() []row {
	return []row{
		{method: "IdentityService/CreateBusiness", by: byOperator, silent: true, ask: one(func(w *world, _ *things) proto.Message {
			return &fitmentv1.CreateBusinessRequest{Business: &fitmentv1.Business{Id: fmt.Sprint("dogwood-", w.ids), DisplayName: "D", Roles: []string{"shop"}}, RequestId: w.id()}
		})},
		{method: "IdentityService/UpdateBusiness", by: byOperator, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdateBusinessRequest{Etag: w.etagOf(x.business), RequestId: w.id(), Business: &fitmentv1.Business{
				Name: "businesses/" + x.business, DisplayName: canary(x.speaker, "renamed"), Roles: []string{"yard", "shop", "books", "admin"},
			}}
		})},
		{method: "IdentityService/CreateKey", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Business: x.business, Label: canary(x.speaker, "third"), Roles: []string{"shop"}}, RequestId: w.id()}
		})},
		{method: "IdentityService/RevokeKey", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RevokeKeyRequest{Name: x.key, RequestId: w.id()}
		})},
		{method: "IdentityService/CreatePerson", ask: one(func(w *world, x *things) proto.Message {
			added := w.adding(x, "newcomer")
			added.Person.Business = x.business
			return added
		})},
		{method: "IdentityService/UpdatePerson", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdatePersonRequest{Etag: x.personEtag, RequestId: w.id(), Person: &fitmentv1.Person{
				Name: x.person, DisplayName: canary(x.speaker, "renamed"), Roles: []string{"shop"},
			}}
		})},
		{method: "IdentityService/SetPassword", ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SetPasswordRequest{Name: x.person, Password: secret + " more", RequestId: w.id()}
		})},
		{method: "IdentityService/EndSession", silent: true, ask: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.EndSessionRequest{Name: x.session, RequestId: w.id()}
		})},
		{method: "IdentityService/SignIn", by: byAnybody, silent: true, ask: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.SignInRequest{Login: "sam@" + x.business, Password: secret}
		})},
		{method: "IdentityService/SignInWithToken", by: byAnybody, silent: true, ask: same(&fitmentv1.SignInWithTokenRequest{IdToken: "a.b.c", Nonce: "n"})},
		{method: "IdentityService/ChangePassword", by: byPerson, silent: true, ask: one(func(w *world, _ *things) proto.Message {
			return &fitmentv1.ChangePasswordRequest{OldPassword: secret, NewPassword: secret + " again", RequestId: w.id()}
		})},
		{method: "IdentityService/SignOut", by: byPerson, silent: true, ask: same(&fitmentv1.SignOutRequest{})},
	}
}
