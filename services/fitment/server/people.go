package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/fitment/signin"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// CreatePerson adds a person to a business that the caller manages.
func (s *IdentityServer) CreatePerson(ctx context.Context, req *fitmentv1.CreatePersonRequest) (*fitmentv1.CreatePersonResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	business, err := managed(p, "person.business", req.GetPerson().GetBusiness())
	if err != nil {
		return nil, err
	}
	asked := proto.CloneOf(req.GetPerson())
	if asked == nil {
		asked = &fitmentv1.Person{}
	}
	asked.Business = business
	err = wellFormed(func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		checkNewPerson(fields, asked)
		if req.GetPassword() != "" {
			password.Judge(fields, "password", req.GetPassword(), words(asked)...)
		}
	})
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(req)
	bare.Password = "" // see samePassword
	hash := s.hash(req.GetPassword())
	applied, err := s.once(ctx, p, req.GetRequestId(), bare, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		if err := mayLink(p, nil, asked); err != nil {
			return nil, store.Change{}, err
		}
		if err := s.hasDesks(ctx, business, "person.roles", asked.GetRoles()); err != nil {
			return nil, store.Change{}, err
		}
		if _, err := people.Get(ctx, s.store, business, asked.GetId()); err == nil {
			return nil, store.Change{}, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
				"person.id: %q is taken in business %s", asked.GetId(), business)
		} else if !errors.Is(err, store.ErrNotFound) {
			return nil, store.Change{}, err
		}
		text, err := hash(ctx)
		if err != nil {
			return nil, store.Change{}, err
		}
		return s.written(ctx, people.Kept{}, people.New(asked, text, now))
	})
	if err != nil {
		return nil, err
	}
	person, at, err := s.personOf(ctx, applied, req.GetPassword())
	return &fitmentv1.CreatePersonResponse{Person: person, Revision: at}, err
}

// checkNewPerson notes what is wrong with a person who is to be added.
func checkNewPerson(fields *check.Fields, asked *fitmentv1.Person) {
	if !people.ValidID(asked.GetId()) {
		fields.Add("person.id", fmt.Sprintf("%q is no id", asked.GetId()), fmt.Sprintf("1 to %d of a-z, 0-9 and -", people.MaxID))
	}
	for field, given := range map[string]bool{
		"person.name": asked.GetName() != "", "person.etag": asked.GetEtag() != "",
		"person.has_password": asked.GetHasPassword(), "person.create_time": asked.GetCreateTime() != nil,
	} {
		if given {
			fields.Add(field, "is output only", "nothing")
		}
	}
	checkPerson(fields, asked)
}

func checkPerson(fields *check.Fields, asked *fitmentv1.Person) {
	people.Check(fields, "person.", asked)
	businesses.CheckDesks("person.roles", asked.GetRoles(), fields)
}

// words are what a person's password must not be made of.
func words(p *fitmentv1.Person) []string {
	return append(strings.Fields(p.GetDisplayName()), p.GetId(), p.GetBusiness())
}

// administers is who is calling, who must be an administrator, be it of one business or
// of all.
// The table of who may call what says so too; people and sessions do not hang on that
// alone.
func administers(ctx context.Context) (identity.Principal, error) {
	p, err := caller(ctx)
	if err == nil && !p.Has(identity.Admin) {
		err = administratorsOnly()
	}
	return p, err
}

func administratorsOnly() error {
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"only administrators of a business may do this")
}

// managed is the business that a caller means and manages: its own, or any where the
// operator asks.
func managed(p identity.Principal, field, asked string) (string, error) {
	switch {
	case !p.Has(identity.Admin):
		return "", administratorsOnly()
	case asked == "" || asked == p.Tenant:
		return p.Tenant, nil
	case !p.Has(identity.Operator):
		return "", apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
			"%s: is another business; only administrators of the operator manage those", field)
	case !businesses.ValidID(asked):
		return "", apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: field, Problem: "is no id of a business", Expected: fmt.Sprintf("1 to %d of a-z, 0-9 and -", identity.MaxTenant),
		})
	}
	return asked, nil
}

// mayLink leaves it to the operator to say whom a provider's subject is: subjects are
// of the whole deployment, and an administrator who named somebody else's would have
// that person sign in to the wrong business. Taking a link away is open to both.
func mayLink(p identity.Principal, before, after *fitmentv1.Person) error {
	if after.GetSubject() == "" || p.Has(identity.Operator) ||
		before.GetIssuer() == after.GetIssuer() && before.GetSubject() == after.GetSubject() {
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"person.subject: only administrators of the operator say whom a provider's subject is; ask them, or leave it as it is")
}

