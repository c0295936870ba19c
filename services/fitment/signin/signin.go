// Package signin begins sessions for people who prove to be who they say, by a
// password or by an identity provider's word. Whoever is turned away is told one and
// the same thing, after one and the same time, whatever was wrong.
package signin

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/fitment/vouch"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/store"
)

// Options are what a Desk stands on. All but Vouch and Log are required.
type Options struct {
	Records  store.Store
	Sessions *sessions.Store
	Hasher   *password.Hasher
	// Logins bounds the guesses at one login, Addresses those from one address.
	Logins, Addresses *guesses.Limiter
	// Vouch checks tokens; nil where no provider is trusted.
	Vouch *vouch.Verifier
	// Log is told who was turned away and why; nil for none.
	Log *slog.Logger
}

// Desk lets people in. Its methods may be called concurrently.
type Desk struct{ options Options }

// New returns a desk.
func New(options Options) (*Desk, error) {
	if options.Records == nil || options.Sessions == nil || options.Hasher == nil || options.Logins == nil || options.Addresses == nil {
		return nil, errors.New("signin: a store, sessions, a hasher and both limiters are required")
	}
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	return &Desk{options: options}, nil
}

// Refusal is the answer to everybody who is turned away.
func Refusal() error {
	return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_SIGN_IN_REFUSED,
		"login or password is wrong, or this person may not sign in; expected {person}@{business} with its password")
}

// ByPassword begins a session of whoever has the login and its password. Place is
// where the try comes from, "" where that is counted elsewhere.
func (d *Desk) ByPassword(ctx context.Context, login, secret, place string) (session *fitmentv1.Session, text string, err error) {
	done, err := d.admit(login, place)
	if err != nil {
		return nil, "", err
	}
	person, err := d.prove(ctx, login, secret)
	if err == nil {
		session, text, err = d.options.Sessions.Start(ctx, person, sessions.ByPassword, sessions.Once{})
	}
	done(err)
	return session, text, err
}

// admit lets a try in, and says what is to be called with what came of it.
func (d *Desk) admit(login, place string) (done func(err error), err error) {
	if place != "" {
		if err := d.options.Addresses.Begin(place); err != nil {
			return nil, err
		}
	}
	if login != "" {
		if err := d.options.Logins.Begin(login); err != nil {
			d.options.Addresses.Undo(place)
			return nil, err
		}
	}
	return func(err error) {
		switch {
		case err == nil:
			d.options.Logins.Succeeded(login)
			// Whoever guesses at others must not wipe that out with a login of his own.
			d.options.Addresses.Undo(place)
		case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_SIGN_IN_REFUSED:
			d.options.Logins.Undo(login)
			d.options.Addresses.Undo(place)
		}
	}, nil
}

// judging bounds how long a try is judged whose maker may not wait for it.
const judging = 10 * time.Second

// judged is the context in which a try is judged. It does not end with its maker's: who
// leaves before the answer, or says that he will, has tried all the same, and must
// neither try for nothing nor see by what is counted who is there.
func judged(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), judging)
}

// prove finds who has a login and a password. One hash is computed in every case, so
// that the time tells nobody who is there.
func (d *Desk) prove(ctx context.Context, login, secret string) (people.Kept, error) {
	ctx, cancel := judged(ctx)
	defer cancel()
	person, known, err := d.find(ctx, login)
	if err != nil {
		return people.Kept{}, err
	}
	matches, stale, err := d.options.Hasher.Matches(ctx, person.Hash, secret)
	if err != nil {
		return people.Kept{}, err
	}
	may, why := false, "no such login"
	if known {
		why = "wrong password"
		if may, err = d.options.Sessions.MaySignIn(ctx, person.Person); err != nil {
			return people.Kept{}, err
		}
		if matches && !may {
			why = "shut out"
		}
	}
	if !matches || !may {
		d.options.Log.InfoContext(ctx, "sign-in refused", "person", person.Person.GetName(), "why", why)
		return people.Kept{}, Refusal()
	}
	if stale {
		d.rehash(ctx, person, secret)
	}
	return person, nil
}

// find reads the person of a login; false where there is none.
func (d *Desk) find(ctx context.Context, login string) (people.Kept, bool, error) {
	business, id, ok := people.ParseLogin(login)
	if !ok {
		return people.Kept{}, false, nil
	}
	person, err := people.Get(ctx, d.options.Records, business, id)
	if errors.Is(err, store.ErrNotFound) {
		return people.Kept{}, false, nil
	}
	return person, err == nil, err
}

// rehash keeps a password by the work that is asked for now. Where it fails, the next
// sign-in tries again.
func (d *Desk) rehash(ctx context.Context, person people.Kept, secret string) {
	hash, err := d.options.Hasher.Make(ctx, secret)
	if err == nil {
		var put store.Put
		if put, err = person.Rehashed(hash).Put(); err == nil {
			_, err = d.options.Records.Apply(ctx, store.Change{Puts: []store.Put{put}})
		}
	}
	if err != nil {
		d.options.Log.WarnContext(ctx, "a password was not hashed anew", "error", err)
	}
}

// Prove returns a person whose password is the one given, as it was when that was
// found out, and Refusal otherwise; guesses count as those of signing in do.
func (d *Desk) Prove(ctx context.Context, business, id, secret string) (people.Kept, error) {
	login := people.Login(business, id)
	done, err := d.admit(login, "")
	if err != nil {
		return people.Kept{}, err
	}
	person, err := d.prove(ctx, login, secret)
	done(err)
	return person, err
}

// ByToken begins a session of whom the provider vouches for. A token begins one
// session only.
func (d *Desk) ByToken(ctx context.Context, token, nonce, place string) (session *fitmentv1.Session, text string, err error) {
	if d.options.Vouch == nil {
		return nil, "", apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_SIGN_IN_REFUSED,
			"this deployment trusts no identity provider; sign in with a password")
	}
	done, err := d.admit("", place)
	if err != nil {
		return nil, "", err
	}
	session, text, err = d.byToken(ctx, token, nonce)
	done(err)
	return session, text, err
}

func (d *Desk) byToken(maker context.Context, token, nonce string) (*fitmentv1.Session, string, error) {
	ctx, cancel := judged(maker)
	defer cancel()
	subject, err := d.options.Vouch.Verify(ctx, token, nonce)
	if errors.Is(err, vouch.ErrRefused) {
		return d.turnAway(ctx, err.Error())
	} else if err != nil {
		return nil, "", err
	}
	person, err := people.BySubject(ctx, d.options.Records, subject.Issuer, subject.ID)
	if errors.Is(err, store.ErrNotFound) {
		return d.turnAway(ctx, "the provider's subject is nobody here")
	} else if err != nil {
		return nil, "", err
	}
	may, err := d.options.Sessions.MaySignIn(ctx, person.Person)
	if err != nil {
		return nil, "", err
	}
	if !may {
		return d.turnAway(ctx, "shut out")
	}
	once := sessions.Once{RequestID: uuid.NewSHA1(uuid.NameSpaceOID, subject.Digest[:]).String(), Fingerprint: subject.Digest}
	session, text, err := d.options.Sessions.Start(maker, person, sessions.ByToken, once)
	if errors.Is(err, sessions.ErrUsed) {
		return d.turnAway(ctx, "the token was used before")
	}
	return session, text, err
}

func (d *Desk) turnAway(ctx context.Context, why string) (*fitmentv1.Session, string, error) {
	d.options.Log.InfoContext(ctx, "sign-in by token refused", "why", why)
	return nil, "", Refusal()
}
