package tenants_test

import (
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// row is how a method is called with a good request that is about a business's things.
type row struct {
	method string
	make   func(w *world, x *things) []proto.Message
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

func one(make func(w *world, x *things) proto.Message) func(*world, *things) []proto.Message {
	return func(w *world, x *things) []proto.Message { return []proto.Message{make(w, x)} }
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
		{method: "IdentityService/VerifyCredential", make: same(&fitmentv1.VerifyCredentialRequest{}), silent: true},
		{method: "IdentityService/GetBusiness", make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.GetBusinessRequest{Name: "businesses/" + x.business}
		})},
		{method: "IdentityService/ListBusinesses", make: same(&fitmentv1.ListBusinessesRequest{})},
		{method: "IdentityService/ListKeys", make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListKeysRequest{Business: x.business, PageSize: 100}
		})},
		{method: "IdentityService/ListPeople", make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListPeopleRequest{Business: x.business, PageSize: 3}
		})},
		{method: "IdentityService/ListSessions", make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.ListSessionsRequest{Business: x.business} }), silent: true},
		{method: "BackupService/BackUp", make: same(&fitmentv1.BackUpRequest{}), by: byOperator},
		{method: "quote BackupService/BackUp", make: same(&quotev1.BackUpRequest{}), by: byOperator},
	}
}

func catalogueRows() []row {
	options := &fitmentv1.ImportOptions{}
	return []row{
		{method: "CatalogueService/GetPart", make: same(&fitmentv1.GetPartRequest{Name: "parts/korrin.KR4821R"}), silent: true},
		{method: "CatalogueService/ListParts", make: same(&fitmentv1.ListPartsRequest{PageSize: 2}), silent: true},
		{method: "CatalogueService/ListSupersessions", make: same(&fitmentv1.ListSupersessionsRequest{}), silent: true},
		{method: "CatalogueService/ListRecalls", make: same(&fitmentv1.ListRecallsRequest{}), silent: true},
		{method: "CatalogueService/ListVehicleData", make: same(&fitmentv1.ListVehicleDataRequest{}), silent: true},
		{method: "CatalogueService/ImportParts", by: byOperator, silent: true, make: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Options{Options: options}},
				&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: w.demo("parts.csv")}})
		}},
		{method: "CatalogueService/ImportSupersessions", by: byOperator, silent: true, make: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Options{Options: options}},
				&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Chunk{Chunk: w.demo("supersessions.csv")}})
		}},
		{method: "CatalogueService/ImportRecalls", by: byOperator, silent: true, make: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Options{Options: options}},
				&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Chunk{Chunk: w.demo("recalls.csv")}})
		}},
		{method: "CatalogueService/ImportVehicleData", by: byOperator, silent: true, make: func(w *world, _ *things) []proto.Message {
			return file(&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Options{Options: options}},
				&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Chunk{Chunk: w.demo("vehicle-data.csv")}})
		}},
	}
}

// own is the nth of a business's listings.
func own(x *things, n string) string { return "listings/" + x.business + ".L" + n }

func fitmentReads() []row {
	return []row{
		{method: "ListingService/GetListing", make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetListingRequest{Name: own(x, "0")} })},
		{method: "ListingService/ListListings", make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.ListListingsRequest{Yard: x.business, PageSize: 20}
		})},
		{method: "ListingService/RenderTag", silent: true, make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.RenderTagRequest{Name: own(x, "0")} })},
		{method: "ListingService/RenderShippingFacts", silent: true, make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.RenderShippingFactsRequest{Name: own(x, "0"), Mode: "road"}
		})},
		{method: "FitmentService/DecodeVin", silent: true, make: same(&fitmentv1.DecodeVinRequest{Vin: "5ZTSSB4K85A000001"})},
		{method: "FitmentService/AssessFault", silent: true, make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.AssessFaultRequest{Vehicle: need(x.customerVIN).GetVehicle(), Codes: []string{"B0001"}}
		})},
		{method: "FitmentService/Decide", silent: true, make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.DecideRequest{Need: need(""), ListingName: own(x, "0")}
		})},
		{method: "FitmentService/FindDonors", silent: true, make: same(&fitmentv1.FindDonorsRequest{Need: need(""), IncludeUnsuitable: true, PageSize: 100})},
		{method: "FitmentService/FindParts", silent: true, make: same(&fitmentv1.FindPartsRequest{Need: need("")})},
		{method: "FitmentService/GetSavedNeed", make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetSavedNeedRequest{Name: x.need} })},
		{method: "FitmentService/ListSavedNeeds", make: same(&fitmentv1.ListSavedNeedsRequest{PageSize: 1})},
		{method: "FitmentService/WatchDonors", silent: true, make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.WatchDonorsRequest{Name: x.need, IncludeProveFirst: true}
		})},
		{method: "FitmentService/GetKeptDecision", silent: true, make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetKeptDecisionRequest{Name: x.decision} })},
		{method: "FitmentService/ListKeptDecisions", silent: true, make: same(&fitmentv1.ListKeptDecisionsRequest{})},
		{method: "FitmentService/RecomputeDecision", silent: true, make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.RecomputeDecisionRequest{Name: x.decision} })},
		{method: "FitmentService/ListDialects", silent: true, make: same(&fitmentv1.ListDialectsRequest{})},
		{method: "FitmentService/ListJurisdictionPacks", silent: true, make: same(&fitmentv1.ListJurisdictionPacksRequest{})},
		{method: "EvidenceService/GetEvidenceRequest", make: one(func(_ *world, x *things) proto.Message { return &fitmentv1.GetEvidenceRequestRequest{Name: x.asked} })},
		{method: "EvidenceService/ListEvidenceRequests", make: same(&fitmentv1.ListEvidenceRequestsRequest{})},
		{method: "EvidenceService/WatchEvidenceRequests", make: same(&fitmentv1.WatchEvidenceRequestsRequest{})},
		{method: "EvidenceService/DownloadAttachment", make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.DownloadAttachmentRequest{Name: x.attachment}
		})},
	}
}

