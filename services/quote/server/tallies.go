package server

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// talliesARead is how many tallies are read from the store at once.
const talliesARead = 500

// tallies are a business's counted outcomes by kind of part, condition and seller.
type tallies map[fitmentv1.Part_Kind]map[quotev1.Offer_Condition]map[string]quote.Tally

// readTallies reads all tallies of a business. Their ids are made by tallyKey; no
// seller, condition or kind has a point in it.
func (s *Server) readTallies(ctx context.Context, tenant string) (tallies, error) {
	all := make(tallies)
	for after := ""; ; {
		records, err := s.store.List(ctx, tenant, kindTally, after, talliesARead)
		if err != nil {
			return nil, fmt.Errorf("read outcomes: %w", err)
		}
		for _, record := range records {
			after = record.Key.ID
			parts := strings.Split(record.Key.ID, ".")
			var tally quote.Tally
			if err := json.Unmarshal(record.Value, &tally); err != nil || len(parts) != 3 {
				return nil, fmt.Errorf("read tally %s: %w", record.Key.ID, err)
			}
			all.add(parts[0], quotev1.Offer_Condition(quotev1.Offer_Condition_value[parts[1]]), fitmentv1.Part_Kind(fitmentv1.Part_Kind_value[parts[2]]), tally)
		}
		if len(records) < talliesARead {
			return all, nil
		}
	}
}

func (t tallies) add(seller string, condition quotev1.Offer_Condition, kind fitmentv1.Part_Kind, tally quote.Tally) {
	if t[kind] == nil {
		t[kind] = make(map[quotev1.Offer_Condition]map[string]quote.Tally)
	}
	if t[kind][condition] == nil {
		t[kind][condition] = make(map[string]quote.Tally)
	}
	t[kind][condition][seller] = tally
}
