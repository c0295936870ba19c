package server_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/fitment/signin"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/storetest"
)

const (
	passphrase = "four plain words here"
	another    = "five other words to say"
)

// office is where people are kept and sign in: two businesses, kettlewick with the
// desks yard and admin, saltmarrow with all of them, and the operator's.
type office struct {
	*server.IdentityServer

	t        *testing.T
	dir      string
	store    store.Store
	clock    *storetest.Clock
	sessions *sessions.Store
	log      *bytes.Buffer
	hashes   int
	// drawn, where set, is called when a salt has been drawn: between the proof of an
	// old password and the write of a new one.
	drawn func()
}

func newOffice(t *testing.T) *office {
	t.Helper()
	o := &office{t: t, dir: t.TempDir(), clock: storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC)), log: &bytes.Buffer{}}
	kept := embeddedtest.Open(t, o.dir, embedded.Options{Now: o.clock.Now, NoSync: true})
	o.store = kept
	known := businesses.New(kept)
	for id, operator := range map[string]bool{"kettlewick": false, "saltmarrow": false, "operator": true} {
		if err := known.Ensure(t.Context(), id, operator, o.clock.Now()); err != nil {
			t.Fatal(err)
		}
	}
	keyStore, err := keys.Open(t.Context(), kept, keys.Options{Now: o.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	if o.sessions, err = sessions.Open(t.Context(), sessions.Options{Records: kept, Businesses: known}); err != nil {
		t.Fatal(err)
	}
	hasher := password.NewHasher(password.Options{Parameters: password.Parameters{Memory: 64, Time: 1, Threads: 1}, Random: counted{o}})
	desk, err := signin.New(signin.Options{
		Records: kept, Sessions: o.sessions, Hasher: hasher, Log: slog.New(slog.NewTextHandler(o.log, nil)),
		Logins: guesses.New(guesses.Options{Now: o.clock.Now}), Addresses: guesses.New(guesses.Options{Now: o.clock.Now}),
	})
	if err != nil {
		t.Fatal(err)
	}
	if o.IdentityServer, err = server.NewIdentity(server.IdentityOptions{Store: kept, Keys: keyStore, Sessions: o.sessions, Desk: desk, Hasher: hasher}); err != nil {
		t.Fatal(err)
	}
	o.desks("kettlewick", "yard", "admin")
	return o
}

// counted is randomness that counts how often it is asked: once a hash that is made.
type counted struct{ o *office }

func (c counted) Read(into []byte) (int, error) {
	c.o.hashes++
	for i := range into {
		into[i] = byte(c.o.hashes + i)
	}
	if c.o.drawn != nil {
		c.o.drawn()
	}
	return len(into), nil
}

// desks sets the desks of a business.
func (o *office) desks(business string, roles ...string) {
	o.t.Helper()
	got, err := o.GetBusiness(operator(o.t), &fitmentv1.GetBusinessRequest{Name: "businesses/" + business})
	if err != nil {
		o.t.Fatal(err)
	}
	next := got.GetBusiness()
	etag := next.GetEtag()
	next.Roles = roles
	next.Etag, next.CreateTime = "", nil
	if _, err := o.UpdateBusiness(operator(o.t), &fitmentv1.UpdateBusinessRequest{Business: next, Etag: etag, RequestId: newID()}); err != nil {
		o.t.Fatal(err)
	}
}

func person(t *testing.T, tenant, name, keyID string, roles ...identity.Role) context.Context {
	t.Helper()
	return identity.NewContext(t.Context(), identity.Principal{Tenant: tenant, KeyID: keyID, Person: name, Roles: roles})
}

func operator(t *testing.T) context.Context {
	t.Helper()
	return person(t, "operator", "", "opkey", identity.Admin, identity.Operator)
}

func adminOf(t *testing.T, tenant string) context.Context {
	t.Helper()
	return person(t, tenant, "", "adminkey", identity.Admin)
}

// add adds a person with a password.
func (o *office) add(business, id, secret string, roles ...string) *fitmentv1.Person {
	o.t.Helper()
	answer, err := o.CreatePerson(adminOf(o.t, business), &fitmentv1.CreatePersonRequest{
		Person: &fitmentv1.Person{Id: id, DisplayName: strings.ToUpper(id), Roles: roles}, Password: secret, RequestId: newID(),
	})
	if err != nil {
		o.t.Fatal(err)
	}
	return answer.GetPerson()
}

// signIn begins a session.
func (o *office) signIn(login, secret string) (session *fitmentv1.Session, credential string) {
	o.t.Helper()
	answer, err := o.SignIn(o.t.Context(), &fitmentv1.SignInRequest{Login: login, Password: secret})
	if err != nil {
		o.t.Fatal(err)
	}
	return answer.GetSession(), answer.GetCredential()
}

// roles are the desks that a credential sits at; nil where it is refused.
func (o *office) roles(credential string) []identity.Role {
	o.t.Helper()
	p, err := o.sessions.Verify(o.t.Context(), credential)
	if err != nil && status.Code(err) != codes.Unauthenticated {
		o.t.Fatal(err)
	}
	return p.Roles
}

// update changes a person as an administrator does.
func (o *office) update(name string, change func(p *fitmentv1.Person)) {
	o.t.Helper()
	business, _, _ := people.ParseName(name)
	list, err := o.ListPeople(adminOf(o.t, business), &fitmentv1.ListPeopleRequest{})
	if err != nil {
		o.t.Fatal(err)
	}
	i := slices.IndexFunc(list.GetPeople(), func(p *fitmentv1.Person) bool { return p.GetName() == name })
	p := list.GetPeople()[i]
	etag, subject := p.GetEtag(), p.GetSubject()
	change(p)
	as := adminOf(o.t, business)
	if s := p.GetSubject(); s != "" && s != subject { // the operator's alone
		as = operator(o.t)
	}
	if _, err := o.UpdatePerson(as, &fitmentv1.UpdatePersonRequest{Person: p, Etag: etag, RequestId: newID()}); err != nil {
		o.t.Fatal(err)
	}
}

// TestEveryRefusalIsOne: whatever is wrong with a sign-in, the answer is the same to
// the letter, and one hash was computed for it. The control is the right password.
func TestEveryRefusalIsOne(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "jo", passphrase, "yard")
	o.add("kettlewick", "out", passphrase, "yard")
	o.add("kettlewick", "none", "", "yard")
	o.add("saltmarrow", "sam", passphrase, "shop")
	o.update("people/kettlewick.out", func(p *fitmentv1.Person) { p.Suspended = true })
	o.desks("saltmarrow", "yard")
	want := ""
	for name, c := range map[string][2]string{
		"wrong password":           {"jo@kettlewick", another},
		"shut out":                 {"out@kettlewick", passphrase},
		"no password":              {"none@kettlewick", passphrase},
		"no desk left":             {"sam@saltmarrow", passphrase},
		"nobody":                   {"nobody@kettlewick", passphrase},
		"no such business":         {"jo@nowhere", passphrase},
		"no login at all":          {"jo", passphrase},
		"of another business":      {"jo@saltmarrow", passphrase},
		"in capitals":              {"JO@kettlewick", passphrase},
		"with a path in it":        {"../jo@kettlewick", passphrase},
		"password in another case": {"jo@kettlewick", strings.ToUpper(passphrase)},
		"almost":                   {"jo@kettlewick", passphrase + " "},
	} {
		_, err := o.SignIn(t.Context(), &fitmentv1.SignInRequest{Login: c[0], Password: c[1]})
		if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_SIGN_IN_REFUSED || status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", name, err)
		}
		text := fmt.Sprint(status.Convert(err).Proto())
		if want == "" {
			want = text
		}
		if text != want {
			t.Errorf("%s is told apart: %s, not %s", name, text, want)
		}
	}
	if o.signIn("jo@kettlewick", passphrase); strings.Contains(o.log.String(), passphrase) {
		t.Error("a password is in the log")
	}
	for name, request := range map[string]*fitmentv1.SignInRequest{
		"no login": {Password: passphrase}, "no password": {Login: "jo@kettlewick"},
		"too long": {Login: "jo@kettlewick", Password: strings.Repeat("x", 257)},
	} {
		if _, err := o.SignIn(t.Context(), request); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestGuessingAtALoginIsSlowed: the sixth guess has to wait, for a login that there is
// and for one that there is not, even with the right password; after its wait that one
// lets the person in, and starts the count anew.
func TestGuessingAtALoginIsSlowed(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "jo", passphrase, "yard")
	for _, login := range []string{"jo@kettlewick", "nobody@kettlewick"} {
		for i := range 5 {
			_, err := o.SignIn(t.Context(), &fitmentv1.SignInRequest{Login: login, Password: another})
			wantReason(t, err, fitmentv1.ErrorInfo_SIGN_IN_REFUSED)
			_ = i
		}
		_, err := o.SignIn(t.Context(), &fitmentv1.SignInRequest{Login: login, Password: passphrase})
		wantReason(t, err, fitmentv1.ErrorInfo_RATE_LIMITED)
	}
	o.clock.Advance(time.Second)
	_, credential := o.signIn("jo@kettlewick", passphrase)
	for range 4 {
		_, err := o.SignIn(t.Context(), &fitmentv1.SignInRequest{Login: "jo@kettlewick", Password: another})
		wantReason(t, err, fitmentv1.ErrorInfo_SIGN_IN_REFUSED)
	}
	o.signIn("jo@kettlewick", passphrase)
	// Guessing at the old password of an open session counts alike.
	p, err := o.sessions.Verify(t.Context(), credential)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		_, err := o.ChangePassword(identity.NewContext(t.Context(), p), &fitmentv1.ChangePasswordRequest{OldPassword: another, NewPassword: "quite other words again", RequestId: newID()})
		wantReason(t, err, fitmentv1.ErrorInfo_SIGN_IN_REFUSED)
	}
	_, err = o.ChangePassword(identity.NewContext(t.Context(), p), &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: "quite other words again", RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_RATE_LIMITED)
}

