// Package issuertest is an identity provider of OpenID Connect inside a test: it says
// what it is, lets everybody in as whom the test says, and signs tokens, good ones and
// such as nobody should believe.
package issuertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// What the provider knows its one client as.
const (
	ClientID     = "beltwright-test"
	ClientSecret = "not a secret, in a test"
)

const (
	// codeFlow is the flow's name, and that of what it hands out.
	codeFlow = "code"
)

// Issuer is the provider.
type Issuer struct {
	// URL is its address.
	URL string

	t *testing.T

	mu sync.Mutex
	// key signs, under a name; the names count up.
	key     *ecdsa.PrivateKey
	keyID   string
	subject string
	change  func(claims map[string]any)
	sign    func(claims map[string]any) string
	down    bool
	codes   map[string]grant
	begun   int
}

// grant is what a code stands for.
type grant struct{ nonce, challenge, redirect string }

// New starts a provider that ends with the test.
func New(t *testing.T) *Issuer {
	t.Helper()
	i := &Issuer{t: t, subject: "nobody", codes: map[string]grant{}}
	i.Rotate()
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", i.document)
	mux.HandleFunc("GET /keys", i.keys)
	mux.HandleFunc("GET /authorize", i.authorize)
	mux.HandleFunc("POST /token", i.token)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		i.mu.Lock()
		down := i.down
		i.mu.Unlock()
		if down {
			http.Error(w, "down", http.StatusServiceUnavailable)
			return
		}
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		if transport, ok := http.DefaultTransport.(*http.Transport); ok {
			transport.CloseIdleConnections()
		}
		server.Close()
	})
	i.URL = server.URL
	return i
}

// Subject sets whom the provider lets in.
func (i *Issuer) Subject(subject string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.subject = subject
}

// Change sets what is done to the claims of tokens before they are signed, and how
// they are signed; nil for nothing and as is right.
func (i *Issuer) Change(change func(claims map[string]any), sign func(claims map[string]any) string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.change, i.sign = change, sign
}

// Down makes the provider answer nothing but errors, or answer again.
func (i *Issuer) Down(down bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.down = down
}

// Rotate gives the provider another key in place of the one that it has.
func (i *Issuer) Rotate() {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		i.t.Fatal(err)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.key, i.keyID = key, "key-"+rand.Text()
}

// current is the key that the provider has, and its name.
func (i *Issuer) current() (key *ecdsa.PrivateKey, id string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.key, i.keyID
}

// Begun is how often somebody was sent here.
func (i *Issuer) Begun() int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.begun
}

func (i *Issuer) document(w http.ResponseWriter, _ *http.Request) {
	i.answer(w, map[string]any{
		"issuer": i.URL, "authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "jwks_uri": i.URL + "/keys",
		"response_types_supported": []string{codeFlow}, "subject_types_supported": []string{"public"},
		// More than anybody should take its word for.
		"id_token_signing_alg_values_supported": []string{"ES256", "HS256", "none"},
	})
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	key, id := i.current()
	i.answer(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key.Public(), KeyID: id, Algorithm: "ES256", Use: "sig"}}})
}

func (i *Issuer) answer(w http.ResponseWriter, what any) {
	w.Header().Set("Content-Type", "application/json")
	if err := json.NewEncoder(w).Encode(what); err != nil {
		i.t.Errorf("issuer: %v", err)
	}
}

// authorize lets the browser in at once and sends it back with a code.
func (i *Issuer) authorize(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	back, err := url.Parse(q.Get("redirect_uri"))
	if err != nil || q.Get("client_id") != ClientID || q.Get("response_type") != codeFlow || q.Get("code_challenge_method") != "S256" || q.Get("code_challenge") == "" || q.Get("state") == "" || q.Get("nonce") == "" {
		http.Error(w, "malformed", http.StatusBadRequest)
		return
	}
	code := rand.Text()
	i.mu.Lock()
	i.begun++
	i.codes[code] = grant{nonce: q.Get("nonce"), challenge: q.Get("code_challenge"), redirect: q.Get("redirect_uri")}
	i.mu.Unlock()
	back.RawQuery = url.Values{codeFlow: {code}, "state": {q.Get("state")}}.Encode()
	http.Redirect(w, r, back.String(), http.StatusFound) //nolint:gosec // its one client is the test
}