// hasDesks refuses desks that a business does not have.
func (s *IdentityServer) hasDesks(ctx context.Context, business, field string, roles []string) error {
	found, err := s.business(ctx, business)
	if err != nil {
		return err
	}
	return wellFormed(func(fields *check.Fields) {
		for i, role := range roles {
			if !slices.Contains(found.GetRoles(), role) {
				fields.Add(fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("business %s has no desk %q", business, role),
					"some of "+strings.Join(found.GetRoles(), ", "))
			}
		}
	})
}

// hash returns a function that makes the hash of a password when it is first called.
func (s *IdentityServer) hash(secret string) func(ctx context.Context) (string, error) {
	made := ""
	return func(ctx context.Context) (string, error) {
		if secret == "" || made != "" {
			return made, nil
		}
		var err error
		made, err = s.hasher.Make(ctx, secret)
		return made, err
	}
}

// written is the write that makes a person of before into after, with further puts.
func (s *IdentityServer) written(ctx context.Context, before, after people.Kept, more ...store.Put) ([]byte, store.Change, error) {
	put, err := after.Put()
	if err != nil {
		return nil, store.Change{}, err
	}
	links, err := people.Links(ctx, s.store, before, after)
	if errors.Is(err, people.ErrTaken) {
		return nil, store.Change{}, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
			"person.subject: that subject of the provider is another person already")
	} else if err != nil {
		return nil, store.Change{}, err
	}
	puts := append([]store.Put{put}, links...)
	return put.Value, store.Change{Puts: append(puts, more...)}, nil
}

// personOf makes the answer of a write of a person.
func (s *IdentityServer) personOf(ctx context.Context, applied store.Applied, secret string) (*fitmentv1.Person, string, error) {
	at, version, err := s.placed(ctx, applied)
	if err != nil {
		return nil, "", err
	}
	kept, err := people.DecodeAnswer(applied.Answer, version)
	if err == nil {
		err = s.samePassword(ctx, applied, kept, secret)
	}
	return kept.Person, at, err
}

// samePassword refuses the repeat of a request with another password. Passwords are no
// part of a request's fingerprint: that is kept, and being a fast hash it would help
// whoever steals a store to guess them. So the slow hash of the first time, which is
// kept with the answer, is compared.
func (s *IdentityServer) samePassword(ctx context.Context, applied store.Applied, kept people.Kept, secret string) error {
	if !applied.Replayed || secret == "" && kept.Hash == "" {
		return nil
	}
	same := false
	if secret != "" && kept.Hash != "" {
		var err error
		if same, _, err = s.hasher.Matches(ctx, kept.Hash, secret); err != nil {
			return err
		}
	}
	if !same {
		return edge(store.ErrRequestReused)
	}
	return nil
}

// ListPeople pages through the people of a business that the caller manages.
func (s *IdentityServer) ListPeople(ctx context.Context, req *fitmentv1.ListPeopleRequest) (*fitmentv1.ListPeopleResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	business, err := managed(p, "business", req.GetBusiness())
	if err != nil {
		return nil, err
	}
	found, next, err := s.page(ctx, p, req, business, people.Kind)
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.ListPeopleResponse{NextPageToken: next.token}
	for _, r := range found {
		kept, err := people.Decode(r)
		if err != nil {
			return nil, err
		}
		answer.People = append(answer.People, kept.Person)
	}
	return answer, nil
}

// named reads the person of a resource name. One of another business does not exist
// for whoever does not manage it.
func (s *IdentityServer) named(ctx context.Context, p identity.Principal, name string) (people.Kept, error) {
	missing := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no such person; expected people/{business}.{id}")
	business, id, ok := people.ParseName(name)
	if !ok || business != p.Tenant && !p.Has(identity.Operator) {
		return people.Kept{}, missing
	}
	kept, err := people.Get(ctx, s.store, business, id)
	if errors.Is(err, store.ErrNotFound) {
		return people.Kept{}, missing
	}
	return kept, err
}

// UpdatePerson replaces everything but id, business and password.
func (s *IdentityServer) UpdatePerson(ctx context.Context, req *fitmentv1.UpdatePersonRequest) (*fitmentv1.UpdatePersonResponse, error) {
	p, err := administers(ctx)
	if err != nil {
		return nil, err
	}
	asked := req.GetPerson()
	business, id, _ := people.ParseName(asked.GetName())
	err = wellFormed(func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		checkPerson(fields, asked)
		if asked.GetBusiness() != "" && asked.GetBusiness() != business || asked.GetId() != "" && asked.GetId() != id {
			fields.Add("person.id", "differs from the name, or the business does", "what the name says, or nothing")
		}
		if req.GetEtag() == "" {
			fields.Add("etag", "is missing", "the etag that was read")
		}
	})
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		before, err := s.named(ctx, p, asked.GetName())
		if err != nil {
			return nil, store.Change{}, err
		}
		if before.Person.GetEtag() != req.GetEtag() {
			return nil, store.Change{}, apierr.New(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE,
				"the person changed since the etag was read; read it again")
		}
		if err := mayLink(p, before.Person, asked); err != nil {
			return nil, store.Change{}, err
		}
		if err := s.hasDesks(ctx, business, "person.roles", asked.GetRoles()); err != nil {
			return nil, store.Change{}, err
		}
		return s.replaced(ctx, before, before.Updated(asked, now), "", now)
	})
	if err != nil {
		return nil, err
	}
	person, at, err := s.personOf(ctx, store.Applied{Versions: applied.Versions, Answer: applied.Answer}, "")
	return &fitmentv1.UpdatePersonResponse{Person: person, Revision: at}, err
}

