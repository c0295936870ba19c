package e2e_test

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// TestASessionEndsEverywhere: over three processes a person signs in and works through
// gateway, quote and fitment service; once the person is shut out, each of them refuses
// the session within 5 seconds, and nothing else.
func TestASessionEndsEverywhere(t *testing.T) {
	t.Parallel()
	_, _, admin := apart(t)
	admin.post("/v1/people", object{
		"person": object{"id": "jo", "displayName": "Jo Ferris", "roles": []string{"shop", "books"}}, "password": "four plain words here", "requestId": uuid.NewString(),
	})
	stranger := client{t, admin.base, ""}
	if code, answer := stranger.do(http.MethodPost, "/v1/sessions:signIn", object{"login": "jo@operator", "password": "four other words here"}); code != http.StatusUnauthorized || reason(t, answer) != "SIGN_IN_REFUSED" {
		t.Errorf("a wrong password: %d %v", code, answer)
	}
	signIn := func() client {
		answer := stranger.post("/v1/sessions:signIn", object{"login": "jo@operator", "password": "four plain words here"})
		credential, _ := answer["credential"].(string)
		return client{t, admin.base, credential}
	}
	jo := signIn()
	if who := jo.get("/v1/credential:verify"); who["person"] != "people/operator.jo" || who["tenant"] != "operator" {
		t.Errorf("%v", who)
	}
	paths := []string{"/v1/quotes", "/v1/needs", "/v1/listings?yard=kettlewick"}
	for _, path := range paths {
		jo.get(path)
	}
	if code, answer := jo.do(http.MethodGet, "/v1/people", nil); code != http.StatusForbidden {
		t.Errorf("a desk that is not the person's: %d %v", code, answer)
	}
	person, _ := at(t, admin.get("/v1/people"), "people", 0).(object)
	etag := person["etag"]
	change := object{"name": person["name"], "displayName": person["displayName"], "roles": person["roles"], "suspended": true}
	if code, answer := admin.do(http.MethodPatch, "/v1/people/operator.jo", object{"person": change, "etag": etag, "requestId": uuid.NewString()}); code != http.StatusOK {
		t.Fatalf("%d %v", code, answer)
	}
	suspended := time.Now()
	for _, path := range paths {
		for {
			code, _ := jo.do(http.MethodGet, path, nil)
			if code == http.StatusUnauthorized {
				break
			}
			// Who asks without a pause is told to wait; he is not let in either.
			if code != http.StatusOK && code != http.StatusTooManyRequests || time.Since(suspended) > 5*time.Second {
				t.Fatalf("%s: %d after %v", path, code, time.Since(suspended))
			}
		}
	}
	t.Logf("refused everywhere after %v", time.Since(suspended).Round(time.Millisecond))
	for _, path := range paths { // the control: another credential goes on
		admin.get(path)
	}
	if code, answer := stranger.do(http.MethodPost, "/v1/sessions:signIn", object{"login": "jo@operator", "password": "four plain words here"}); code != http.StatusUnauthorized || reason(t, answer) != "SIGN_IN_REFUSED" {
		t.Errorf("shut out: %d %v", code, answer)
	}
}

// TestSignInFromTheCommandLine: sign-in keeps the session in a file that only its owner
// reads, sends it to the server that it came from only, and never prints it.
func TestSignInFromTheCommandLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	server := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--admin", "off", "--data", filepath.Join(dir, "data"))
	address := server.awaits(`gRPC  (127\.0\.0\.1:\d+)`)[1]
	server.awaits(`demo\.key`)
	session, secret := filepath.Join(dir, "kept", "session.json"), filepath.Join(dir, "jo.password")
	if err := os.WriteFile(secret, []byte("four plain words here\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(at string, args ...string) (string, int) {
		command := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), append(args, "--server", at, "--session-file", session)...)
		command.Dir = dir
		out, _ := command.CombinedOutput()
		return string(out), command.ProcessState.ExitCode()
	}
	must := func(want string, args ...string) string {
		t.Helper()
		out, code := run(address, args...)
		if code != 0 || !strings.Contains(out, want) {
			t.Fatalf("%v: exit code %d, want %q in:\n%s", args, code, want, out)
		}
		return out
	}
	key := filepath.Join(dir, "data", "demo.key")
	must("signs in as jo@demo-shop, desks shop, password", "people", "add", "jo", "--name", "Jo Ferris", "--role", "shop", "--password-file", secret, "--key-file", key)
	said := must("signed in as jo@demo-shop", "sign-in", "jo@demo-shop", "--password-file", secret)
	raw, err := os.ReadFile(session)
	if err != nil || strings.Contains(said, "bs_") || !strings.Contains(string(raw), "bs_demo-shop_") {
		t.Fatalf("%v; said %s", err, said)
	}
	if info, err := os.Stat(session); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	must("legacy-a", "dialects") // by the session, with no key named
	if out, code := run("localhost:"+strings.TrimPrefix(address, "127.0.0.1:"), "dialects"); code == 0 || !strings.Contains(out, "sign-in") {
		t.Errorf("another server's name was sent the session: %d %s", code, out)
	}
	if out, code := run(address, "people", "list"); code == 0 || !strings.Contains(out, "needs the desk admin, or the operator; this credential sits at shop") {
		t.Errorf("a desk that is not the person's: %d %s", code, out)
	}
	must("people/demo-shop.jo  Jo Ferris", "people", "list", "--key-file", key)
	list := must("sessions/demo-shop.", "sessions", "list", "--key-file", key)
	name := regexp.MustCompile(`sessions/demo-shop\.[a-z2-7]{12}`).FindString(list)
	must("has ended", "sessions", "end", name, "--key-file", key)
	ended := time.Now()
	for {
		if out, code := run(address, "dialects"); code != 0 && strings.Contains(out, "credential is missing or wrong") {
			break
		}
		if time.Since(ended) > 5*time.Second {
			t.Fatal("a session that was ended still counts")
		}
	}
	must("signed in as jo@demo-shop", "sign-in", "jo@demo-shop", "--password-file", secret)
	must("jo@demo-shop is signed out", "sign-out")
	if _, err := os.Stat(session); !os.IsNotExist(err) {
		t.Errorf("the file is still there: %v", err)
	}
	if out, code := run(address, "sign-out"); code == 0 || !strings.Contains(out, "nobody is signed in") {
		t.Errorf("%d %s", code, out)
	}
	if out, code := run(address, "sign-in", "jo@demo-shop"); code != 2 || !strings.Contains(out, "--password-file") {
		t.Errorf("without a terminal: %d %s", code, out)
	}
}
