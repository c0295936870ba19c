package server_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// revoke revokes a key as the operator.
func (o *office) revoke(ctx context.Context, name string) error {
	_, err := o.RevokeKey(ctx, &fitmentv1.RevokeKeyRequest{Name: name, RequestId: newID()})
	return err
}

// key makes a key as the operator.
func (o *office) key(business string, days int32, roles ...string) string {
	o.t.Helper()
	made, err := o.CreateKey(operator(o.t), &fitmentv1.CreateKeyRequest{
		Key: &fitmentv1.Key{Business: business, Roles: roles}, Days: days, RequestId: newID(),
	})
	if err != nil {
		o.t.Fatal(err)
	}
	return made.GetKey().GetName()
}

// The operator's last key at the desk admin stays, unless a person can take its place:
// nobody could make a key any more. What looks like a way in and is none does not count.
func TestLastKeyOfTheOperatorStays(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		beside func(o *office)
		goes   bool
	}{
		"nothing beside":           {func(*office) {}, false},
		"a key of another desk":    {func(o *office) { o.key("operator", 0, "shop", "books") }, false},
		"a key of another's admin": {func(o *office) { o.key("saltmarrow", 0, "admin") }, false},
		"a key that has ended":     {func(o *office) { o.key("operator", 1, "admin") }, false},
		"a key that was revoked":   {func(o *office) { o.mustRevoke(o.key("operator", 0, "admin")) }, false},
		"a person of another desk": {func(o *office) { o.add("operator", "jo", passphrase, "shop") }, false},
		"a person, no password":    {func(o *office) { o.add("operator", "jo", "", "admin") }, false},
		"a person who is shut out": {func(o *office) { o.shut(o.add("operator", "jo", passphrase, "admin")) }, false},
		"a person of another":      {func(o *office) { o.add("saltmarrow", "jo", passphrase, "admin") }, false},
		"another key":              {func(o *office) { o.key("operator", 0, "yard", "admin") }, true},
		"a person with a password": {func(o *office) { o.add("operator", "jo", passphrase, "shop", "admin") }, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := newOffice(t)
			last := o.key("operator", 0, "admin", "shop")
			c.beside(o)
			o.clock.Advance(25 * time.Hour)
			err := o.revoke(operator(t), last)
			if (err == nil) != c.goes {
				t.Fatalf("revoked: %v", err)
			}
			if said := status.Convert(err); err != nil && (said.Code() != codes.FailedPrecondition || !strings.Contains(said.Message(), "make another key with the desk admin first")) {
				t.Errorf("%v", err)
			}
			// What lets nobody administer anything goes all the same, and so does any key
			// of a business that the operator can help.
			o.mustRevoke(o.key("operator", 0, "books"))
			o.mustRevoke(o.key("saltmarrow", 0, "admin"))
			if c.goes {
				o.mustRevoke(last) // once more: it has ended
			}
		})
	}
}

// Two who revoke each other's key at once do not both succeed.
func TestLastKeysAreNotRevokedAtOnce(t *testing.T) {
	t.Parallel()
	for range 40 {
		o := newOffice(t)
		both := []string{o.key("operator", 0, "admin"), o.key("operator", 0, "admin")}
		errs := make([]error, len(both))
		var all sync.WaitGroup
		for i, name := range both {
			all.Go(func() { errs[i] = o.revoke(operator(t), name) })
		}
		all.Wait()
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Fatalf("%v, %v; want one to succeed", errs[0], errs[1])
		}
	}
}

func (o *office) mustRevoke(name string) {
	o.t.Helper()
	if err := o.revoke(operator(o.t), name); err != nil {
		o.t.Fatal(err)
	}
}

// shut shuts a person out.
func (o *office) shut(p *fitmentv1.Person) {
	o.t.Helper()
	_, err := o.UpdatePerson(operator(o.t), &fitmentv1.UpdatePersonRequest{
		Person: &fitmentv1.Person{Name: p.GetName(), DisplayName: p.GetDisplayName(), Roles: p.GetRoles(), Suspended: true},
		Etag:   p.GetEtag(), RequestId: newID(),
	})
	if err != nil {
		o.t.Fatal(err)
	}
}
