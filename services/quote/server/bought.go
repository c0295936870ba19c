package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// kindBought is the kind of a record of one part bought on a quote, under the id
// that its outcome has or will have.
const kindBought = "bought"

// bought is a part that is bought on a quote.
type bought struct {
	source    string
	condition quotev1.Offer_Condition
	kind      fitmentv1.Part_Kind
}

// purchaseRecord is what is kept of a part that was bought on a quote.
type purchaseRecord struct {
	// Quote is the quote's resource name.
	Quote string `json:"quote"`
	// Answered is true once its outcome was reported.
	Answered bool `json:"answered,omitempty"`
}

// firstBuys are the first purchases of those lines of a quote, places from 0.
func firstBuys(q *quotev1.Quote, lines []int) []bought {
	var parts []bought
	all := quote.Lines(q)
	for _, place := range lines {
		if option := quote.FirstBuy(all[place].GetOptions()); option != nil {
			parts = append(parts, bought{option.GetSource(), option.GetCondition(), all[place].GetNeed().GetKind()})
		}
	}
	return parts
}

// countBought are the steps that count parts bought on a quote, for the change in
// which they are bought: from then on a part whose outcome nobody reports shows.
// Parts that are counted already are not counted again.
func (s *Server) countBought(ctx context.Context, tenant, quoteName string, parts []bought) ([]store.Put, error) {
	return s.countFrom(ctx, tenant, quoteName, parts, make(map[string]int))
}

// countNext are the steps that count one more part bought on a quote.
func (s *Server) countNext(ctx context.Context, tenant, quoteName string, part bought) ([]store.Put, error) {
	n, err := s.timesBought(ctx, tenant, part.source, quoteName)
	if err != nil {
		return nil, err
	}
	return s.countFrom(ctx, tenant, quoteName, []bought{part}, map[string]int{part.source: n})
}

// boughtSources are the sources that were bought on an accepted quote: the first buys of
// its accepted lines, and what was bought after them: by its repair order, or by the
// business itself, which then reported the outcome.
func (s *Server) boughtSources(ctx context.Context, tenant string, q *quotev1.Quote) ([]string, error) {
	lines := quote.Accepted(q)
	var sources []string
	for _, part := range firstBuys(q, lines) {
		if !slices.Contains(sources, part.source) {
			sources = append(sources, part.source)
		}
	}
	for _, place := range lines {
		for _, option := range quote.Lines(q)[place].GetOptions() {
			source := option.GetSource()
			if slices.Contains(sources, source) {
				continue
			}
			is, err := s.boughtLater(ctx, tenant, source, q.GetName())
			if err != nil {
				return nil, err
			}
			if is {
				sources = append(sources, source)
			}
		}
	}
	return sources, nil
}

// boughtLater tells whether a purchase or an outcome of a source is noted of a quote.
func (s *Server) boughtLater(ctx context.Context, tenant, source, quoteName string) (bool, error) {
	name := strings.TrimPrefix(quote.OutcomeName(source, quoteName, 1), outcomePrefix)
	buyer, err := s.buyerOf(ctx, tenant, name)
	if err != nil || buyer != "" {
		return buyer == quoteName, err
	}
	outcome, err := s.outcomeOf(ctx, tenant, name)
	return outcome != nil && outcome.GetQuote() == quoteName, err
}

// timesBought is how many parts of a source are counted as bought on a quote. A
// listing is one part.
func (s *Server) timesBought(ctx context.Context, tenant, source, quoteName string) (int, error) {
	for n := 0; ; n++ {
		name := quote.OutcomeName(source, quoteName, n+1)
		record, err := s.store.Get(ctx, boughtKey(tenant, name))
		if errors.Is(err, store.ErrNotFound) {
			return n, nil
		}
		if err != nil {
			return 0, fmt.Errorf("read a purchase: %w", err)
		}
		if strings.HasPrefix(source, listingPrefix) {
			var noted purchaseRecord
			if err := json.Unmarshal(record.Value, &noted); err != nil {
				return 0, fmt.Errorf("read purchase %s: %w", record.Key.ID, err)
			}
			if noted.Quote != quoteName {
				return 0, nil
			}
			return 1, nil
		}
	}
}

