// Package watch keeps what the reader of one watch of donors has been sent, in a
// token that the reader hands back. Since the token holds all of it, a watch that
// is taken up again, after however long and at whatever server, sends exactly what
// has become of it since: nothing twice, and nothing is missed.
//
// The token has no key: whoever knows how it is made can make one. It says what
// its reader knows, and so decides only what is sent to him again. It grants
// nothing.
package watch

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/store"
)

// Limits of a watch (choices of this project, no source).
const (
	// MaxListings is how many listings a watch follows at most.
	MaxListings = 2000
	// MaxToken is the greatest length of a token, in characters: what a request
	// line of HTTP has room for in the servers that we know of.
	MaxToken = 24 << 10
)

// What goes wrong.
var (
	// ErrToken means: no token of this watch.
	ErrToken = errors.New("watch: not a revision of this watch")
	// ErrTooMany means: more listings, or longer names, than a token holds.
	ErrTooMany = errors.New("watch: more listings than a revision can hold")
)

// Mark tells the watches of one need from all others.
type Mark [12]byte

// MarkOf marks a tenant's watches of a need of this name. A need never changes, so
// a mark that differs is of another need.
func MarkOf(tenant, name string, need *fitmentv1.Need) (Mark, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(need)
	if err != nil {
		return Mark{}, fmt.Errorf("mark a need: %w", err)
	}
	sum := sha256.Sum256(append([]byte(tenant+"\x00"+name+"\x00"), raw...))
	return Mark(sum[:len(Mark{})]), nil
}

// Sent is a listing as it was sent last.
type Sent struct {
	// Name is the listing's.
	Name string
	// Verdict is the decision's, FITS or PROVE_FIRST.
	Verdict fitmentv1.Decision_Verdict
}

// State is what a reader knows: the listings that he was sent and not told of as
// gone. The zero State is that of a new reader.
type State struct {
	// Place is how far the store's changes stand in it.
	Place store.Place

	sent []Sent // in order of name, each name once
}

// Listings are what the reader has been sent, in order of name.
func (s *State) Listings() []Sent { return slices.Clone(s.sent) }

func (s *State) find(name string) (int, bool) {
	return slices.BinarySearchFunc(s.sent, name, func(one Sent, name string) int { return strings.Compare(one.Name, name) })
}

// Knows tells whether the reader has the listing with this verdict.
func (s *State) Knows(name string, verdict fitmentv1.Decision_Verdict) bool {
	at, ok := s.find(name)
	return ok && s.sent[at].Verdict == verdict
}

// Add notes that a listing was sent; it replaces what was sent of it before.
func (s *State) Add(name string, verdict fitmentv1.Decision_Verdict) {
	at, ok := s.find(name)
	if ok {
		s.sent[at].Verdict = verdict
		return
	}
	s.sent = slices.Insert(s.sent, at, Sent{name, verdict})
}

// Drop notes that the reader was told that a listing is gone.
func (s *State) Drop(name string) {
	if at, ok := s.find(name); ok {
		s.sent = slices.Delete(s.sent, at, at+1)
	}
}

// Gone lists the names that the reader has and that are no longer there.
func (s *State) Gone(there func(name string) bool) []string {
	var gone []string
	for _, one := range s.sent {
		if !there(one.Name) {
			gone = append(gone, one.Name)
		}
	}
	return gone
}

// tokenMark opens every token, so that none is taken for another revision.
const tokenMark = "w"

// listingPrefix stands in front of every listing's name and is left out of tokens.
const listingPrefix = "listings/"

// verdictCodes are how tokens say a verdict.
var verdictCodes = []fitmentv1.Decision_Verdict{fitmentv1.Decision_FITS, fitmentv1.Decision_PROVE_FIRST}

