// Package people says what is kept of the people who sign in: the person, the hash of
// the password, and a generation that rises whenever all sessions so far are to end.
// It decides what a change makes of that; reading and writing records is for others,
// but for Get.
package people

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/issuer"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

const (
	// Kind is the kind of people's records; they lie under their business.
	Kind = "person"
	// SubjectKind is the kind of the records that say whom a provider's subject is;
	// they lie under no business, since a subject is one person only.
	SubjectKind = "subject"
	// collection opens the names of people.
	collection = "people/"
	common     = "common"
)

// Bounds of what is kept.
const (
	MaxID      = 40
	MaxDisplay = 200
	// MaxSubject is the longest subject: OpenID Connect Core 1.0, section 2, allows
	// 255 characters.
	MaxSubject = 255
	MaxIssuer  = 500
)

// Kept is a person with what is kept beside. The zero value is nobody.
type Kept struct {
	// Person as others see it, etag and name filled in.
	Person *fitmentv1.Person
	// Hash is the password's; empty for none.
	Hash string
	// Generation is what a session must have been begun under to count.
	Generation int64
	// Reset is when Generation rose last; zero where it never did.
	Reset time.Time
	// Version is the record's.
	Version int64
}

// record is the stored form.
type record struct {
	Person     []byte    `json:"person"`
	Hash       string    `json:"hash,omitempty"`
	Generation int64     `json:"generation"`
	Reset      time.Time `json:"reset,omitzero"`
}

// Name is the resource name of a person.
func Name(business, id string) string { return collection + business + "." + id }

// ParseName reads a resource name; false where it is none.
func ParseName(name string) (business, id string, ok bool) {
	rest, ok := strings.CutPrefix(name, collection)
	if !ok {
		return "", "", false
	}
	return split(rest, ".")
}

// Login is what the person signs in as.
func Login(business, id string) string { return id + "@" + business }

// ParseLogin reads what somebody signs in as; false where nobody can be that.
func ParseLogin(login string) (business, id string, ok bool) {
	id, business, ok = strings.Cut(login, "@")
	return business, id, ok && identity.ValidTenant(business) && ValidID(id)
}

func split(text, separator string) (business, id string, ok bool) {
	business, id, ok = strings.Cut(text, separator)
	return business, id, ok && identity.ValidTenant(business) && ValidID(id)
}

// ValidID tells whether a text can be a person's id.
func ValidID(id string) bool {
	if id == "" || len(id) > MaxID {
		return false
	}
	for _, c := range []byte(id) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// Key is where a person's record lies.
func Key(business, id string) store.Key { return store.Key{Tenant: business, Kind: Kind, ID: id} }

// Get reads a person; store.ErrNotFound where there is none.
func Get(ctx context.Context, records store.Store, business, id string) (Kept, error) {
	found, err := records.Get(ctx, Key(business, id))
	if err != nil {
		return Kept{}, fmt.Errorf("people: %w", err)
	}
	return Decode(found)
}

// Decode reads a record.
func Decode(r store.Record) (Kept, error) {
	kept, err := decodeValue(r.Value)
	if err != nil {
		return Kept{}, fmt.Errorf("people: record of %s: %w", Name(r.Key.Tenant, r.Key.ID), err)
	}
	kept.Version = r.Version
	kept.Person.Etag = revision.ETag(r.Version)
	return kept, nil
}

func decodeValue(value []byte) (Kept, error) {
	var stored record
	if err := json.Unmarshal(value, &stored); err != nil {
		return Kept{}, err
	}
	person := &fitmentv1.Person{}
	if err := proto.Unmarshal(stored.Person, person); err != nil {
		return Kept{}, err
	}
	person.Name = Name(person.GetBusiness(), person.GetId())
	person.HasPassword = stored.Hash != ""
	return Kept{Person: person, Hash: stored.Hash, Generation: stored.Generation, Reset: stored.Reset}, nil
}

// DecodeAnswer reads what Encode wrote, as it is kept with a request id; the version
// is that of the write.
func DecodeAnswer(value []byte, version int64) (Kept, error) {
	kept, err := decodeValue(value)
	if err != nil {
		return Kept{}, fmt.Errorf("people: a kept answer: %w", err)
	}
	kept.Version = version
	kept.Person.Etag = revision.ETag(version)
	return kept, nil
}

// Encode is the stored form.
func (k Kept) Encode() ([]byte, error) {
	bare := proto.CloneOf(k.Person)
	bare.Name, bare.Etag, bare.HasPassword = "", "", false
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return nil, fmt.Errorf("people: %w", err)
	}
	value, err := json.Marshal(record{Person: raw, Hash: k.Hash, Generation: k.Generation, Reset: k.Reset})
	if err != nil {
		return nil, fmt.Errorf("people: %w", err)
	}
	return value, nil
}

// New is a person who is added now.
func New(asked *fitmentv1.Person, hash string, now time.Time) Kept {
	return Kept{Person: person(asked, asked.GetBusiness(), asked.GetId(), timestamppb.New(now.UTC())), Hash: hash}
}

