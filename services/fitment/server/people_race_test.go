package server_test

import (
	"context"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
)

// TestAResetWinsOverAChange: whoever changes a password of his own while an
// administrator resets it, ends the session or shuts the person out changes nothing,
// and his session does not wake up again. The control is nobody doing anything.
func TestAResetWinsOverAChange(t *testing.T) {
	t.Parallel()
	const third = "quite other words again"
	const nobody = fitmentv1.ErrorInfo_REASON_UNSPECIFIED
	for name, c := range map[string]struct {
		meanwhile func(o *office, session *fitmentv1.Session)
		reason    fitmentv1.ErrorInfo_Reason
		// password is what lets the person in afterwards.
		password string
	}{
		"nothing": {func(*office, *fitmentv1.Session) {}, nobody, another},
		"a reset": {func(o *office, _ *fitmentv1.Session) {
			if _, err := o.SetPassword(adminOf(o.t, "kettlewick"), &fitmentv1.SetPasswordRequest{Name: "people/kettlewick.jo", Password: third, RequestId: newID()}); err != nil {
				o.t.Error(err)
			}
		}, fitmentv1.ErrorInfo_SIGN_IN_REFUSED, third},
		"shut out, and let in again": {func(o *office, _ *fitmentv1.Session) {
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = true })
			o.update("people/kettlewick.jo", func(p *fitmentv1.Person) { p.Suspended = false })
		}, fitmentv1.ErrorInfo_SIGN_IN_REFUSED, passphrase},
		"the session ends": {func(o *office, session *fitmentv1.Session) {
			if _, err := o.EndSession(adminOf(o.t, "kettlewick"), &fitmentv1.EndSessionRequest{Name: session.GetName(), RequestId: newID()}); err != nil {
				o.t.Error(err)
			}
		}, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, passphrase},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := newOffice(t)
			o.add("kettlewick", "jo", passphrase, "yard")
			session, credential := o.signIn("jo@kettlewick", passphrase)
			p, err := o.sessions.Verify(t.Context(), credential)
			if err != nil {
				t.Fatal(err)
			}
			o.drawn = func() {
				o.drawn = nil
				c.meanwhile(o, session)
			}
			request := &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: another, RequestId: newID()}
			_, err = o.ChangePassword(identity.NewContext(t.Context(), p), request)
			if apierr.ReasonOf(err) != c.reason || (err == nil) != (c.reason == nobody) {
				t.Errorf("%v, want %v", err, c.reason)
			}
			if counts := o.roles(credential) != nil; counts != (c.reason == nobody) {
				t.Errorf("the session counts: %v", counts)
			}
			o.signIn("jo@kettlewick", c.password)
		})
	}
}

// TestChangesOfOthersAreNotRepeated: who knows the request id of somebody else's change
// learns nothing of the password by it.
func TestChangesOfOthersAreNotRepeated(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	id := newID()
	as := func(login string) context.Context {
		t.Helper()
		_, credential := o.signIn(login, passphrase)
		p, err := o.sessions.Verify(t.Context(), credential)
		if err != nil {
			t.Fatal(err)
		}
		return identity.NewContext(t.Context(), p)
	}
	o.add("kettlewick", "jo", passphrase, "yard")
	o.add("kettlewick", "eve", passphrase, "yard")
	jo, eve := as("jo@kettlewick"), as("eve@kettlewick")
	request := &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: another, RequestId: id}
	for range 2 {
		if _, err := o.ChangePassword(jo, request); err != nil {
			t.Fatal(err)
		}
	}
	for _, guess := range []string{another, "quite other words again"} {
		_, err := o.ChangePassword(eve, &fitmentv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: guess, RequestId: id})
		wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	}
}

// TestTheLastAdministratorShutsHimselfOut: that is his to do, and ends his session like
// anybody's; nobody of the business can undo it, and the operator can.
func TestTheLastAdministratorShutsHimselfOut(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.add("kettlewick", "kim", passphrase, "yard")
	jo := o.add("kettlewick", "jo", passphrase, "admin")
	_, credential := o.signIn("jo@kettlewick", passphrase)
	p, err := o.sessions.Verify(t.Context(), credential)
	if err != nil {
		t.Fatal(err)
	}
	update := func(ctx context.Context, suspended bool, etag string) (*fitmentv1.Person, error) {
		next := &fitmentv1.Person{Name: jo.GetName(), DisplayName: "Jo", Roles: jo.GetRoles(), Suspended: suspended}
		answer, err := o.UpdatePerson(ctx, &fitmentv1.UpdatePersonRequest{Person: next, Etag: etag, RequestId: newID()})
		return answer.GetPerson(), err
	}
	out, err := update(identity.NewContext(t.Context(), p), true, jo.GetEtag())
	if err != nil || !out.GetSuspended() || o.roles(credential) != nil {
		t.Fatalf("%v, %v, desks %v", out, err, o.roles(credential))
	}
	_, err = o.SignIn(t.Context(), &fitmentv1.SignInRequest{Login: "jo@kettlewick", Password: passphrase})
	wantReason(t, err, fitmentv1.ErrorInfo_SIGN_IN_REFUSED)
	_, kims := o.signIn("kim@kettlewick", passphrase)
	if p, err = o.sessions.Verify(t.Context(), kims); err != nil {
		t.Fatal(err)
	}
	_, err = update(identity.NewContext(t.Context(), p), false, out.GetEtag())
	wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	if _, err = update(operator(t), false, out.GetEtag()); err != nil {
		t.Fatal(err)
	}
	if o.roles(credential) != nil {
		t.Error("the session from before woke up")
	}
	o.signIn("jo@kettlewick", passphrase)
}
