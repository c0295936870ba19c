package server

import (
	"context"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

// ListDialects lists the dialects of trouble codes.
func (s *Server) ListDialects(ctx context.Context, _ *fitmentv1.ListDialectsRequest) (*fitmentv1.ListDialectsResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	tables := s.policy.Tables
	if tables == nil {
		tables = code.Builtin()
	}
	answer := &fitmentv1.ListDialectsResponse{Version: tables.Version()}
	for _, d := range tables.Dialects() {
		answer.Dialects = append(answer.Dialects, &fitmentv1.Dialect{Id: d.ID, Text: d.Text, Source: d.Source, Codes: int32(d.Codes)})
	}
	return answer, nil
}