func quoteReads() []row {
	plan := &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", Fallback: &quotev1.PlanFallback{Price: 40_000, Days: 9}, Offers: []*quotev1.PlanOffer{
		{Id: "a", Price: 10_000, PassProbability: 0.8, Days: 2, Seller: "s"}, {Id: "b", Price: 12_000, PassProbability: 0.9, Days: 3, Seller: "u"},
	}}
	return []row{
		{method: "QuoteService/GetQuote", make: one(func(_ *world, x *things) proto.Message { return &quotev1.GetQuoteRequest{Name: x.quote} })},
		{method: "QuoteService/ListQuotes", make: same(&quotev1.ListQuotesRequest{PageSize: 2})},
		{method: "QuoteService/RenderQuote", make: one(func(_ *world, x *things) proto.Message {
			return &quotev1.RenderQuoteRequest{Name: x.quote, Format: quotev1.RenderQuoteRequest_JSON}
		})},
		{method: "BooksService/ListEntries", make: same(&quotev1.ListEntriesRequest{})},
		{method: "BooksService/SumQuotes", make: same(&quotev1.SumQuotesRequest{})},
		{method: "BooksService/ListCoreDeposits", silent: true, make: same(&quotev1.ListCoreDepositsRequest{})},
		{method: "BooksService/ExportLedger", make: same(&quotev1.ExportLedgerRequest{})},
		{method: "BooksService/RenderCreditNote", silent: true, make: one(func(_ *world, x *things) proto.Message { return &quotev1.RenderCreditNoteRequest{Name: x.entry} })},
		{method: "OfferService/ListOffers", make: same(&quotev1.ListOffersRequest{})},
		{method: "PlanningService/PlanPurchase", silent: true, make: same(plan)},
		{method: "PlanningService/WeighChoices", silent: true, make: same(&quotev1.WeighChoicesRequest{Problem: plan})},
		{method: "PlanningService/SolveBasket", silent: true, make: same(&quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"a"}, Sellers: []*quotev1.BasketSeller{
			{Id: "s", Offers: []*quotev1.BasketOffer{{Part: "a", Price: 100}}},
		}})},
		{method: "PlanningService/JudgeConsignment", silent: true, make: same(&quotev1.JudgeConsignmentRequest{UnNumber: "UN3268", Mode: quotev1.JudgeConsignmentRequest_ROAD, GrossGrams: 700})},
		{method: "PlanningService/ListTaxPacks", silent: true, make: same(&quotev1.ListTaxPacksRequest{})},
		{method: "RepairService/GetRepairOrder", make: one(func(_ *world, x *things) proto.Message { return &quotev1.GetRepairOrderRequest{Name: x.repair} })},
		{method: "RepairService/ListRepairOrders", make: same(&quotev1.ListRepairOrdersRequest{})},
		{method: "RepairService/RenderRepairOrder", silent: true, make: one(func(_ *world, x *things) proto.Message { return &quotev1.RenderRepairOrderRequest{Name: x.repair} })},
		{method: "RepairService/ListOutcomes", make: same(&quotev1.ListOutcomesRequest{})},
	}
}

