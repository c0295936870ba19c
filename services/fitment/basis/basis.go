// Package basis holds what a decision stood on, so that it can be made again: the
// excerpt of the catalogue, the policy and the law that were weighed, beside the
// need and the listing. Everything here is pure.
package basis

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
)

var encoding = proto.MarshalOptions{Deterministic: true}

// Source gives the facts of decisions under one policy. It may be used
// concurrently.
type Source struct {
	recallMaxAgeDays int32
	set              *jurisdiction.Set
	files            map[*jurisdiction.Pack][]byte
}

// From makes a source of a policy.
func From(policy rules.Policy) *Source {
	s := &Source{recallMaxAgeDays: int32(policy.RecallMaxAgeDays), set: policy.Packs, files: map[*jurisdiction.Pack][]byte{}}
	if s.set == nil {
		s.set = jurisdiction.Builtin()
	}
	for _, pack := range s.set.All() {
		s.files[pack] = pack.Bytes()
	}
	return s
}

// Facts are what a decision of the need and the listing can depend on beside the
// two: of the catalogue, of the policy and of the law. They share records with the
// catalogue and the source, and must not be changed.
func (s *Source) Facts(need *fitmentv1.Need, l *fitmentv1.Listing, cat *catalogue.Catalogue) *fitmentv1.Facts {
	facts := cat.Excerpt(need, l)
	facts.RecallMaxAgeDays = s.recallMaxAgeDays
	for _, pack := range s.set.For(l.GetJurisdiction(), need.GetJurisdiction()).Packs {
		facts.Packs = append(facts.Packs, s.files[pack])
	}
	return facts
}

// Digest stands for all that a decision is about: the need, what is judged of the
// listing, and the facts. It does not depend on who holds the listing.
func Digest(need *fitmentv1.Need, l *fitmentv1.Listing, facts *fitmentv1.Facts) (string, error) {
	sum := sha256.New()
	for _, m := range []proto.Message{need, listing.Judged(l), facts} {
		raw, err := encoding.Marshal(m)
		if err != nil {
			return "", fmt.Errorf("digest what a decision stands on: %w", err)
		}
		size := fmt.Sprintf("%d\x00", len(raw))
		_, _ = sum.Write(append([]byte(size), raw...)) // a hash takes everything
	}
	return hex.EncodeToString(sum.Sum(nil)[:digestBytes]), nil
}

// digestBytes is the length of a digest: 128 bits.
const digestBytes = 16

// Again decides from facts instead of a catalogue. Asks and code tables are the
// policy's, since facts do not hold them; its recall age and packs are the facts'.
// It fails where the facts, a record or a pack in them, or the day make no sense.
func Again(need *fitmentv1.Need, l *fitmentv1.Listing, facts *fitmentv1.Facts, policy rules.Policy, day string) (*fitmentv1.Decision, error) {
	today, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return nil, fmt.Errorf("the day of a decision: %w", err)
	}
	cat, err := catalogue.FromFacts(facts)
	if err != nil {
		return nil, fmt.Errorf("the facts of a decision: %w", err)
	}
	policy.RecallMaxAgeDays = int(facts.GetRecallMaxAgeDays())
	if policy.Packs, err = packsOf(facts); err != nil {
		return nil, err
	}
	decision := rules.Decide(need, l, cat, policy, today)
	if decision.Basis.Facts, err = Digest(need, l, facts); err != nil {
		return nil, err
	}
	return decision, nil
}

func packsOf(facts *fitmentv1.Facts) (*jurisdiction.Set, error) {
	list := make([]*jurisdiction.Pack, 0, len(facts.GetPacks()))
	for i, raw := range facts.GetPacks() {
		pack, err := jurisdiction.Parse(raw)
		if err != nil {
			return nil, fmt.Errorf("pack %d of a decision: %w", i, err)
		}
		list = append(list, pack)
	}
	set, err := (&jurisdiction.Set{}).With(list...)
	if err != nil {
		return nil, fmt.Errorf("the packs of a decision: %w", err)
	}
	return set, nil
}

// Encode writes a kept decision and its facts as one stored value: the two messages
// one after the other, each behind its length.
func Encode(kept *fitmentv1.KeptDecision, facts *fitmentv1.Facts) ([]byte, error) {
	var value bytes.Buffer
	options := protodelim.MarshalOptions{MarshalOptions: encoding}
	for _, m := range []proto.Message{kept, facts} {
		if _, err := options.MarshalTo(&value, m); err != nil {
			return nil, fmt.Errorf("encode a kept decision: %w", err)
		}
	}
	return value.Bytes(), nil
}

// Decode reads what Encode wrote.
func Decode(value []byte) (*fitmentv1.KeptDecision, *fitmentv1.Facts, error) {
	kept, facts := &fitmentv1.KeptDecision{}, &fitmentv1.Facts{}
	from := bytes.NewReader(value)
	for _, m := range []proto.Message{kept, facts} {
		if err := protodelim.UnmarshalFrom(from, m); err != nil {
			return nil, nil, fmt.Errorf("decode a kept decision: %w", err)
		}
	}
	if from.Len() > 0 {
		return nil, nil, errors.New("decode a kept decision: something follows it")
	}
	return kept, facts, nil
}
