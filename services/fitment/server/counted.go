package server

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/store"
)

// Counted are the records of this side of which one business may keep only so many,
// with what it may keep where nothing else is said: years of a busy desk, and little
// enough that no business fills the disk (choices of this project, no source). A
// question to a yard counts for the shop that asks, so that nobody can use up the
// yard's.
func Counted() []store.Counted {
	return []store.Counted{
		{Kind: listing.Kind, Name: "listings", Limit: 500_000},
		{Kind: kindNeed, Name: "needs", Limit: 20_000},
		{Kind: kindDecision, Name: "decisions", Limit: 100_000},
		{Kind: inquiry.Kind, Name: "evidence-requests", Limit: 100_000, Owner: asker},
		{Kind: keys.Kind, Name: "keys", Limit: 2_000},
		{Kind: people.Kind, Name: "people", Limit: 2_000},
	}
}

// asker is the shop that asked a question.
func asker(record store.Record) (string, error) {
	r := &fitmentv1.EvidenceRequest{}
	if err := proto.Unmarshal(record.Value, r); err != nil {
		return "", fmt.Errorf("read an evidence request: %w", err)
	}
	return r.GetShop(), nil
}
