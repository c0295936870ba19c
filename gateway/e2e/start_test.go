package e2e_test

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

func TestKeysAreNeededEverywhereButHealth(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	_, c := serveDemo(t, data)
	info, err := os.Stat(filepath.Join(data, "demo.key"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("demo.key: %v, %v; want mode 0600", info.Mode(), err)
	}
	for _, path := range []string{"/healthz", "/readyz", "/openapi.json"} {
		open := client{t, c.base, ""}
		if code, _ := open.do(http.MethodGet, path, nil); code != http.StatusOK {
			t.Errorf("%s without a key: %d", path, code)
		}
	}
	for name, key := range map[string]string{"none": "", "wrong": c.key[:len(c.key)-2] + "AA", "nonsense": "x"} {
		for _, path := range []string{"/v1/quotes", "/v1/parts", "/v1/listings/kettlewick.SOLANE-1", "/v1/nowhere", "/"} {
			code, answer := client{t, c.base, key}.do(http.MethodGet, path, nil)
			if code != http.StatusUnauthorized || reason(t, answer) != "CREDENTIAL_INVALID" {
				t.Errorf("%s key, %s: %d %v", name, path, code, answer)
			}
		}
	}
}

func TestSecondProcessIsRefused(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	serveDemo(t, data)
	second := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	second.awaits("another process is using")
	if code := second.exits(); code != 1 {
		t.Errorf("exit code %d, want 1", code)
	}
}

func TestOperatorKeyIsMadeOnce(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "first.key")
	p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--key-file", file)
	base := p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v; want mode 0600", info.Mode(), err)
	}
	if strings.Contains(p.printed(), strings.TrimSpace(string(key))) {
		t.Error("the operator's key was printed")
	}
	c := client{t, base, strings.TrimSpace(string(key))}
	if parts := list(t, c.get("/v1/parts"), "parts"); len(parts) != 0 {
		t.Errorf("a store without --demo holds %d parts", len(parts))
	}
}

// TestOperatorKeyIsPrintedOnce: without a key file the first start prints the key, and
// nothing else has it, neither a file nor a later start; who lost it makes another one
// on the stopped store.
func TestOperatorKeyIsPrintedOnce(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	serve := func() (*process, client) {
		p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--log-level", "debug")
		return p, client{t, p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1], ""}
	}
	stop := func(p *process) {
		p.signal(syscall.SIGTERM)
		if code := p.exits(); code != 0 {
			t.Errorf("exit code %d", code)
		}
	}
	p, c := serve()
	c.key = p.awaits(`shown this once\.\n\s+(bw_operator_\S+)`)[1]
	c.get("/v1/parts")
	stop(p)
	if strings.Count(p.printed(), c.key) != 1 {
		t.Errorf("the key is printed %d times", strings.Count(p.printed(), c.key))
	}
	secret := strings.SplitN(c.key, "_", 4)[3]
	searched := 0
	err := filepath.WalkDir(data, func(path string, entry os.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		raw, err := os.ReadFile(path)
		if strings.Contains(string(raw), secret) {
			t.Errorf("%s holds the key", path)
		}
		searched += strings.Count(string(raw), strings.SplitN(c.key, "_", 4)[2])
		return err
	})
	if err != nil || searched == 0 {
		t.Errorf("the key's public id is nowhere, so nothing was searched: %v", err)
	}
	p, again := serve()
	p.awaits("beltwright keys first --data")
	again.key = c.key
	again.get("/v1/parts")
	stop(p)
	if strings.Contains(p.printed(), "bw_") {
		t.Error("a later start prints a key")
	}
	out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), "keys", "first", "--data", data).CombinedOutput()
	another := regexp.MustCompile(`bw_operator_\S+`).FindString(string(out))
	if err != nil || another == "" || another == c.key {
		t.Fatalf("keys first: %v\n%s", err, out)
	}
	_, c = serve()
	c.key = another
	c.get("/v1/parts")
}

// TestDemoKeepsOffOtherData: a demo key may do everything, so no demo runs on a
// store that somebody uses; on its own store it runs again.
func TestDemoKeepsOffOtherData(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	p.awaits("Beltwright is ready")
	p.signal(syscall.SIGTERM)
	p.exits()
	refused := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	refused.awaits("--demo wants an empty store")
	if code := refused.exits(); code != 1 {
		t.Errorf("exit code %d, want 1", code)
	}
	if _, err := os.Stat(filepath.Join(data, "demo.key")); !os.IsNotExist(err) {
		t.Errorf("a demo key was made: %v", err)
	}
}

// TestCommandLine runs the client commands against a server.
func TestCommandLine(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	p, _ := serveDemo(t, data)
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	need := strings.Fields("--make Tarvena --model Solane --year 2006 --drive-side left --body saloon --market US --kind buckle-pretensioner --row 1 --side right")
	cases := []struct {
		args []string
		want string
	}{
		{[]string{"decode", "1M8GDM9AXKP042788", "--market", "US"}, "1M8GDM9AXKP042788 is valid"},
		{append([]string{"donors"}, need...), "● fits"},
		{append([]string{"decide", "listings/saltmarrow.SOLANE-6"}, need...), "✕ barred"},
		{append([]string{"quote", "--dry-run", "--day-cost", "30.00"}, need...), "plan: Buy used part"},
		{[]string{"assess", "--code", "B0058", "--reading", "kind=buckle-pretensioner,row=1,side=right,method=meter-at-component,ohms=17e6,percent=0.9,counts=2,resolution=0.1,lead=0.2,clip=out,battery-off=12"}, "buying is justified"},
		{[]string{"listing", "get", "listings/kettlewick.SOLANE-1", "--json"}, `"stockNumber"`},
		{[]string{"outcome", "list"}, "saltmarrow"},
	}
	for _, c := range cases {
		args := append([]string{"--server", address, "--key-file", filepath.Join(data, "demo.key")}, c.args...)
		out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
		if err != nil || !strings.Contains(string(out), c.want) {
			t.Errorf("%v: %v, no %q in:\n%s", c.args, err, c.want, out)
		}
	}
}