// Encode writes a state as a token. Each name is written as what it adds to the
// beginning that it shares with the one before: names of one yard share much.
func Encode(mark Mark, s *State) (string, error) {
	if len(s.sent) > MaxListings {
		return "", fmt.Errorf("%w: %d listings, at most %d", ErrTooMany, len(s.sent), MaxListings)
	}
	raw := append([]byte{}, mark[:]...)
	raw = binary.AppendVarint(raw, s.Place.Version)
	raw = appendText(raw, s.Place.Epoch)
	raw = binary.AppendUvarint(raw, uint64(len(s.sent)))
	before := ""
	for _, one := range s.sent {
		name := strings.TrimPrefix(one.Name, listingPrefix)
		shared := common(before, name)
		code := slices.Index(verdictCodes, one.Verdict)
		if code < 0 {
			return "", fmt.Errorf("watch: %s was sent as %s", one.Name, one.Verdict)
		}
		raw = binary.AppendUvarint(raw, uint64(shared*len(verdictCodes)+code))
		raw = appendText(raw, name[shared:])
		before = name
	}
	token := tokenMark + base64.RawURLEncoding.EncodeToString(raw)
	if len(token) > MaxToken {
		return "", fmt.Errorf("%w: %d listings with long names", ErrTooMany, len(s.sent))
	}
	return token, nil
}

func appendText(raw []byte, text string) []byte {
	return append(binary.AppendUvarint(raw, uint64(len(text))), text...)
}

// common is the length of the beginning that two texts share.
func common(a, b string) int {
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return n
}

// Decode reads what Encode wrote, to the letter, for a watch of this mark; ErrToken
// for anything else. The empty token is the zero State.
func Decode(mark Mark, token string) (*State, error) {
	s := &State{}
	if token == "" {
		return s, nil
	}
	body, ok := strings.CutPrefix(token, tokenMark)
	raw, err := base64.RawURLEncoding.Strict().DecodeString(body)
	if !ok || err != nil || len(token) > MaxToken || len(raw) < len(mark) || Mark(raw[:len(mark)]) != mark {
		return nil, ErrToken
	}
	r := reader{raw: raw[len(mark):]}
	s.Place.Version = r.signed()
	s.Place.Epoch = r.text()
	r.listings(s)
	// A state has one token only: that also refuses lengths written at length, and
	// names out of order.
	if again, err := Encode(mark, s); r.bad || len(r.raw) > 0 || s.Place.Version < 0 || err != nil || again != token {
		return nil, ErrToken
	}
	return s, nil
}

// reader takes a token apart; bad is set once something does not make sense.
type reader struct {
	raw []byte
	bad bool
}

func (r *reader) listings(s *State) {
	count := r.number(MaxListings)
	before := ""
	for range count {
		head := r.number(len(verdictCodes) * (store.MaxKeyPart*2 + 1))
		shared := head / len(verdictCodes)
		if shared > len(before) {
			r.bad = true
			return
		}
		name := before[:shared] + r.text()
		if _, _, ok := listing.ParseName(listingPrefix + name); !ok || name <= before {
			r.bad = true
			return
		}
		s.sent = append(s.sent, Sent{listingPrefix + name, verdictCodes[head%len(verdictCodes)]})
		before = name
	}
}

// number takes a number from 0 to most.
func (r *reader) number(most int) int {
	value, size := binary.Uvarint(r.raw)
	if size <= 0 || value > uint64(most) {
		r.bad, r.raw = true, nil
		return 0
	}
	r.raw = r.raw[size:]
	return int(value)
}

func (r *reader) signed() int64 {
	value, size := binary.Varint(r.raw)
	if size <= 0 {
		r.bad, r.raw = true, nil
		return 0
	}
	r.raw = r.raw[size:]
	return value
}

func (r *reader) text() string {
	size := r.number(len(r.raw))
	if size > len(r.raw) {
		r.bad, r.raw = true, nil
		return ""
	}
	text := string(r.raw[:size])
	r.raw = r.raw[size:]
	return text
}
