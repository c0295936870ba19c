// Package policytest says once more who may call what, written out by hand, for tests
// only: a row of the table that is widened or narrowed by accident differs from it.
package policytest

import "strings"

// QuoteSide stands before the methods of the quote side's services whose names the
// fitment side has as well.
const QuoteSide = "quote "

// desks are the methods, as "Service/Method", behind the desks that may call them: y
// for yard, s for shop, b for books, a for admin, o for the operator, and * for
// everybody, without a credential.
const desks = `
*ysbao: Health/Check Health/List Health/Watch IdentityService/SignIn IdentityService/SignInWithToken
ysbao:  ServerReflection/ServerReflectionInfo
ysbao:  IdentityService/VerifyCredential IdentityService/SignOut IdentityService/ChangePassword IdentityService/GetBusiness
ao:     IdentityService/ListBusinesses IdentityService/CreateKey IdentityService/ListKeys IdentityService/RevokeKey
ao:     IdentityService/CreatePerson IdentityService/ListPeople IdentityService/UpdatePerson IdentityService/SetPassword
ao:     IdentityService/ListSessions IdentityService/EndSession
o:      IdentityService/CreateBusiness IdentityService/UpdateBusiness BackupService/BackUp quote_BackupService/BackUp
ysbao:  CatalogueService/GetPart CatalogueService/ListParts CatalogueService/ListSupersessions CatalogueService/ListRecalls
ysbao:  CatalogueService/ListVehicleData
o:      CatalogueService/ImportVehicleData CatalogueService/ImportParts CatalogueService/ImportSupersessions CatalogueService/ImportRecalls
ysbao:  ListingService/GetListing ListingService/ListListings
yo:     ListingService/CreateListing ListingService/UpdateListing ListingService/WithdrawListing ListingService/RelistListing
yo:     ListingService/RenderTag ListingService/RenderShippingFacts ListingService/ImportListings
sbo:    ListingService/HoldListing ListingService/ReleaseListing ListingService/SellListing ListingService/ReturnListing
ysbao:  FitmentService/DecodeVin FitmentService/Decide FitmentService/ListDialects FitmentService/ListJurisdictionPacks
sbo:    FitmentService/AssessFault FitmentService/FindDonors FitmentService/FindParts FitmentService/WatchDonors
sbo:    FitmentService/SaveNeed FitmentService/GetSavedNeed FitmentService/ListSavedNeeds FitmentService/DeleteSavedNeed
sbo:    FitmentService/KeepDecision FitmentService/GetKeptDecision FitmentService/ListKeptDecisions FitmentService/RecomputeDecision
yo:     EvidenceService/AnswerEvidenceRequest EvidenceService/DeclineEvidenceRequest
so:     EvidenceService/RequestEvidence EvidenceService/WithdrawEvidenceRequest
yso:    EvidenceService/UploadAttachment
ysbo:   EvidenceService/DownloadAttachment EvidenceService/GetEvidenceRequest EvidenceService/ListEvidenceRequests
ysbo:   EvidenceService/WatchEvidenceRequests
sbo:    QuoteService/GetQuote QuoteService/ListQuotes QuoteService/RenderQuote
bo:     QuoteService/PrepareQuote QuoteService/IssueQuote QuoteService/ReviseQuote QuoteService/AcceptQuote QuoteService/DeclineQuote
bo:     BooksService/RecordEntry BooksService/ListEntries BooksService/SumQuotes BooksService/ListCoreDeposits
bo:     BooksService/ExportLedger BooksService/RenderCreditNote OfferService/ImportOffers
sbo:    OfferService/ListOffers
ysbao:  PlanningService/PlanPurchase PlanningService/WeighChoices PlanningService/SolveBasket PlanningService/JudgeConsignment
ysbao:  PlanningService/ListTaxPacks
so:     RepairService/CreateRepairOrder RepairService/RecordRepairStep
sbo:    RepairService/GetRepairOrder RepairService/ListRepairOrders RepairService/RenderRepairOrder
sbo:    RepairService/RecordOutcome RepairService/ListOutcomes
`

// Desks are the letters of the desks that may call a method, in the order y, s, b, a,
// o, behind a * where everybody may.
func Desks() map[string]string {
	rows := map[string]string{}
	for line := range strings.Lines(desks) {
		who, names, ok := strings.Cut(strings.TrimSpace(line), ":")
		if !ok {
			continue
		}
		for name := range strings.FieldsSeq(names) {
			rows[strings.Replace(name, "quote_", QuoteSide, 1)] = who
		}
	}
	return rows
}