// replaced is the write that makes a person of before into after. Where that is a new
// generation, all sessions but the kept one end with it.
func (s *IdentityServer) replaced(ctx context.Context, before, after people.Kept, kept string, now time.Time) ([]byte, store.Change, error) {
	if after.Generation == before.Generation {
		return s.written(ctx, before, after)
	}
	ends, err := s.sessions.EndAll(ctx, before, after, kept, now)
	if err != nil {
		return nil, store.Change{}, err
	}
	return s.written(ctx, before, after, ends...)
}

// SetPassword gives a person another password, or none, and ends all of its sessions.
func (s *IdentityServer) SetPassword(ctx context.Context, req *fitmentv1.SetPasswordRequest) (*fitmentv1.SetPasswordResponse, error) {
	p, err := administers(ctx)
	if err != nil {
		return nil, err
	}
	person, err := s.named(ctx, p, req.GetName())
	if err != nil {
		return nil, edge(err)
	}
	err = wellFormed(func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		if req.GetPassword() != "" {
			password.Judge(fields, "password", req.GetPassword(), words(person.Person)...)
		}
	})
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(req)
	bare.Password = "" // see samePassword
	hash := s.hash(req.GetPassword())
	applied, err := s.once(ctx, p, req.GetRequestId(), bare, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		text, err := hash(ctx)
		if err != nil {
			return nil, store.Change{}, err
		}
		before, err := s.named(ctx, p, req.GetName())
		if err != nil {
			return nil, store.Change{}, err
		}
		return s.replaced(ctx, before, before.Signed(text, now), "", now)
	})
	if err != nil {
		return nil, err
	}
	answer, at, err := s.personOf(ctx, applied, req.GetPassword())
	return &fitmentv1.SetPasswordResponse{Person: answer, Revision: at}, err
}

// ChangePassword replaces the caller's own password and ends his other sessions. The
// old one is asked for, so that a session left open does not give the person away.
func (s *IdentityServer) ChangePassword(ctx context.Context, req *fitmentv1.ChangePasswordRequest) (*fitmentv1.ChangePasswordResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := signedIn(p); err != nil {
		return nil, err
	}
	person, err := s.named(ctx, p, p.Person)
	if err != nil {
		return nil, edge(err)
	}
	err = wellFormed(func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		secret(fields, "old_password", req.GetOldPassword())
		password.Judge(fields, "new_password", req.GetNewPassword(), words(person.Person)...)
		if req.GetNewPassword() == req.GetOldPassword() {
			fields.Add("new_password", "is the old one", "another one")
		}
	})
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(req)
	bare.OldPassword, bare.NewPassword = "", "" // see samePassword
	applied, err := s.once(ctx, p, req.GetRequestId(), bare, s.change(p, person.Person.GetId(), req))
	if err != nil {
		return nil, err
	}
	kept, err := people.DecodeAnswer(applied.Answer, 0)
	if err == nil && kept.Person.GetName() != p.Person {
		// The request does not say who makes it, and others of the business may not
		// find out by it what his password is.
		err = edge(store.ErrRequestReused)
	}
	if err != nil {
		return nil, err
	}
	_, _, err = s.personOf(ctx, applied, req.GetNewPassword())
	return &fitmentv1.ChangePasswordResponse{}, err
}

// change is the deed of ChangePassword. What was proven holds for the person as it was
// then: whoever reset the password or shut the person out meanwhile wins.
func (s *IdentityServer) change(p identity.Principal, id string, req *fitmentv1.ChangePasswordRequest) deed {
	hash, proven := s.hash(req.GetNewPassword()), people.Kept{}
	return func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		if proven.Person == nil {
			var err error
			if proven, err = s.desk.Prove(ctx, p.Tenant, id, req.GetOldPassword()); err != nil {
				return nil, store.Change{}, err
			}
		}
		text, err := hash(ctx)
		if err != nil {
			return nil, store.Change{}, err
		}
		before, err := s.named(ctx, p, p.Person)
		if err != nil {
			return nil, store.Change{}, err
		}
		if before.Generation != proven.Generation {
			return nil, store.Change{}, signin.Refusal()
		}
		return s.replaced(ctx, before, before.Signed(text, now), p.KeyID, now)
	}
}
