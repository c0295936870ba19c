package tenants_test

import (
	"fmt"
	"maps"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
)

// forged are credentials that nobody was given, made from those that somebody was.
func (w *world) forged() map[string]credential {
	theirs, own := w.keys[alder], w.keys[birch]
	parts, ownParts := strings.SplitN(theirs, "_", 4), strings.SplitN(own, "_", 4)
	join := func(parts ...string) credential { return bearer(strings.Join(parts, "_")) }
	session := strings.SplitN(w.things[alder].credential, "_", 4)
	return map[string]credential{
		"none":                      nil,
		"another secret":            join(parts[0], parts[1], parts[2], flipped(parts[3])),
		"another business's secret": join(parts[0], parts[1], parts[2], ownParts[3]),
		"another business's name":   join(ownParts[0], parts[1], ownParts[2], ownParts[3]),
		"an id that is none":        join(parts[0], parts[1], flipped(parts[2]), parts[3]),
		"cut short":                 bearer(theirs[:len(theirs)-5]),
		"longer":                    bearer(theirs + "A"),
		"without its secret":        bearer(theirs[:strings.LastIndex(theirs, "_")]),
		"in capitals":               bearer(strings.ToUpper(theirs)),
		"a key as a session":        join("bs", parts[1], parts[2], parts[3]),
		"a session as a key":        join("bw", session[1], session[2], session[3]),
		"another scheme":            {"Basic " + theirs},
		"no scheme":                 {theirs},
		"two of them":               {"Bearer " + theirs, "Bearer " + own},
		"the same twice":            {"Bearer " + theirs, "Bearer " + theirs},
		"empty":                     {"Bearer "},
		"a name only":               bearer("operator"),
		"two with a comma":          {"Bearer " + theirs + ", Bearer " + own},
	}
}

// flipped is a text with its first character changed to another of its alphabet.
func flipped(text string) string {
	if text[0] == 'a' {
		return "b" + text[1:]
	}
	return "a" + text[1:]
}

// ended are credentials of alder's that worked once.
func (w *world) ended() map[string]credential {
	w.t.Helper()
	admin := w.keys[alder]
	dead := map[string]credential{"a key that has expired": bearer(w.expired)}
	made := w.must(admin, "IdentityService/CreateKey", &fitmentv1.CreateKeyRequest{
		Key: &fitmentv1.Key{Label: "to be revoked", Roles: []string{"yard", "shop", "books", "admin"}}, RequestId: w.id(),
	}).(*fitmentv1.CreateKeyResponse)
	dead["a key that was revoked"] = bearer(made.GetText())
	w.works(dead)
	w.must(admin, "IdentityService/RevokeKey", &fitmentv1.RevokeKeyRequest{Name: made.GetKey().GetName(), RequestId: w.id()})

	shut := map[string]credential{}
	w.admit("gorse")
	shut["a key of a business that is shut out"] = bearer(w.keys["gorse"])
	_, session := w.person("gorse", "una")
	shut["a session of a business that is shut out"] = bearer(session.GetCredential())
	w.works(shut)
	w.must(w.operator, "IdentityService/UpdateBusiness", &fitmentv1.UpdateBusinessRequest{Etag: w.etagOf("gorse"), RequestId: w.id(), Business: &fitmentv1.Business{
		Name: "businesses/gorse", DisplayName: "G", Roles: []string{"yard", "shop", "books", "admin"}, Suspended: true,
	}})
	maps.Copy(dead, shut)
	w.endSessions(dead)
	return dead
}

