package policy

import (
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionold "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
)

// public are the methods that need no credential: how a server is, and the ways in.
var public = []string{
	healthpb.Health_Check_FullMethodName,
	healthpb.Health_List_FullMethodName,
	healthpb.Health_Watch_FullMethodName,
	fitmentv1.IdentityService_SignIn_FullMethodName,
	fitmentv1.IdentityService_SignInWithToken_FullMethodName,
}

// group is a rule and the methods of a service that it is for.
type group struct {
	service string
	rule    Rule
	methods []string
}

const (
	fitmentSide = "beltwright.fitment.v1."
	quoteSide   = "beltwright.quote.v1."
)

// desks is the rule of some desks. The operator may do whatever any desk may: it
// answers for the deployment.
func desks(roles ...identity.Role) Rule {
	return Rule{Roles: append(roles, identity.Operator)}
}

// Default returns the table of all services of this project.
//
// What the quote side asks of the fitment side, it asks with its caller's
// credential; so what a desk may do there it must be allowed here.
func Default() Table {
	table := Table{}
	for _, method := range public {
		table[method] = Rule{Public: true}
	}
	for _, groups := range [][]group{plumbing(), identities(), catalogue(), parts(), fitment(), evidence(), quotes(), planning(), repairs()} {
		for _, g := range groups {
			for _, method := range g.methods {
				table["/"+g.service+"/"+method] = g.rule
			}
		}
	}
	return table
}

func plumbing() []group {
	signedIn := Rule{SignedIn: true}
	return []group{
		{reflectionpb.ServerReflection_ServiceDesc.ServiceName, signedIn, []string{"ServerReflectionInfo"}},
		{reflectionold.ServerReflection_ServiceDesc.ServiceName, signedIn, []string{"ServerReflectionInfo"}},
		// Backups hold everybody's records.
		{fitmentSide + "BackupService", desks(), []string{"BackUp"}},
		{quoteSide + "BackupService", desks(), []string{"BackUp"}},
	}
}

// identities: everybody sees the own business; its administrators keep its keys,
// people and sessions; the operator keeps businesses.
func identities() []group {
	const service = fitmentSide + "IdentityService"
	return []group{
		{service, Rule{SignedIn: true}, []string{"VerifyCredential", "SignOut", "ChangePassword", "GetBusiness"}},
		{service, desks(identity.Admin), []string{
			"ListBusinesses", "CreateKey", "ListKeys", "RevokeKey",
			"CreatePerson", "ListPeople", "UpdatePerson", "SetPassword", "ListSessions", "EndSession",
		}},
		{service, desks(), []string{"CreateBusiness", "UpdateBusiness"}},
	}
}

// catalogue: all decisions stand on it, so everybody reads it and only the operator
// changes it.
func catalogue() []group {
	const service = fitmentSide + "CatalogueService"
	return []group{
		{service, Rule{SignedIn: true}, []string{"GetPart", "ListParts", "ListSupersessions", "ListRecalls", "ListVehicleData"}},
		{service, desks(), []string{"ImportVehicleData", "ImportParts", "ImportSupersessions", "ImportRecalls"}},
	}
}

// parts: a yard writes its listings, whoever buys holds and returns them.
func parts() []group {
	const service = fitmentSide + "ListingService"
	return []group{
		{service, Rule{SignedIn: true}, []string{"GetListing", "ListListings"}},
		{service, desks(identity.Yard), []string{
			"CreateListing", "UpdateListing", "WithdrawListing", "RelistListing", "RenderTag", "RenderShippingFacts", "ImportListings",
		}},
		{service, desks(identity.Shop, identity.Books), []string{"HoldListing", "ReleaseListing", "SellListing", "ReturnListing"}},
	}
}

// fitment: anybody may ask what a part fits; searching, and keeping what was found,
// is for those who buy.
func fitment() []group {
	const service = fitmentSide + "FitmentService"
	return []group{
		{service, Rule{SignedIn: true}, []string{"DecodeVin", "Decide", "ListDialects", "ListJurisdictionPacks"}},
		{service, desks(identity.Shop, identity.Books), []string{
			"AssessFault", "FindDonors", "FindParts", "WatchDonors",
			"SaveNeed", "GetSavedNeed", "ListSavedNeeds", "DeleteSavedNeed",
			"KeepDecision", "GetKeptDecision", "ListKeptDecisions", "RecomputeDecision",
		}},
	}
}

// evidence: shops ask, yards answer, and both sides photograph parts.
func evidence() []group {
	const service = fitmentSide + "EvidenceService"
	return []group{
		{service, desks(identity.Yard), []string{"AnswerEvidenceRequest", "DeclineEvidenceRequest"}},
		{service, desks(identity.Shop), []string{"RequestEvidence", "WithdrawEvidenceRequest"}},
		{service, desks(identity.Yard, identity.Shop), []string{"UploadAttachment"}},
		{service, desks(identity.Yard, identity.Shop, identity.Books), []string{
			"DownloadAttachment", "GetEvidenceRequest", "ListEvidenceRequests", "WatchEvidenceRequests",
		}},
	}
}

// quotes: the books write them and the shop reads them, since it works by them.
func quotes() []group {
	return []group{
		{quoteSide + "QuoteService", desks(identity.Shop, identity.Books), []string{"GetQuote", "ListQuotes", "RenderQuote"}},
		{quoteSide + "QuoteService", desks(identity.Books), []string{"PrepareQuote", "IssueQuote", "ReviseQuote", "AcceptQuote", "DeclineQuote"}},
		{quoteSide + "BooksService", desks(identity.Books), []string{
			"RecordEntry", "ListEntries", "SumQuotes", "ListCoreDeposits", "ExportLedger", "RenderCreditNote",
		}},
		{quoteSide + "OfferService", desks(identity.Books), []string{"ImportOffers"}},
		{quoteSide + "OfferService", desks(identity.Shop, identity.Books), []string{"ListOffers"}},
	}
}

// planning computes with what the caller states; only what is believed of a seller
// comes from records, the caller's own.
func planning() []group {
	return []group{{quoteSide + "PlanningService", Rule{SignedIn: true}, []string{
		"PlanPurchase", "WeighChoices", "SolveBasket", "JudgeConsignment", "ListTaxPacks",
	}}}
}

// repairs: the shop works through them; the books read them, and note how parts
// turned out.
func repairs() []group {
	const service = quoteSide + "RepairService"
	return []group{
		{service, desks(identity.Shop), []string{"CreateRepairOrder", "RecordRepairStep"}},
		{service, desks(identity.Shop, identity.Books), []string{
			"GetRepairOrder", "ListRepairOrders", "RenderRepairOrder", "RecordOutcome", "ListOutcomes",
		}},
	}
}
