package server

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/quote/document"
	"beltwright.example/services/quote/quote"
)

// Media types of documents (RFC 4180 and RFC 7111 say what text/csv may name).
const (
	typePDF  = "application/pdf"
	typeCSV  = "text/csv; charset=utf-8; header=present"
	typeJSON = "application/json"
)

// RenderQuote makes one of the caller's quotes a document. It asks the fitment
// service nothing, so an old quote can be printed while that is away.
func (s *Server) RenderQuote(ctx context.Context, request *quotev1.RenderQuoteRequest) (*quotev1.RenderQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := paperOf(request.GetPaper(), func(fields *check.Fields) {
		if _, known := quotev1.RenderQuoteRequest_Format_name[int32(request.GetFormat())]; !known {
			fields.Add("format", "is none that there is", "PDF, CSV or JSON")
		}
	})
	if err != nil {
		return nil, err
	}
	record, stored, err := s.loadQuote(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	q := s.shown(stored, record.Version)
	made := &fitmentv1.Document{FileName: fileName("quote", record.Key.ID)}
	switch request.GetFormat() {
	case quotev1.RenderQuoteRequest_CSV:
		made.ContentType, made.FileName = typeCSV, made.GetFileName()+".csv"
		made.Content, err = document.CSV(q)
	case quotev1.RenderQuoteRequest_JSON:
		made.ContentType, made.FileName = typeJSON, made.GetFileName()+".json"
		made.Content, err = document.JSON(q)
	default:
		made.ContentType, made.FileName = typePDF, made.GetFileName()+".pdf"
		made.Content, err = s.printed(q, s.heads.For(who.Tenant), size)
	}
	if err != nil {
		return nil, s.undrawn(ctx, err)
	}
	return &quotev1.RenderQuoteResponse{Document: made}, nil
}

// printed is a quote as PDF, with what its accepted lines come to where only some
// are.
func (s *Server) printed(q *quotev1.Quote, from document.Letterhead, size paper.Size) ([]byte, error) {
	if q.GetState() != quotev1.Quote_PARTLY_ACCEPTED {
		return document.Quote(q, nil, from, size)
	}
	pack, _ := s.packs.For(q.GetTaxPlace())
	accepted, err := quote.TotalOf(q, quote.Accepted(q), pack)
	if err != nil {
		return nil, err
	}
	return document.Quote(q, accepted, from, size)
}

// RenderCreditNote makes one of the caller's credit notes, or the record of a
// refund, a document.
func (s *Server) RenderCreditNote(ctx context.Context, request *quotev1.RenderCreditNoteRequest) (*quotev1.RenderCreditNoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := paperOf(request.GetPaper(), nil)
	if err != nil {
		return nil, err
	}
	entry, err := s.loadEntry(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	record, stored, err := s.loadQuote(ctx, who.Tenant, entry.GetQuote())
	if err != nil {
		return nil, err
	}
	account, err := s.account(ctx, who.Tenant, record.Key.ID)
	if err != nil {
		return nil, err
	}
	content, err := document.CreditNote(entry, account.Reversed(entry.GetName()), s.shown(stored, record.Version), s.heads.For(who.Tenant), size)
	if err != nil {
		return nil, s.undrawn(ctx, err)
	}
	_, entryID, _ := strings.Cut(entry.GetName(), "/")
	return &quotev1.RenderCreditNoteResponse{Document: &fitmentv1.Document{
		ContentType: typePDF, FileName: fileName("entry", entryID) + ".pdf", Content: content,
	}}, nil
}

// RenderRepairOrder makes the record of a repair a document.
func (s *Server) RenderRepairOrder(ctx context.Context, request *quotev1.RenderRepairOrderRequest) (*quotev1.RenderRepairOrderResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := paperOf(request.GetPaper(), nil)
	if err != nil {
		return nil, err
	}
	record, order, err := s.loadOrder(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	var worked *quotev1.Quote
	if order.GetQuote() != "" {
		if _, worked, err = s.loadQuote(ctx, who.Tenant, order.GetQuote()); err != nil {
			return nil, err
		}
	}
	content, err := document.RepairOrder(order, worked, s.heads.For(who.Tenant), size)
	if err != nil {
		return nil, s.undrawn(ctx, err)
	}
	return &quotev1.RenderRepairOrderResponse{Document: &fitmentv1.Document{
		ContentType: typePDF, FileName: fileName("repair", record.Key.ID) + ".pdf", Content: content,
	}}, nil
}

// paperOf is the size of paper that is asked for; it also runs other checks of the
// request, so that one answer names all that is wrong.
func paperOf(asked fitmentv1.Document_Paper, checks func(*check.Fields)) (paper.Size, error) {
	var fields check.Fields
	if checks != nil {
		checks(&fields)
	}
	size, known := paper.SizeOf(asked)
	if !known {
		fields.Add("paper", "is none that there is", "A4 or LETTER")
	}
	return size, fields.Err()
}

// fileName is the name of a document's file without its ending.
func fileName(what, recordID string) string { return what + "-" + recordID }

// undrawn is what a caller is told of a document that is not made.
func (s *Server) undrawn(ctx context.Context, err error) error {
	var wording *document.WordingError
	switch {
	case errors.As(err, &wording):
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_FIELD_INVALID, "%s", wording.Error())
	case errors.Is(err, document.ErrEntry):
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "name", Problem: "names an entry that is not printed", Expected: "a credit note, a refund or a returned deposit",
		})
	}
	s.log.ErrorContext(ctx, "a document was not made", "error", err)
	return apierr.New(codes.Internal, fitmentv1.ErrorInfo_INTERNAL, "the document could not be made: its record does not add up, or something in it cannot be drawn")
}