// endSessions ends four sessions in the four ways in which one ends before its time.
func (w *world) endSessions(dead map[string]credential) {
	w.t.Helper()
	admin := w.keys[alder]
	ways := map[string]func(person *fitmentv1.Person, session *fitmentv1.SignInResponse){
		"a session that was signed out of": func(_ *fitmentv1.Person, session *fitmentv1.SignInResponse) {
			w.must(session.GetCredential(), "IdentityService/SignOut", &fitmentv1.SignOutRequest{})
		},
		"a session that was ended": func(_ *fitmentv1.Person, session *fitmentv1.SignInResponse) {
			w.must(admin, "IdentityService/EndSession", &fitmentv1.EndSessionRequest{Name: session.GetSession().GetName(), RequestId: w.id()})
		},
		"a session of a person who is shut out": func(person *fitmentv1.Person, _ *fitmentv1.SignInResponse) {
			w.must(admin, "IdentityService/UpdatePerson", &fitmentv1.UpdatePersonRequest{Etag: person.GetEtag(), RequestId: w.id(), Person: &fitmentv1.Person{
				Name: person.GetName(), DisplayName: "G", Roles: person.GetRoles(), Suspended: true,
			}})
		},
		"a session from before the password was replaced": func(person *fitmentv1.Person, _ *fitmentv1.SignInResponse) {
			w.must(admin, "IdentityService/SetPassword", &fitmentv1.SetPasswordRequest{Name: person.GetName(), Password: secret + " anew", RequestId: w.id()})
		},
	}
	n := 0
	for name, end := range ways {
		n++
		person, session := w.person(alder, fmt.Sprintf("gone-%d", n))
		dead[name] = bearer(session.GetCredential())
		w.works(map[string]credential{name: dead[name]})
		end(person, session)
	}
}

// person adds a person to a business and signs in as that person.
func (w *world) person(business, id string) (*fitmentv1.Person, *fitmentv1.SignInResponse) {
	w.t.Helper()
	made := w.must(w.keys[business], "IdentityService/CreatePerson", w.adding(&things{business: business, speaker: business}, id)).(*fitmentv1.CreatePersonResponse)
	in := w.must("", "IdentityService/SignIn", &fitmentv1.SignInRequest{Login: id + "@" + business, Password: secret}).(*fitmentv1.SignInResponse)
	got := w.must(w.keys[business], "IdentityService/ListPeople", &fitmentv1.ListPeopleRequest{PageSize: 100}).(*fitmentv1.ListPeopleResponse)
	for _, person := range got.GetPeople() {
		if person.GetId() == id {
			return person, in
		}
	}
	return made.GetPerson(), in
}

// works demands that credentials are accepted now: what is refused later was not
// always wrong.
func (w *world) works(all map[string]credential) {
	w.t.Helper()
	for name, with := range all {
		if name == "a key that has expired" {
			continue
		}
		if got := w.call(with, "IdentityService/VerifyCredential", &fitmentv1.VerifyCredentialRequest{}); got.status.Err() != nil {
			w.t.Fatalf("%s, before that: %v", name, got.status)
		}
	}
}

func (w *world) etagOf(business string) string {
	w.t.Helper()
	got := w.must(w.operator, "IdentityService/GetBusiness", &fitmentv1.GetBusinessRequest{Name: "businesses/" + business}).(*fitmentv1.GetBusinessResponse)
	return got.GetBusiness().GetEtag()
}

// letters are the desks as policytest has them.
var letters = map[identity.Role]string{identity.Yard: "y", identity.Shop: "s", identity.Books: "b", identity.Admin: "a"}

// desked are keys of alder's, one for each set of desks, by the letters of these.
func (w *world) desked() map[string]credential {
	w.t.Helper()
	all := map[string]credential{}
	for set := 1; set < 1<<len(identity.Desks()); set++ {
		name, names := "", []string{}
		for i, desk := range identity.Desks() {
			if set&(1<<i) != 0 {
				name, names = name+letters[desk], append(names, string(desk))
			}
		}
		made := w.must(w.keys[alder], "IdentityService/CreateKey", &fitmentv1.CreateKeyRequest{
			Key: &fitmentv1.Key{Label: "for " + name, Roles: names}, RequestId: w.id(),
		}).(*fitmentv1.CreateKeyResponse)
		all[name] = bearer(made.GetText())
	}
	return all
}