// countFrom counts parts, of which so many of a source are counted already.
func (s *Server) countFrom(ctx context.Context, tenant, quoteName string, parts []bought, nth map[string]int) ([]store.Put, error) {
	type counted struct {
		tally   quote.Tally
		version int64
	}
	tallies := make(map[store.Key]*counted)
	var keys []store.Key
	var puts []store.Put
	for _, part := range parts {
		nth[part.source]++
		name := quote.OutcomeName(part.source, quoteName, nth[part.source])
		put, answered, err := s.boughtPut(ctx, tenant, name, quoteName)
		if err != nil {
			return nil, err
		}
		if put == nil {
			continue
		}
		seller, err := quote.SellerOf(part.source)
		if err != nil {
			return nil, fmt.Errorf("count what is bought: %w", err)
		}
		key := tallyKey(tenant, seller, part.condition, part.kind)
		if tallies[key] == nil {
			tally, version, err := s.readTally(ctx, key)
			if err != nil {
				return nil, err
			}
			tallies[key] = &counted{tally, version}
			keys = append(keys, key)
		}
		tallies[key].tally.Bought++
		if answered {
			tallies[key].tally.Answered++
		}
		puts = append(puts, *put)
	}
	for _, key := range keys {
		put, err := putTally(key, tallies[key].version, tallies[key].tally)
		if err != nil {
			return nil, err
		}
		puts = append(puts, put)
	}
	return puts, nil
}

// boughtPut is the step that notes a purchase, and whether its outcome was
// reported already; nil where the purchase is noted.
func (s *Server) boughtPut(ctx context.Context, tenant, outcome, quoteName string) (*store.Put, bool, error) {
	key := boughtKey(tenant, outcome)
	switch _, err := s.store.Get(ctx, key); {
	case err == nil:
		return nil, false, nil
	case !errors.Is(err, store.ErrNotFound):
		return nil, false, fmt.Errorf("read a purchase: %w", err)
	}
	_, err := s.store.Get(ctx, outcomeKey(tenant, outcome))
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return nil, false, fmt.Errorf("read an outcome: %w", err)
	}
	answered := err == nil
	raw, err := json.Marshal(purchaseRecord{Quote: quoteName, Answered: answered})
	if err != nil {
		return nil, false, fmt.Errorf("keep a purchase: %w", err)
	}
	return &store.Put{Key: key, Expect: store.Absent, Value: raw}, answered, nil
}

// answer counts a purchase as answered in its tally, and is the step that notes
// so; nothing where no quote bought the part, or where it is noted.
func (s *Server) answer(ctx context.Context, tenant, outcome string, tally *quote.Tally) ([]store.Put, error) {
	record, err := s.store.Get(ctx, boughtKey(tenant, outcome))
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read a purchase: %w", err)
	}
	var noted purchaseRecord
	if err := json.Unmarshal(record.Value, &noted); err != nil {
		return nil, fmt.Errorf("read purchase %s: %w", record.Key.ID, err)
	}
	if noted.Answered {
		return nil, nil
	}
	tally.Answered++
	raw, err := json.Marshal(purchaseRecord{Quote: noted.Quote, Answered: true})
	if err != nil {
		return nil, fmt.Errorf("keep a purchase: %w", err)
	}
	return []store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}, nil
}

func boughtKey(tenant, outcome string) store.Key {
	return store.Key{Tenant: tenant, Kind: kindBought, ID: strings.TrimPrefix(outcome, outcomePrefix)}
}

// putTally is the step that replaces a tally.
func putTally(key store.Key, version int64, tally quote.Tally) (store.Put, error) {
	raw, err := json.Marshal(tally)
	if err != nil {
		return store.Put{}, fmt.Errorf("keep the tally: %w", err)
	}
	return store.Put{Key: key, Expect: version, Value: raw}, nil
}
