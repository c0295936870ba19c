package server

import (
	"context"
	"fmt"
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/transport"
)

// JudgeConsignment rules on inline input who may ship a part how, and stores
// nothing.
func (*Server) JudgeConsignment(ctx context.Context, request *quotev1.JudgeConsignmentRequest) (*quotev1.JudgeConsignmentResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	var fields check.Fields
	consignment := readConsignment(request, &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	ruling, err := transport.Decide(consignment)
	if err != nil {
		return nil, fmt.Errorf("rule on a consignment: %w", err)
	}
	answer := &quotev1.JudgeConsignmentResponse{Allowed: answerOf(ruling.Allowed), Handling: ruling.Handling}
	for _, reason := range ruling.Reasons {
		answer.Reasons = append(answer.Reasons, &quotev1.SourcedText{Text: reason.Text, Source: reason.Source})
	}
	for _, paper := range ruling.Papers {
		answer.Papers = append(answer.Papers, &quotev1.PaperFact{Name: paper.Name, Value: paper.Value, Source: paper.Source})
	}
	return answer, nil
}

// modes are the modes of the wire contract.
func modes() map[quotev1.JudgeConsignmentRequest_Mode]transport.Mode {
	return map[quotev1.JudgeConsignmentRequest_Mode]transport.Mode{
		quotev1.JudgeConsignmentRequest_ROAD:               transport.Road,
		quotev1.JudgeConsignmentRequest_PASSENGER_AIRCRAFT: transport.PassengerAircraft,
		quotev1.JudgeConsignmentRequest_CARGO_AIRCRAFT:     transport.CargoAircraft,
		quotev1.JudgeConsignmentRequest_SEA:                transport.Sea,
		quotev1.JudgeConsignmentRequest_HAND_OVER:          transport.HandOver,
	}
}

// readConsignment reads a consignment and notes what makes no sense.
func readConsignment(request *quotev1.JudgeConsignmentRequest, fields *check.Fields) transport.Consignment {
	number := request.GetUnNumber()
	if read, ok := transport.ReadUN(number); !ok || read != number {
		fields.Add("un_number", strconv.Quote(number)+" is none that such a part has", transport.ExpectedUN)
	}
	mode, known := modes()[request.GetMode()]
	if !known {
		fields.Add("mode", "is missing or unknown", "ROAD, PASSENGER_AIRCRAFT, CARGO_AIRCRAFT, SEA or HAND_OVER")
	}
	fields.Int("gross_grams", request.GetGrossGrams(), 0, transport.MaxGrams)
	return transport.Consignment{
		UN: number, Mode: mode, GrossGrams: request.GetGrossGrams(),
		InComponent:    triOf("in_component", request.GetInComponent(), fields),
		TrainedShipper: triOf("trained_shipper", request.GetTrainedShipper(), fields),
		ToRecycler:     triOf("to_recycler", request.GetToRecycler(), fields),
		NeverInstalled: triOf("never_installed", request.GetNeverInstalled(), fields),
		TestedC:        triOf("tested", request.GetTested(), fields),
	}
}

// triOf reads a fact; one that is not stated is not known.
func triOf(field string, answer fitmentv1.Finding_Answer, fields *check.Fields) transport.Tri {
	switch answer {
	case fitmentv1.Finding_YES:
		return transport.Yes
	case fitmentv1.Finding_NO:
		return transport.No
	case fitmentv1.Finding_UNKNOWN, fitmentv1.Finding_ANSWER_UNSPECIFIED:
		return transport.Unknown
	default:
		fields.Add(field, fmt.Sprintf("%d is no answer", answer), "YES, NO or UNKNOWN")
		return transport.Unknown
	}
}

func answerOf(t transport.Tri) fitmentv1.Finding_Answer {
	switch t {
	case transport.Yes:
		return fitmentv1.Finding_YES
	case transport.No:
		return fitmentv1.Finding_NO
	default:
		return fitmentv1.Finding_UNKNOWN
	}
}