func fitmentWrites() []row {
	return []row{
		{method: "ListingService/CreateListing", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.CreateListingRequest{RequestId: w.id(), Listing: &fitmentv1.Listing{
				Yard: x.business, StockNumber: "N1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, CurrencyCode: "USD", Price: 100,
				CostNote: &fitmentv1.CostNote{Note: w.canary(x.speaker, "cost")},
			}}
		})},
		{method: "ListingService/UpdateListing", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdateListingRequest{RequestId: w.id(), Etag: x.etags[own(x, "1")], Listing: &fitmentv1.Listing{
				Name: own(x, "1"), Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, CurrencyCode: "USD", Price: 100, CostNote: &fitmentv1.CostNote{Note: w.canary(x.speaker, "cost")},
			}}
		})},
		{method: "ListingService/WithdrawListing", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.WithdrawListingRequest{Name: own(x, "2"), Etag: x.etags[own(x, "2")], RequestId: w.id()}
		})},
		{method: "ListingService/RelistListing", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RelistListingRequest{Name: x.back, Etag: x.etags[x.back], RequestId: w.id()}
		})},
		{method: "ListingService/ImportListings", silent: true, make: func(w *world, x *things) []proto.Message {
			return file(&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: &fitmentv1.ImportOptions{Owner: x.business}}},
				&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Chunk{Chunk: []byte("stock_number,kind,price,currency,cost_note\nN2,clock spring,10.00,USD," + w.canary(x.speaker, "cost") + "\n")}})
		}},
		{method: "ListingService/HoldListing", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.HoldListingRequest{Name: x.held, Fence: x.heldFence, Minutes: 600, RequestId: w.id()}
		})},
		{method: "ListingService/ReleaseListing", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.ReleaseListingRequest{Name: x.held, Fence: x.heldFence + 1, RequestId: w.id()}
		})},
		{method: "ListingService/SellListing", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SellListingRequest{Name: x.sold, Fence: x.soldFence, Need: need(""), RequestId: w.id()}
		})},
		{method: "ListingService/ReturnListing", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.ReturnListingRequest{Name: x.bought, RequestId: w.id(), Report: &fitmentv1.ReturnReport{
				FailedChecks: []string{"The label can be read."}, Note: strings.ToUpper("seen by daylight"),
			}}
		}), silent: true},
		{method: "FitmentService/SaveNeed", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SaveNeedRequest{Need: need(x.customerVIN), Note: w.canary(x.speaker, "note"), RequestId: w.id()}
		})},
		{method: "FitmentService/DeleteSavedNeed", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.DeleteSavedNeedRequest{Name: x.deleted, RequestId: w.id()}
		})},
		{method: "FitmentService/KeepDecision", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.KeepDecisionRequest{Need: need(x.customerVIN), ListingName: own(x, "0"), RequestId: w.id()}
		})},
		{method: "EvidenceService/UploadAttachment", silent: true, make: func(w *world, x *things) []proto.Message {
			return uploading(append(append([]byte{}, picture...), w.canary(x.speaker, "second")...))
		}},
		{method: "EvidenceService/RequestEvidence", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RequestEvidenceRequest{
				Listing: "listings/" + yard + ".L0", Need: need(""), Text: w.canary(x.speaker, "question"),
				Attributes: []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_PART_MAKER}, RequestId: w.id(),
			}
		})},
		{method: "EvidenceService/AnswerEvidenceRequest", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.AnswerEvidenceRequestRequest{Name: x.toAnswer, Answer: w.canary(x.speaker, "answer"), RequestId: w.id(), Evidence: []*fitmentv1.Evidence{
				{Attribute: fitmentv1.Evidence_PULLED_BY, Value: "employee 15", Level: fitmentv1.Evidence_CLAIMED},
			}}
		})},
		{method: "EvidenceService/DeclineEvidenceRequest", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.DeclineEvidenceRequestRequest{Name: x.toDecline, Answer: w.canary(x.speaker, "answer"), RequestId: w.id()}
		})},
		{method: "EvidenceService/WithdrawEvidenceRequest", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.WithdrawEvidenceRequestRequest{Name: x.withdrawn, RequestId: w.id()}
		})},
	}
}