// TestWhatEndsSessions: each of these ends a session that counted before.
func TestWhatEndsSessions(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		deed func(o *office, session *fitmentv1.Session, p identity.Principal)
		// desks is what is left of yard and admin.
		desks []identity.Role
	}{
		"nothing": {func(*office, *fitmentv1.Session, identity.Principal) {}, []identity.Role{identity.Yard, identity.Admin}},
		"signing out": {func(o *office, _ *fitmentv1.Session, p identity.Principal) {
			for range 2 { // however often
				if _, err := o.SignOut(identity.NewContext(o.t.Context(), p), &fitmentv1.SignOutRequest{}); err != nil {
					o.t.Error(err)
				}
			}
		}, nil},
		"an administrator": {func(o *office, session *fitmentv1.Session, _ identity.Principal) {
			id := newID()
			first, err := o.EndSession(adminOf(o.t, "kettlewick"), &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: id})
			if err != nil || first.GetSession().GetEndTime() == nil || first.GetRevision() == "" {
				o.t.Errorf("%v, %v", first, err)
			}
			o.clock.Advance(time.Hour)
			for _, again := range []string{id, newID()} {
				answer, err := o.EndSession(adminOf(o.t, "kettlewick"), &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: again})
				if err != nil || !answer.GetSession().GetEndTime().AsTime().Equal(first.GetSession().GetEndTime().AsTime()) {
					o.t.Errorf("%v, %v", answer, err)
				}
			}
		}, nil},
		"another password": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			if _, err := o.SetPassword(adminOf(o.t, "kettlewick"), &fitmentv1.SetPasswordRequest{Name: "people/kettlewick.jo", Password: another, RequestId: newID()}); err != nil {
				o.t.Error(err)
			}
		}, nil},
		"no password": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			answer, err := o.SetPassword(adminOf(o.t, "kettlewick"), &fitmentv1.SetPasswordRequest{Name: "people/kettlewick.jo", RequestId: newID()})
			if err != nil || answer.GetPerson().GetHasPassword() {
				o.t.Errorf("%v, %v", answer, err)
			}
		}, nil},
		"suspension": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = true })
		}, nil},
		"suspension, and back again": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = true })
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = false })
		}, nil},
		"another link to a provider": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Subject = "subject-2" })
		}, nil},
		"no link to a provider": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Issuer, p.Subject = "", "" })
		}, nil},
		"another name": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.DisplayName = "Jo Ferris" })
		}, []identity.Role{identity.Yard, identity.Admin}},
		"a desk taken away": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Roles = []string{"admin"} })
		}, []identity.Role{identity.Admin}},
		"a desk of the business's": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.desks("kettlewick", "yard")
		}, []identity.Role{identity.Yard}},
		"all desks of the business's": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) { o.desks("kettlewick", "shop") }, nil},
		"the business's suspension": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			got, err := o.GetBusiness(operator(o.t), &fitmentv1.GetBusinessRequest{Name: "businesses/kettlewick"})
			if err != nil {
				o.t.Fatal(err)
			}
			b := got.GetBusiness()
			etag := b.GetEtag()
			b.Suspended, b.Etag, b.CreateTime = true, "", nil
			if _, err := o.UpdateBusiness(operator(o.t), &fitmentv1.UpdateBusinessRequest{Business: b, Etag: etag, RequestId: newID()}); err != nil {
				o.t.Error(err)
			}
		}, nil},
		"a minute before its time": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.clock.Advance(sessions.Lifetime - time.Minute)
		}, []identity.Role{identity.Yard, identity.Admin}},
		"its time": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) { o.clock.Advance(sessions.Lifetime) }, nil},
		"twenty more": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			for range sessions.MaxLive {
				o.signIn("jo@kettlewick", passphrase)
			}
		}, nil},
		"nineteen more": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			for range sessions.MaxLive - 1 {
				o.signIn("jo@kettlewick", passphrase)
			}
		}, []identity.Role{identity.Yard, identity.Admin}},
		"another's": {func(o *office, _ *fitmentv1.Session, _ identity.Principal) {
			o.add("kettlewick", "kim", passphrase, "yard")
			session, _ := o.signIn("kim@kettlewick", passphrase)
			if _, err := o.EndSession(adminOf(o.t, "kettlewick"), &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: newID()}); err != nil {
				o.t.Error(err)
			}
		}, []identity.Role{identity.Yard, identity.Admin}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := newOffice(t)
			o.add("kettlewick", "jo", passphrase, "yard", "admin")
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Issuer, p.Subject = "https://id.example.com", "subject-1" })
			session, credential := o.signIn("jo@kettlewick", passphrase)
			p, err := o.sessions.Verify(t.Context(), credential)
			if err != nil || p.Person != "people/kettlewick.jo" || p.Tenant != "kettlewick" || !p.Expires.Equal(session.GetExpireTime().AsTime()) {
				t.Fatalf("%+v, %v", p, err)
			}
			c.deed(o, session, p)
			if got := o.roles(credential); !slices.Equal(got, c.desks) {
				t.Errorf("desks %v, want %v", got, c.desks)
			}
		})
	}
}

