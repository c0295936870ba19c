package document_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/paper/papertest"
	"beltwright.example/services/quote/document"
)

func entry(kind quotev1.Entry_Kind) *quotev1.Entry {
	return &quotev1.Entry{
		Name: "entries/Q-2026-000001.e1", Kind: kind, Quote: "quotes/Q-2026-000001", Source: "listings/kettlewick.SOLANE-1", Amount: 37_00,
		CurrencyCode: "USD", Day: "2026-03-20", Note: "the restocking charge was waived", CreateTime: timestamppb.New(prepared),
	}
}

func TestCreditNote(t *testing.T) {
	t.Parallel()
	credit := entry(quotev1.Entry_CREDIT_NOTE)
	credit.Number, credit.Customer = "C-2026-000001", "Fleet 7"
	for _, size := range []paper.Size{paper.A4, paper.Letter} {
		raw, err := document.CreditNote(credit, "", single(), garage, size)
		if err != nil {
			t.Fatal(err)
		}
		papertest.Look(t, "credit", raw)
		says(t, papertest.Flat(t, raw), "Alder Road Garage", "Credit note C-2026-000001", "2026-03-20", "Fleet 7", "Q-2026-000001, 2026-03-10 09:30 UTC",
			"Korrin KB-40118: used, listings/kettlewick.SOLANE-1", "credited to the customer 37.00", "Reason: the restocking charge was waived", "page 1 of 1")
	}
}