// Updated is a person as asked: everything but id, business and password. Suspending
// ends all sessions so far, so that none of them wakes up again later; and so does
// another link to a provider, as another password does: whoever came by the old way is
// to come again.
func (k Kept) Updated(asked *fitmentv1.Person, now time.Time) Kept {
	next := k
	next.Person = person(asked, k.Person.GetBusiness(), k.Person.GetId(), k.Person.GetCreateTime())
	linked := linkOf(k)
	if asked.GetSuspended() && !k.Person.GetSuspended() || linked != (link{}) && linked != linkOf(next) {
		next = next.ended(now)
	}
	return next
}

// Signed is a person with another password, "" for none; all sessions so far end.
func (k Kept) Signed(hash string, now time.Time) Kept {
	next := k.ended(now)
	next.Hash = hash
	return next
}

// Rehashed is a person whose password is kept by another hash: nothing else changes.
func (k Kept) Rehashed(hash string) Kept {
	k.Hash = hash
	return k
}

func (k Kept) ended(now time.Time) Kept {
	k.Generation++
	k.Reset = now.UTC()
	return k
}

func person(asked *fitmentv1.Person, business, id string, created *timestamppb.Timestamp) *fitmentv1.Person {
	return &fitmentv1.Person{
		Business: business, Id: id, DisplayName: asked.GetDisplayName(), Roles: asked.GetRoles(),
		Suspended: asked.GetSuspended(), Issuer: asked.GetIssuer(), Subject: asked.GetSubject(), CreateTime: created,
	}
}

// Put is the write of a person's record, which must be as it was read.
func (k Kept) Put() (store.Put, error) {
	value, err := k.Encode()
	return store.Put{Key: Key(k.Person.GetBusiness(), k.Person.GetId()), Expect: k.Version, Value: value}, err
}

// Check notes what is wrong with a person that somebody wants kept. Prefix opens the
// names of fields. Whether the business has the desks is for others to say.
func Check(fields *check.Fields, prefix string, p *fitmentv1.Person) {
	fields.Text(prefix+"display_name", p.GetDisplayName(), MaxDisplay, true)
	fields.Text(prefix+"subject", p.GetSubject(), MaxSubject, false)
	if (p.GetIssuer() == "") != (p.GetSubject() == "") {
		fields.Add(prefix+"subject", "stands without its issuer, or the issuer without it", "both or neither")
	}
	if p.GetIssuer() != "" && (len(p.GetIssuer()) > MaxIssuer || !issuer.Valid(p.GetIssuer())) {
		fields.Add(prefix+"issuer", "is no issuer", "an address such as https://id.example.com, without query and fragment")
	}
}

// SubjectKey is where it is kept whom a provider's subject is. The name is a digest:
// issuers and subjects are longer than names of records may be.
func SubjectKey(from, subject string) store.Key {
	sum := sha256.Sum256([]byte(from + "\x00" + subject))
	return store.Key{Tenant: common, Kind: SubjectKind, ID: hex.EncodeToString(sum[:])}
}

// ErrTaken says that a provider's subject is somebody else already.
var ErrTaken = errors.New("people: that subject of the provider is another person already")

// Links returns the writes that move a person's link to a provider from before to
// after, reading what stands there. Before is the zero value for somebody new.
func Links(ctx context.Context, records store.Store, before, after Kept) ([]store.Put, error) {
	from, to := linkOf(before), linkOf(after)
	if from == to {
		return nil, nil
	}
	var puts []store.Put
	name := Name(after.Person.GetBusiness(), after.Person.GetId())
	if to != (link{}) {
		put, err := claim(ctx, records, SubjectKey(to.issuer, to.subject), name)
		if err != nil {
			return nil, err
		}
		puts = append(puts, put)
	}
	if from != (link{}) {
		// A record without a value is none; it may not be anybody else's meanwhile.
		found, err := records.Get(ctx, SubjectKey(from.issuer, from.subject))
		switch {
		case err == nil && string(found.Value) == name:
			puts = append(puts, store.Put{Key: found.Key, Expect: found.Version, Value: nil})
		case err != nil && !errors.Is(err, store.ErrNotFound):
			return nil, fmt.Errorf("people: %w", err)
		}
	}
	return puts, nil
}

type link struct{ issuer, subject string }

func linkOf(k Kept) link { return link{issuer: k.Person.GetIssuer(), subject: k.Person.GetSubject()} }

func claim(ctx context.Context, records store.Store, key store.Key, name string) (store.Put, error) {
	found, err := records.Get(ctx, key)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return store.Put{Key: key, Expect: store.Absent, Value: []byte(name)}, nil
	case err != nil:
		return store.Put{}, fmt.Errorf("people: %w", err)
	case len(found.Value) > 0 && string(found.Value) != name:
		return store.Put{}, ErrTaken
	}
	return store.Put{Key: key, Expect: found.Version, Value: []byte(name)}, nil
}

// BySubject finds the person whom a provider vouches for; store.ErrNotFound where it
// is nobody.
func BySubject(ctx context.Context, records store.Store, from, subject string) (Kept, error) {
	found, err := records.Get(ctx, SubjectKey(from, subject))
	if err != nil {
		return Kept{}, fmt.Errorf("people: %w", err)
	}
	business, id, ok := ParseName(string(found.Value))
	if !ok {
		return Kept{}, fmt.Errorf("people: %w", store.ErrNotFound) // the link was taken away
	}
	kept, err := Get(ctx, records, business, id)
	if err == nil && linkOf(kept) != (link{issuer: from, subject: subject}) {
		return Kept{}, fmt.Errorf("people: %w", store.ErrNotFound)
	}
	return kept, err
}