// TestChangingOnesPassword ends one's other sessions and not the one it is done in.
func TestChangingOnesPassword(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "jo", passphrase, "yard")
	_, own := o.signIn("jo@kettlewick", passphrase)
	_, elsewhere := o.signIn("jo@kettlewick", passphrase)
	p, err := o.sessions.Verify(t.Context(), own)
	if err != nil {
		t.Fatal(err)
	}
	ctx := identity.NewContext(t.Context(), p)
	id := newID()
	request := &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: another, RequestId: id}
	for range 2 { // a repeat changes nothing more
		if _, err := o.ChangePassword(ctx, request); err != nil {
			t.Fatal(err)
		}
	}
	if o.roles(own) == nil || o.roles(elsewhere) != nil {
		t.Errorf("own %v, elsewhere %v", o.roles(own), o.roles(elsewhere))
	}
	_, err = o.ChangePassword(ctx, &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: "quite other words again", RequestId: id})
	wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	for name, c := range map[string]struct {
		ctx     context.Context //nolint:containedctx // whose call it is
		request *fitmentv1.ChangePasswordRequest
		reason  fitmentv1.ErrorInfo_Reason
	}{
		"a key":        {adminOf(t, "kettlewick"), request, fitmentv1.ErrorInfo_PERMISSION_MISSING},
		"the same":     {ctx, &fitmentv1.ChangePasswordRequest{OldPassword: another, NewPassword: another, RequestId: newID()}, fitmentv1.ErrorInfo_FIELD_INVALID},
		"a poor one":   {ctx, &fitmentv1.ChangePasswordRequest{OldPassword: another, NewPassword: "kettlewick-1234", RequestId: newID()}, fitmentv1.ErrorInfo_FIELD_INVALID},
		"no id":        {ctx, &fitmentv1.ChangePasswordRequest{OldPassword: another, NewPassword: passphrase}, fitmentv1.ErrorInfo_FIELD_INVALID},
		"the old one":  {ctx, &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: "quite other words again", RequestId: newID()}, fitmentv1.ErrorInfo_SIGN_IN_REFUSED},
		"none was old": {ctx, &fitmentv1.ChangePasswordRequest{NewPassword: passphrase, RequestId: newID()}, fitmentv1.ErrorInfo_FIELD_INVALID},
	} {
		if _, err := o.ChangePassword(c.ctx, c.request); apierr.ReasonOf(err) != c.reason {
			t.Errorf("%s: %v", name, err)
		}
	}
	o.signIn("jo@kettlewick", another)
	if _, err := o.SignOut(adminOf(t, "kettlewick"), &fitmentv1.SignOutRequest{}); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PERMISSION_MISSING {
		t.Errorf("a key signs out: %v", err)
	}
}

