package server

import (
	"cmp"
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/check"
)

// AssessFault weighs codes, readings and tests by what the catalogue knows of the
// vehicle.
func (s *Server) AssessFault(ctx context.Context, req *fitmentv1.AssessFaultRequest) (*fitmentv1.AssessFaultResponse, error) {
	if _, err := s.visitor(ctx, func(fields *check.Fields) { fault.Validate(req, s.policy.Tables, fields) }); err != nil {
		return nil, err
	}
	now, err := s.current(ctx, "")
	if err != nil {
		return nil, err
	}
	known, standing := s.knowledge(req, now)
	response := fault.Assess(req, known)
	response.Revision = digest(standing)
	return response, nil
}

// knowledge gathers what is known beside a request, and says what it stands on.
func (s *Server) knowledge(req *fitmentv1.AssessFaultRequest, now time.Time) (fault.Knowledge, search.Standing) {
	loops := make([]search.Loop, 0, len(req.GetReadings()))
	for _, r := range req.GetReadings() {
		loops = append(loops, loopOf(r.GetKind(), r.GetPosition()))
	}
	vehicle, standing := s.index.Vehicle(readVehicle(req.GetVehicle()), loops, now)
	known := fault.Knowledge{
		Model: s.likelihoods, Tables: s.policy.Tables, Dialect: vehicle.Dialect,
		Window: func(kind fitmentv1.Part_Kind, position *fitmentv1.Position) *fitmentv1.ResistanceWindow {
			return vehicle.Windows[loopOf(kind, position)]
		},
	}
	if w := vehicle.Wait; w != nil {
		known.Wait = &fault.Wait{Minutes: w.Value, Source: w.Source}
	}
	if end := vehicle.DisplayLimit; end != nil {
		known.DisplayLimit = &end.Value
	}
	return known, standing
}

func loopOf(kind fitmentv1.Part_Kind, position *fitmentv1.Position) search.Loop {
	return search.Loop{Kind: kind, Row: position.GetRow(), Side: position.GetSide()}
}

// readVehicle fills what is not stated of a vehicle from its VIN.
func readVehicle(v *fitmentv1.Vehicle) *fitmentv1.Vehicle {
	if v.GetVin() == "" {
		return v
	}
	said := vin.Decode(&fitmentv1.DecodeVinRequest{
		Vin: v.GetVin(), Market: v.GetMarket(), VehicleClass: v.GetVehicleClass(), Make: v.GetMake(), Model: v.GetModel(),
	})
	if !said.GetValid() {
		return v
	}
	read := proto.CloneOf(v)
	read.Make = cmp.Or(v.GetMake(), said.GetVehicle().GetMake())
	read.Model = cmp.Or(v.GetModel(), said.GetVehicle().GetModel())
	read.ModelYear = cmp.Or(v.GetModelYear(), said.GetVehicle().GetModelYear())
	read.Plant = cmp.Or(v.GetPlant(), said.GetVehicle().GetPlant())
	return read
}