func TestRefundAndOtherEntries(t *testing.T) {
	t.Parallel()
	raw, err := document.CreditNote(entry(quotev1.Entry_REFUNDED), "", single(), garage, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	says(t, papertest.Flat(t, raw), "Refund by a seller", "paid back by the seller 37.00", "Fleet 7")
	for _, kind := range []quotev1.Entry_Kind{quotev1.Entry_PAID, quotev1.Entry_RECEIVED, quotev1.Entry_CORE_FORFEITED, quotev1.Entry_REVERSAL, quotev1.Entry_KIND_UNSPECIFIED} {
		if _, err := document.CreditNote(entry(kind), "", single(), garage, paper.A4); !errors.Is(err, document.ErrEntry) {
			t.Errorf("%s: %v", kind, err)
		}
	}
}

// A credit note that was taken back is none any more, and says so.
func TestACreditNoteThatWasTakenBack(t *testing.T) {
	t.Parallel()
	credit := entry(quotev1.Entry_CREDIT_NOTE)
	credit.Number = "C-2026-000001"
	raw, err := document.CreditNote(credit, "entries/Q-2026-000001.0004", single(), garage, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	text := papertest.Flat(t, raw)
	says(t, text, "This was taken back by entries/Q-2026-000001.0004 and does not count any more.")
	if strings.Contains(text, "is credited against quote") {
		t.Errorf("it credits all the same: %s", text)
	}
}

// A credit note for a salvaged restraint in Colorado is held to the same words.
func TestCreditNoteHasNoForbiddenWords(t *testing.T) {
	t.Parallel()
	credit := entry(quotev1.Entry_CREDIT_NOTE)
	credit.Note = "the used bag was sold as is"
	raw, err := document.CreditNote(credit, "", inColorado(), garage, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	text := papertest.Flat(t, raw)
	says(t, text, "salvaged inflatable restraint system", "1 remark is left out")
	if strings.Contains(text, "used") || strings.Contains(text, "as is") {
		t.Errorf("forbidden words in %s", text)
	}
}

// order is a repair order with a step of each kind.
func order() *quotev1.RepairOrder {
	at, buckle := &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, fitmentv1.Part_BUCKLE_PRETENSIONER
	r := &quotev1.RepairOrder{
		Name: "repairOrders/R-2026-000001", Number: "R-2026-000001", State: quotev1.RepairOrder_CLOSED, Vehicle: single().GetNeed().GetVehicle(),
		Customer: "Fleet 7", Complaint: "the lamp stays on", Needs: []*fitmentv1.Need{need(1, fitmentv1.Position_RIGHT)}, Quote: "quotes/Q-2026-000001",
		CreateTime: timestamppb.New(prepared), CloseTime: timestamppb.New(prepared),
		Purchases: []*quotev1.Purchase{
			{Source: "listings/kettlewick.SOLANE-1", Line: 1, State: quotev1.Purchase_RETURNED, ReturnedAs: "listings/kettlewick.SOLANE-1-R1", RefundDue: 148_00, CurrencyCode: "USD"},
			{Source: "listings/saltmarrow.S-22", Line: 1, State: quotev1.Purchase_FITTED, WarrantyDays: 30, CurrencyCode: "USD"},
		},
	}
	for _, step := range []*quotev1.RepairStep{
		{Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{
			Read: &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{
				{Kind: buckle, Position: at, Method: fitmentv1.Reading_MODULE_REPORTED, OverRange: true},
				{Kind: buckle, Position: at, Method: fitmentv1.Reading_SUBSTITUTE_LOAD, Ohms: new(2.1)},
			}},
			Assessed: &fitmentv1.AssessFaultResponse{
				Codes: []*fitmentv1.CodeReport{
					{Code: "B0072-1B", Applied: "m", Meanings: []*fitmentv1.CodeMeaning{{Id: "m", Text: "passenger pretensioner loop"}}, Failure: "resistance above"},
					{Code: "B1000"},
				},
				Readings:       []*fitmentv1.ReadingReport{{Class: fitmentv1.ReadingReport_OPEN}, {Class: fitmentv1.ReadingReport_IN_RANGE}},
				Suspects:       []*fitmentv1.Suspect{{Component: fitmentv1.Suspect_PART, Kind: buckle, Position: at, Probability: 0.97}},
				Purchase:       fitmentv1.AssessFaultResponse_JUSTIFIED,
				PurchaseReason: "the part is proven to be at fault",
			},
			Needs: []*fitmentv1.Need{need(1, fitmentv1.Position_RIGHT)}, Reason: "as agreed",
		}}},
		{Step: &quotev1.RepairStep_QuoteMade{QuoteMade: &quotev1.QuoteMade{Quote: "quotes/Q-2026-000001"}}},
		{Step: &quotev1.RepairStep_Order{Order: &quotev1.Order{Quote: "quotes/Q-2026-000001"}}},
		{Step: &quotev1.RepairStep_ArrivalInspection{ArrivalInspection: &quotev1.ArrivalInspection{
			Source:   "listings/kettlewick.SOLANE-1",
			Results:  []*quotev1.CheckResult{{Check: "Read the label.", Passed: true}, {Check: "Look for marks.", Note: "bent tab"}, {Check: "Read the loop.", NotDone: true}},
			Evidence: []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", How: "seen"}},
		}}},
		{Step: &quotev1.RepairStep_ReturnSettled{ReturnSettled: &quotev1.ReturnSettled{Source: "listings/kettlewick.SOLANE-1", Refunded: 140_00, Note: "less postage"}}},
		{Step: &quotev1.RepairStep_NextPurchase{NextPurchase: &quotev1.NextPurchase{Source: "listings/saltmarrow.S-22"}}},
		{Step: &quotev1.RepairStep_Fitting{Fitting: &quotev1.Fitting{
			Sources: []string{"listings/saltmarrow.S-22"}, Renewed: []string{"2 anchor bolts"}, ReplacedTogether: []string{"webbing"}, Procedure: "TS-77", MinutesBatteryOff: 20, Reason: "none",
		}}},
		{Step: &quotev1.RepairStep_Disposal{Disposal: &quotev1.Disposal{Kind: buckle, Position: at, Way: quotev1.Disposal_STORED, Stored: 12, StoredSince: "2026-02-01"}}},
		{Step: &quotev1.RepairStep_Disposal{Disposal: &quotev1.Disposal{Kind: buckle, Position: at, Way: quotev1.Disposal_CORE_RETURNED, Papers: "P-9", CoreOf: "listings/saltmarrow.S-22"}}},
		{Step: &quotev1.RepairStep_Proof{Proof: &quotev1.Proof{
			LampOnAtKeyOn: true, LampOutAfterCheck: true, LampOutRunning: true, CodesCleared: true, CodesStayedClear: true,
			Loops: []*quotev1.LoopProof{
				{Kind: buckle, Position: at, Ohms: new(2.0), Window: &fitmentv1.ResistanceWindow{LowOhms: 1.4, HighOhms: 3.2}},
				{Kind: fitmentv1.Part_SIDE_AIR_BAG, Position: at, Unreadable: "the module does not report it"},
			},
		}}},
		{Step: &quotev1.RepairStep_Closing{Closing: &quotev1.Closing{WarrantyDays: 90, WarrantyTerms: "parts and labour"}}},
		{Step: &quotev1.RepairStep_Abandonment{Abandonment: &quotev1.Abandonment{Reason: "the customer sold the car"}}},
	} {
		step.By, step.Time = "M. Oss", timestamppb.New(prepared)
		r.Steps = append(r.Steps, step)
	}
	return r
}

// allowed is the order's quote, with the customer's word.
func allowed() *quotev1.Quote {
	q := single()
	q.Authorization = &quotev1.Authorization{By: "R. Fen", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(prepared), UpTo: 600_00, Note: "by mail"}
	return q
}

func TestRepairOrder(t *testing.T) {
	t.Parallel()
	for name, size := range map[string]paper.Size{"a4": paper.A4, "letter": paper.Letter} {
		raw, err := document.RepairOrder(order(), allowed(), garage, size)
		if err != nil {
			t.Fatal(err)
		}
		papertest.Look(t, "repair-"+name, raw)
		says(t, papertest.Flat(t, raw), "Repair order R-2026-000001", "Alder Road Garage", "the lamp stays on", "closed", "Fleet 7", "1. Diagnosis", "by M. Oss",
			"Code B0072-1B: passenger pretensioner loop; resistance above", "Code B1000: its meaning on this vehicle was not settled",
			"Reading, buckle pretensioner, row 1 right, module reported: over range, open", "substitute load: 2.1 Ω, in range",
			"Suspect: part, buckle pretensioner, row 1 right, 97.0 %", "Buying: justified: the part is proven to be at fault", "Reason: as agreed",
			"Allowed by R. Fen, signed, 2026-03-10 09:30 UTC, up to 600.00 USD; by mail",
			"passed: Read the label.", "failed: Look for marks. Noted: bent tab", "not done: Read the loop.", "Seen: damage: yes, seen", "148.00 USD", "SOLANE-1-R1",
			"paid back 140.00 USD of 148.00 USD (refund due after return freight and restocking)", "Airbag Waste—Do Not Reuse", "at most 250, for at most 180 days", "less postage", "Bought listings/saltmarrow.S-22", "By the vehicle maker's procedure TS-77", "off for 20 minutes",
			"12 modules and inflators are stored, the oldest since 2026-02-01", "Papers: P-9", "they stayed clear: yes", "2 Ω as the module reports it, window 1.4 to 3.2 Ω",
			"cannot be read: the module does not report it", "Warranty of the shop: 90 days.", "parts and labour", "12. Given up", "The repair is proven and the order is closed")
	}
}

// Only a closed order proves a repair.
func TestAnOrderThatIsNotClosedSaysSo(t *testing.T) {
	t.Parallel()
	for _, number := range quotev1.RepairOrder_State_value {
		state := quotev1.RepairOrder_State(number)
		r := order()
		r.State, r.Next = state, []string{"Fit the part."}
		raw, err := document.RepairOrder(r, nil, document.Letterhead{Name: "shop-a"}, paper.A4)
		if err != nil {
			t.Fatal(err)
		}
		text := papertest.Flat(t, raw)
		if proven := strings.Contains(text, "The repair is proven and the order is closed"); proven != (state == quotev1.RepairOrder_CLOSED) {
			t.Errorf("%s: proven %v", state, proven)
		}
		if state == quotev1.RepairOrder_ABANDONED {
			says(t, text, "was given up", "Fit the part.")
		}
		if state == quotev1.RepairOrder_FITTED {
			says(t, text, "What is next", "Fit the part.", "proves no repair yet")
		}
	}
	raw, err := document.RepairOrder(&quotev1.RepairOrder{Steps: []*quotev1.RepairStep{{}}}, nil, garage, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	says(t, papertest.Flat(t, raw), "A step that this program does not know")
	if first, err := document.RepairOrder(order(), nil, garage, paper.A4); err != nil {
		t.Fatal(err)
	} else if second, err := document.RepairOrder(order(), nil, garage, paper.A4); err != nil || !bytes.Equal(first, second) {
		t.Errorf("other bytes for the same order, %v", err)
	}
}