// TestPasswordsLieNowhere: of passwords and credentials neither they nor a fast hash
// is in the store's file, nor in the log. The control is the person's name, which is.
func TestPasswordsLieNowhere(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "jo", passphrase, "yard")
	_, credential := o.signIn("jo@kettlewick", passphrase)
	if _, err := o.SetPassword(adminOf(t, "kettlewick"), &fitmentv1.SetPasswordRequest{Name: "people/kettlewick.jo", Password: another, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	o.signIn("jo@kettlewick", another)
	var all []byte
	err := filepath.WalkDir(o.dir, func(path string, entry os.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		raw, err := os.ReadFile(path)
		all = append(all, raw...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	all = append(all, o.log.Bytes()...)
	secret := credential[strings.LastIndex(credential, "_")+1:]
	for _, text := range []string{passphrase, another, credential, secret} {
		if bytes.Contains(all, []byte(text)) {
			t.Errorf("%.12s… is kept", text)
		}
	}
	if !bytes.Contains(all, []byte("argon2id")) {
		t.Error("the control is not found: the test looks in the wrong place")
	}
}

// TestRepeatsOfPeoplesWrites: a request id stands for one request with its password,
// although no fast hash of that is kept.
func TestRepeatsOfPeoplesWrites(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	id := newID()
	request := func(secret string) *fitmentv1.CreatePersonRequest {
		return &fitmentv1.CreatePersonRequest{Person: &fitmentv1.Person{Id: "jo", DisplayName: "Jo", Roles: []string{"yard"}}, Password: secret, RequestId: id}
	}
	first, err := o.CreatePerson(adminOf(t, "kettlewick"), request(passphrase))
	if err != nil {
		t.Fatal(err)
	}
	made := o.hashes
	again, err := o.CreatePerson(adminOf(t, "kettlewick"), request(passphrase))
	if err != nil || again.GetPerson().GetEtag() != first.GetPerson().GetEtag() || again.GetRevision() != first.GetRevision() || o.hashes != made {
		t.Errorf("%v, %v", again, err)
	}
	for _, secret := range []string{another, ""} {
		_, err := o.CreatePerson(adminOf(t, "kettlewick"), request(secret))
		wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	}
	other := request(passphrase)
	other.Person.DisplayName = "Somebody else"
	_, err = o.CreatePerson(adminOf(t, "kettlewick"), other)
	wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	other.RequestId = newID()
	_, err = o.CreatePerson(adminOf(t, "kettlewick"), other)
	wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)
}

// TestPeopleAreKeptByAdministrators: the handlers themselves refuse everybody else,
// whatever the table of who may call what says. The control is an administrator.
func TestPeopleAreKeptByAdministrators(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	jo := o.add("kettlewick", "jo", passphrase, "yard", "admin")
	session, _ := o.signIn("jo@kettlewick", passphrase)
	all := map[string]func(ctx context.Context) error{
		"CreatePerson": func(ctx context.Context) error {
			_, err := o.CreatePerson(ctx, &fitmentv1.CreatePersonRequest{Person: &fitmentv1.Person{Id: "kim", DisplayName: "Kim", Roles: []string{"yard"}}, RequestId: newID()})
			return err
		},
		"ListPeople": func(ctx context.Context) error {
			_, err := o.ListPeople(ctx, &fitmentv1.ListPeopleRequest{})
			return err
		},
		"UpdatePerson": func(ctx context.Context) error {
			_, err := o.UpdatePerson(ctx, &fitmentv1.UpdatePersonRequest{Person: jo, Etag: jo.GetEtag(), RequestId: newID()})
			return err
		},
		"SetPassword": func(ctx context.Context) error {
			_, err := o.SetPassword(ctx, &fitmentv1.SetPasswordRequest{Name: jo.GetName(), Password: another, RequestId: newID()})
			return err
		},
		"ListSessions": func(ctx context.Context) error {
			_, err := o.ListSessions(ctx, &fitmentv1.ListSessionsRequest{})
			return err
		},
		"EndSession": func(ctx context.Context) error {
			_, err := o.EndSession(ctx, &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: newID()})
			return err
		},
	}
	desks := person(t, "kettlewick", "", "key", identity.Yard, identity.Shop, identity.Books)
	for name, call := range all {
		if err := call(desks); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PERMISSION_MISSING {
			t.Errorf("%s by the desks: %v", name, err)
		}
	}
	for _, name := range []string{"CreatePerson", "ListPeople", "UpdatePerson", "SetPassword", "ListSessions", "EndSession"} {
		if err := all[name](adminOf(t, "kettlewick")); err != nil {
			t.Errorf("%s by an administrator: %v", name, err)
		}
	}
}

// TestPeopleOfOthers: whoever manages one business learns nothing of another's people
// and sessions, not even whether there are some; the operator manages all.
func TestPeopleOfOthers(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	jo := o.add("kettlewick", "jo", passphrase, "yard")
	session, _ := o.signIn("jo@kettlewick", passphrase)
	stranger := adminOf(t, "saltmarrow")
	for _, c := range []struct{ person, session string }{{jo.GetName(), session.GetName()}, {"people/kettlewick.nobody", "sessions/kettlewick.aaaaaaaaaaaa"}, {"nonsense", "nonsense"}} {
		changed := &fitmentv1.Person{Name: c.person, DisplayName: "X", Roles: []string{"yard"}}
		_, update := o.UpdatePerson(stranger, &fitmentv1.UpdatePersonRequest{Person: changed, Etag: jo.GetEtag(), RequestId: newID()})
		_, set := o.SetPassword(stranger, &fitmentv1.SetPasswordRequest{Name: c.person, Password: another, RequestId: newID()})
		_, end := o.EndSession(stranger, &fitmentv1.EndSessionRequest{Name: c.session, RequestId: newID()})
		for what, err := range map[string]error{"update": update, "password": set, "end": end} {
			if status.Code(err) != codes.NotFound || strings.Contains(status.Convert(err).Message(), "kettlewick") {
				t.Errorf("%s of %+v: %v", what, c, err)
			}
		}
	}
	_, list := o.ListPeople(stranger, &fitmentv1.ListPeopleRequest{Business: "kettlewick"})
	_, ended := o.ListSessions(stranger, &fitmentv1.ListSessionsRequest{Business: "kettlewick"})
	_, create := o.CreatePerson(stranger, &fitmentv1.CreatePersonRequest{Person: &fitmentv1.Person{Business: "kettlewick", Id: "x", DisplayName: "X", Roles: []string{"yard"}}, RequestId: newID()})
	for _, err := range []error{list, ended, create} {
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	}
	own, err := o.ListPeople(stranger, &fitmentv1.ListPeopleRequest{})
	if err != nil || len(own.GetPeople()) != 0 {
		t.Errorf("%v, %v", own, err)
	}
	all, err := o.ListPeople(operator(t), &fitmentv1.ListPeopleRequest{Business: "kettlewick"})
	if err != nil || len(all.GetPeople()) != 1 {
		t.Errorf("the operator: %v, %v", all, err)
	}
	if _, err := o.EndSession(operator(t), &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: newID()}); err != nil {
		t.Errorf("the operator: %v", err)
	}
}

// TestWhoMayBeAdded: a person has desks of the business and no others, least of all
// the operator's.
func TestWhoMayBeAdded(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	good := func() *fitmentv1.Person {
		return &fitmentv1.Person{Id: "jo", DisplayName: "Jo", Roles: []string{"yard"}}
	}
	for name, change := range map[string]func(p *fitmentv1.Person){
		"operator":          func(p *fitmentv1.Person) { p.Roles = []string{"operator"} },
		"no desk":           func(p *fitmentv1.Person) { p.Roles = nil },
		"unknown desk":      func(p *fitmentv1.Person) { p.Roles = []string{"till"} },
		"not its business":  func(p *fitmentv1.Person) { p.Roles = []string{"shop"} },
		"twice":             func(p *fitmentv1.Person) { p.Roles = []string{"yard", "yard"} },
		"no id":             func(p *fitmentv1.Person) { p.Id = "" },
		"capital id":        func(p *fitmentv1.Person) { p.Id = "Jo" },
		"id with a dot":     func(p *fitmentv1.Person) { p.Id = "j.o" },
		"long id":           func(p *fitmentv1.Person) { p.Id = strings.Repeat("j", 41) },
		"no name":           func(p *fitmentv1.Person) { p.DisplayName = "" },
		"name with a line":  func(p *fitmentv1.Person) { p.DisplayName = "Jo\nFerris" },
		"subject alone":     func(p *fitmentv1.Person) { p.Subject = "s" },
		"issuer alone":      func(p *fitmentv1.Person) { p.Issuer = "https://id.example.com" },
		"issuer by http":    func(p *fitmentv1.Person) { p.Issuer, p.Subject = "http://id.example.com", "s" },
		"issuer with query": func(p *fitmentv1.Person) { p.Issuer, p.Subject = "https://id.example.com?x", "s" },
		"output only":       func(p *fitmentv1.Person) { p.HasPassword = true },
	} {
		p := good()
		change(p)
		if _, err := o.CreatePerson(adminOf(t, "kettlewick"), &fitmentv1.CreatePersonRequest{Person: p, RequestId: newID()}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := o.CreatePerson(adminOf(t, "kettlewick"), &fitmentv1.CreatePersonRequest{RequestId: newID()}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("nobody: %v", err)
	}
	linked := good()
	linked.Issuer, linked.Subject = "https://id.example.com", "subject-1"
	// An administrator of a business cannot claim a subject, which may be anybody's.
	_, err := o.CreatePerson(adminOf(t, "kettlewick"), &fitmentv1.CreatePersonRequest{Person: linked, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	linked.Business = "kettlewick"
	if _, err := o.CreatePerson(operator(t), &fitmentv1.CreatePersonRequest{Person: linked, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	// A subject is one person, of whatever business, until the link is taken away.
	taken := &fitmentv1.Person{Business: "saltmarrow", Id: "sam", DisplayName: "Sam", Roles: []string{"shop"}, Issuer: linked.GetIssuer(), Subject: linked.GetSubject()}
	_, err = o.CreatePerson(operator(t), &fitmentv1.CreatePersonRequest{Person: taken, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	if strings.Contains(err.Error(), "kettlewick") {
		t.Errorf("it tells whose it is: %v", err)
	}
	if kept, err := people.BySubject(t.Context(), o.store, linked.GetIssuer(), linked.GetSubject()); err != nil || kept.Person.GetName() != "people/kettlewick.jo" {
		t.Errorf("%v, %v", kept, err)
	}
	o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Issuer, p.Subject = "", "" })
	if kept, err := people.BySubject(t.Context(), o.store, linked.GetIssuer(), linked.GetSubject()); err == nil {
		t.Errorf("a link that was taken away leads to %v", kept.Person)
	}
	if _, err := o.CreatePerson(operator(t), &fitmentv1.CreatePersonRequest{Person: taken, RequestId: newID()}); err != nil {
		t.Errorf("a link that is free again: %v", err)
	}
	stale := good()
	stale.Name, stale.Id = "people/kettlewick.jo", ""
	_, err = o.UpdatePerson(adminOf(t, "kettlewick"), &fitmentv1.UpdatePersonRequest{Person: stale, Etag: `"x"`, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_ETAG_STALE)
}

// TestSessionsAreListed: page by page, each once, and for 30 days after their end.
func TestSessionsAreListed(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "jo", passphrase, "yard")
	var names []string
	for range 7 {
		session, _ := o.signIn("jo@kettlewick", passphrase)
		names = append(names, session.GetName())
	}
	slices.Sort(names)
	listed := func() (all []*fitmentv1.Session) {
		request := &fitmentv1.ListSessionsRequest{PageSize: 3}
		for {
			answer, err := o.ListSessions(adminOf(t, "kettlewick"), request)
			if err != nil || len(answer.GetSessions()) > 3 {
				t.Fatalf("%d, %v", len(answer.GetSessions()), err)
			}
			all = append(all, answer.GetSessions()...)
			if request.PageToken = answer.GetNextPageToken(); answer.GetNextPageToken() == "" {
				return all
			}
		}
	}
	all := listed()
	got := make([]string, 0, len(all))
	for _, session := range all {
		got = append(got, session.GetName())
		if session.GetPerson() != "people/kettlewick.jo" || session.GetMethod() != "PASSWORD" || session.GetEndTime() != nil {
			t.Errorf("%v", session)
		}
	}
	if !slices.Equal(got, names) {
		t.Errorf("%v, want %v", got, names)
	}
	o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = true })
	for _, session := range listed() {
		if session.GetEndTime() == nil {
			t.Errorf("%v goes on", session)
		}
	}
	o.clock.Advance(sessions.Remembered - time.Second)
	if n := len(listed()); n != 7 {
		t.Errorf("%d are listed", n)
	}
	o.clock.Advance(time.Second)
	if n := len(listed()); n != 0 {
		t.Errorf("%d are still listed", n)
	}
}