func quoteWrites() []row {
	return []row{
		{method: "OfferService/ImportOffers", silent: true, make: func(w *world, x *things) []proto.Message {
			return offers(w.canary(x.speaker, "supplier"), w.canary(x.speaker, "item2"))
		}},
		{method: "QuoteService/PrepareQuote", make: one(func(w *world, x *things) proto.Message { return w.preparing(x, true) })},
		{method: "QuoteService/IssueQuote", make: one(func(w *world, x *things) proto.Message {
			return &quotev1.IssueQuoteRequest{Name: x.draft, RequestId: w.id()}
		})},
		{method: "QuoteService/ReviseQuote", make: one(func(w *world, x *things) proto.Message {
			again := w.preparing(x, false)
			again.RequestId = ""
			return &quotev1.ReviseQuoteRequest{Name: x.revised, Prepare: again, RequestId: w.id()}
		})},
		{method: "QuoteService/AcceptQuote", make: one(func(w *world, x *things) proto.Message { return w.accepting(x.accepted) })},
		{method: "QuoteService/DeclineQuote", make: one(func(w *world, x *things) proto.Message {
			return &quotev1.DeclineQuoteRequest{Name: x.declined, Reason: w.canary(x.speaker, "reason"), RequestId: w.id()}
		})},
		{method: "BooksService/RecordEntry", make: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordEntryRequest{RequestId: w.id(), Entry: &quotev1.Entry{
				Kind: quotev1.Entry_RECEIVED, Quote: x.accepted, Amount: 50, CurrencyCode: "USD", Day: day, Note: w.canary(x.speaker, "entry"),
			}}
		})},
		{method: "RepairService/RecordOutcome", make: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordOutcomeRequest{RequestId: w.id(), Outcome: &quotev1.Outcome{
				Source: "listings/" + yard + ".past-2", Seller: yard, Condition: quotev1.Offer_USED, Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
				Result: quotev1.Outcome_PASSED, Note: w.canary(x.speaker, "outcome"),
			}}
		})},
		{method: "RepairService/CreateRepairOrder", make: one(func(w *world, x *things) proto.Message { return w.opening(x) })},
		{method: "RepairService/RecordRepairStep", make: one(func(w *world, x *things) proto.Message {
			return &quotev1.RecordRepairStepRequest{Name: x.repair, Etag: x.repairEtag, RequestId: w.id(), Step: &quotev1.RepairStep{
				By: "Kim", Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{
					Read:  &fitmentv1.AssessFaultRequest{Codes: []string{"B0001"}},
					Needs: []*fitmentv1.Need{need(x.customerVIN)}, Reason: w.canary(x.speaker, "diagnosis"),
				}},
			}}
		})},
	}
}

func identityWrites() []row {
	return []row{
		{method: "IdentityService/CreateBusiness", by: byOperator, silent: true, make: one(func(w *world, _ *things) proto.Message {
			return &fitmentv1.CreateBusinessRequest{Business: &fitmentv1.Business{Id: "dogwood", DisplayName: "D", Roles: []string{"shop"}}, RequestId: w.id()}
		})},
		{method: "IdentityService/UpdateBusiness", by: byOperator, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdateBusinessRequest{Etag: w.etagOf(x.business), RequestId: w.id(), Business: &fitmentv1.Business{
				Name: "businesses/" + x.business, DisplayName: w.canary(x.speaker, "renamed"), Roles: []string{"yard", "shop", "books", "admin"},
			}}
		})},
		{method: "IdentityService/CreateKey", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Business: x.business, Label: w.canary(x.speaker, "third"), Roles: []string{"shop"}}, RequestId: w.id()}
		})},
		{method: "IdentityService/RevokeKey", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.RevokeKeyRequest{Name: x.key, RequestId: w.id()}
		})},
		{method: "IdentityService/CreatePerson", make: one(func(w *world, x *things) proto.Message {
			added := w.adding(x, "newcomer")
			added.Person.Business = x.business
			return added
		})},
		{method: "IdentityService/UpdatePerson", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.UpdatePersonRequest{Etag: x.personEtag, RequestId: w.id(), Person: &fitmentv1.Person{
				Name: x.person, DisplayName: w.canary(x.speaker, "renamed"), Roles: []string{"shop"},
			}}
		})},
		{method: "IdentityService/SetPassword", make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.SetPasswordRequest{Name: x.person, Password: secret + " more", RequestId: w.id()}
		})},
		{method: "IdentityService/EndSession", silent: true, make: one(func(w *world, x *things) proto.Message {
			return &fitmentv1.EndSessionRequest{Name: x.session, RequestId: w.id()}
		})},
		{method: "IdentityService/SignIn", by: byAnybody, silent: true, make: one(func(_ *world, x *things) proto.Message {
			return &fitmentv1.SignInRequest{Login: "sam@" + x.business, Password: secret}
		})},
		{method: "IdentityService/SignInWithToken", by: byAnybody, silent: true, make: same(&fitmentv1.SignInWithTokenRequest{IdToken: "a.b.c", Nonce: "n"})},
		{method: "IdentityService/ChangePassword", by: byPerson, silent: true, make: one(func(w *world, _ *things) proto.Message {
			return &fitmentv1.ChangePasswordRequest{OldPassword: secret, NewPassword: secret + " again", RequestId: w.id()}
		})},
		{method: "IdentityService/SignOut", by: byPerson, silent: true, make: same(&fitmentv1.SignOutRequest{})},
	}
}