// token gives an ID token for a code, once, to whoever has the client's secret and
// began with the code's challenge.
func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	id, secret, ok := r.BasicAuth()
	if !ok {
		id, secret = r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	} else {
		id, _ = url.QueryUnescape(id)
		secret, _ = url.QueryUnescape(secret)
	}
	i.mu.Lock()
	given, known := i.codes[r.PostFormValue(codeFlow)]
	if id == ClientID && secret == ClientSecret {
		delete(i.codes, r.PostFormValue(codeFlow))
	}
	subject, change, sign := i.subject, i.change, i.sign
	i.mu.Unlock()
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if id != ClientID || secret != ClientSecret || !known || base64.RawURLEncoding.EncodeToString(sum[:]) != given.challenge || r.PostFormValue("redirect_uri") != given.redirect {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusBadRequest)
		i.answer(w, map[string]string{"error": "invalid_grant"})
		return
	}
	claims := i.Claims(subject, given.nonce)
	if change != nil {
		change(claims)
	}
	if sign == nil {
		sign = i.Sign
	}
	i.answer(w, map[string]any{"access_token": rand.Text(), "token_type": "Bearer", "expires_in": 300, "id_token": sign(claims)})
}

// Claims are those of a good token.
func (i *Issuer) Claims(subject, nonce string) map[string]any {
	now := time.Now()
	return map[string]any{
		"iss": i.URL, "sub": subject, "aud": ClientID, "nonce": nonce, "iat": now.Unix(), "exp": now.Add(5 * time.Minute).Unix(),
	}
}

// With are claims with others in place.
func With(claims, others map[string]any) map[string]any {
	merged := maps.Clone(claims)
	maps.Copy(merged, others)
	return merged
}

// Sign signs as is right.
func (i *Issuer) Sign(claims map[string]any) string {
	key, _ := i.current()
	return i.signed(jose.ES256, key, claims)
}

// SignShared signs with HS256 and the public key as the shared secret, as attackers do
// where a verifier takes the algorithm from the token.
func (i *Issuer) SignShared(claims map[string]any) string {
	key, _ := i.current()
	raw, err := key.PublicKey.Bytes()
	if err != nil {
		i.t.Errorf("issuer: %v", err)
	}
	return i.signed(jose.HS256, raw, claims)
}

// SignForeign signs with a key that is not the provider's, under the name of its key.
func (i *Issuer) SignForeign(claims map[string]any) string {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		i.t.Errorf("issuer: %v", err)
	}
	return i.signed(jose.ES256, key, claims)
}

// Unsigned signs with nothing: the algorithm is "none".
func (i *Issuer) Unsigned(claims map[string]any) string {
	encode := base64.RawURLEncoding.EncodeToString
	return encode([]byte(`{"alg":"none","typ":"JWT"}`)) + "." + encode(i.raw(claims)) + "."
}

func (i *Issuer) signed(algorithm jose.SignatureAlgorithm, key any, claims map[string]any) string {
	_, id := i.current()
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: algorithm, Key: key}, (&jose.SignerOptions{}).WithHeader("kid", id).WithType("JWT"))
	if err != nil {
		i.t.Errorf("issuer: %v", err)
		return ""
	}
	signed, err := signer.Sign(i.raw(claims))
	if err != nil {
		i.t.Errorf("issuer: %v", err)
		return ""
	}
	text, err := signed.CompactSerialize()
	if err != nil {
		i.t.Errorf("issuer: %v", err)
	}
	return text
}

func (i *Issuer) raw(claims map[string]any) []byte {
	raw, err := json.Marshal(claims)
	if err != nil {
		i.t.Errorf("issuer: %v", err)
	}
	return raw
}
