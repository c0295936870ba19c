package cli_test

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// catalogueCases are the commands that show the catalogue.
func catalogueCases() map[string]clientCase {
	part := &fitmentv1.Part{
		Name: "parts/korrin.K1", Maker: "Korrin", Number: "K-1", Kind: fitmentv1.Part_CONTROL_MODULE, ServiceLifeYears: 15, Discontinued: true,
		Positions: []*fitmentv1.Position{{Row: 1, Side: fitmentv1.Position_RIGHT}}, Connector: &fitmentv1.Connector{Interface: "Type 2", Keying: "B"},
		Window: &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: 2.8, Source: "invented"}, Programming: fitmentv1.Part_SETUP, DonorPolicy: fitmentv1.Part_FORBIDDEN,
		Applications: []*fitmentv1.Part_Application{{Make: "Tarvena", Model: "Solane", YearFrom: 2004, Body: "saloon", DriveSide: fitmentv1.Vehicle_LEFT, BuiltTo: "2005-02-28"}},
		OneUse:       []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 2, Number: "B-9"}},
		ReplaceWith:  []*fitmentv1.Part_Related{{Kind: fitmentv1.Part_CLOCK_SPRING, AfterDeployment: true}},
	}
	return map[string]clientCase{
		"catalogue part": {
			args: []string{"catalogue", "part", "parts/korrin.K1"}, asks: &fitmentv1.GetPartRequest{Name: "parts/korrin.K1"},
			answer: &fitmentv1.GetPartResponse{Part: part},
			shows: []string{
				"parts/korrin.K1: Korrin K-1, control module", "made for row 1 right", "connector Type 2, keying B", "1.5 to 2.8 Ω, from invented", "service life 15 years",
				"no longer supplied new", "programming: setup", "by its maker: forbidden", "Tarvena Solane 2004–, saloon, left-hand drive, built –2005-02-28",
				"2 × anchor bolt B-9", "clock spring, after a deployment only",
			},
		},
		"catalogue parts": {
			args: []string{"catalogue", "parts", "--page-size", "2", "--page-token", "t"}, asks: &fitmentv1.ListPartsRequest{PageSize: 2, PageToken: "t"},
			answer: &fitmentv1.ListPartsResponse{Parts: []*fitmentv1.Part{part}, NextPageToken: "next"}, shows: []string{"parts/korrin.K1", "control module", "--page-token next"},
		},
		"catalogue supersessions": {
			args: []string{"catalogue", "supersessions"}, asks: &fitmentv1.ListSupersessionsRequest{},
			answer: &fitmentv1.ListSupersessionsResponse{Supersessions: []*fitmentv1.Supersession{
				{Maker: "Korrin", OldNumber: "K-1", NewNumber: "K-2", YearTo: 2010, Plant: "X", Options: []string{"AK5", "B2"}, Source: "bulletin"},
				{Maker: "Korrin", OldNumber: "K-2", NewNumber: "K-3", Type: fitmentv1.Supersession_SUBSTITUTE, BuiltFrom: "2005-03-01", Market: "US"},
			}},
			shows: []string{"replaces", "–2010", "AK5 B2", "bulletin", "substitute", "2005-03-01–"},
		},
		"catalogue recalls": {
			args: []string{"catalogue", "recalls"}, asks: &fitmentv1.ListRecallsRequest{},
			answer: &fitmentv1.ListRecallsResponse{Recalls: []*fitmentv1.Recall{
				{Type: fitmentv1.Recall_NOTICE, Number: "N-1", Issued: "2024-05-13", PartMaker: "Velmark", Make: "Oskeld", YearFrom: 2005, YearTo: 2008, Summary: "may rupture"},
				{Type: fitmentv1.Recall_COVERAGE, Number: "C-1", AsOf: "2026-11-25"},
			}},
			shows: []string{"notice", "N-1", "2024-05-13", "Oskeld 2005–2008", "may rupture", "coverage", "2026-11-25"},
		},
		"catalogue vehicle-data": {
			args: []string{"catalogue", "vehicle-data"}, asks: &fitmentv1.ListVehicleDataRequest{},
			answer: &fitmentv1.ListVehicleDataResponse{VehicleData: []*fitmentv1.VehicleData{{
				Make: "Tarvena", YearFrom: 2000, YearTo: 2009, Dialect: "legacy-a", WaitMinutes: new(1.5), Kind: fitmentv1.Part_SIDE_AIR_BAG,
				Window: &fitmentv1.ResistanceWindow{LowOhms: 1.1, HighOhms: 2.4}, DisplayLimitOhms: new(6.3), Source: "service data",
			}}},
			shows: []string{"Tarvena 2000–2009", "legacy-a", "1.5 min", "1.1–2.4 Ω", "side air bag", "6.3 Ω", "service data"},
		},
		"parts": {
			args: append([]string{"parts"}, need...), asks: &fitmentv1.FindPartsRequest{Need: theNeed()},
			answer: &fitmentv1.FindPartsResponse{Parts: []*fitmentv1.PartMatch{{
				Part: part, Via: fitmentv1.PartMatch_SUPERSESSION, Path: []string{"K-0", "K-1"},
				Application: &fitmentv1.Finding{Answer: fitmentv1.Finding_YES, Reason: "It replaces the right one."}, Recall: &fitmentv1.Finding{Answer: fitmentv1.Finding_UNKNOWN},
			}}},
			shows: []string{"parts/korrin.K1", "K-0 → K-1", "yes", "unknown", "It replaces the right one."},
		},
		"no parts": {
			args: append([]string{"parts"}, need...), asks: &fitmentv1.FindPartsRequest{Need: theNeed()},
			answer: &fitmentv1.FindPartsResponse{}, shows: []string{"knows no part"},
		},
	}
}
