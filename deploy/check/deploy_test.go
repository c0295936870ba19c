package check_test

import (
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwright.example/deploy/check"
)

// read reads a file of deploy.
func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", path))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// mistake is what is planted in a file, and what must be said of it.
type mistake struct{ old, new, says string }

// planted puts a mistake into a text; it must change it.
func planted(t *testing.T, text string, m mistake) string {
	t.Helper()
	changed := strings.Replace(text, m.old, m.new, 1)
	if changed == text {
		t.Fatalf("%q is not in the file, so that no mistake can be planted there", m.old)
	}
	return changed
}

// refused demands that a mistake was found and said.
func refused(t *testing.T, err error, m mistake) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), m.says) {
		t.Errorf("%q instead of %q: %v; it must say %q", m.new, m.old, err, m.says)
	}
}

func TestContainerfile(t *testing.T) {
	t.Parallel()
	text := read(t, "container/Containerfile")
	if err := check.Containerfile([]byte(text)); err != nil {
		t.Fatal(err)
	}
	for name, m := range map[string]mistake{
		"root":                 {"USER 65532:65532", "USER root", "it runs as"},
		"no user":              {"USER 65532:65532\n", "", "it runs as"},
		"a user by name":       {"USER 65532:65532", "USER nonroot", "it runs as"},
		"a distribution":       {"FROM scratch", "FROM debian:12", "expected scratch"},
		"a moving base":        {"golang:1.26.8 AS", "golang:latest AS", "names no version"},
		"a base without tag":   {"golang:1.26.8 AS", "golang AS", "names no version"},
		"one stage":            {"FROM scratch\nCOPY --from=build /image/ /\n", "", "1 stages"},
		"from the sources":     {"COPY --from=build /image/ /", "COPY . /", "takes from the source tree"},
		"fetches":              {"COPY --from=build /image/ /", "ADD a.tar /", "ADD fetches"},
		"a shell to start":     {`ENTRYPOINT ["/usr/bin/beltwright"]`, "ENTRYPOINT /usr/bin/beltwright", "needs a shell"},
		"runs at the end":      {"WORKDIR /data", "RUN chmod -R 777 /data", "nothing to run it with"},
		"no health check":      {"HEALTHCHECK --interval=10s --timeout=5s --start-period=60s --retries=3 CMD [", "CMD [", "its health check is"},
		"health by a shell":    {`CMD ["/usr/bin/beltwright", "health", "--timeout", "4s", "--http", "http://127.0.0.1:8080"]`, "CMD curl http://127.0.0.1:8080", "its health check is"},
		"a secret":             {"ENV BELTWRIGHT_SERVER=", "ENV BELTWRIGHT_KEY=", "would put a secret"},
		"an unknown word":      {"VOLUME", "VOLUMES", "unknown instruction"},
		"a flag not known":     {"HEALTHCHECK --interval", "HEALTHCHECK --every", "unknown flag"},
		"an empty line inside": {" \\\n && mkdir", " \\\n\n && mkdir", "warning"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			refused(t, check.Containerfile([]byte(planted(t, text, m))), m)
		})
	}
}

// TestNothingSecretGetsIntoAnImage: an image is built from the sources, and neither
// from keys and certificates nor from data.
func TestNothingSecretGetsIntoAnImage(t *testing.T) {
	t.Parallel()
	ignored := buildContext(t)
	for path, want := range map[string]bool{
		"go.mod": false, "LICENSE": false, "deploy/build.sh": false, "deploy/LICENCES.md": false, "deploy/NOTICES.txt": false,
		"gateway/cmd/beltwright/main.go": false, "services/quote/tax/packs/US-WA.json": false, "testdata/demo/parts.csv": false,
		".git/config": true, "beltwright-data/operator.key": true, "gateway/beltwright-data/fitment/store.db": true,
		"deploy/container/certs/ca-key.pem": true, "services/certs/fitment/key.pem": true, "gateway/demo.key": true,
		"deploy/container/compose.yaml": true, "README.md": true, "testdata/other.csv": true,
	} {
		if got, err := ignored.MatchesOrParentMatches(path); err != nil || got != want {
			t.Errorf("%s is left out: %v, %v; want %v", path, got, err, want)
		}
	}
}

func TestCompose(t *testing.T) {
	t.Parallel()
	const path = "../container/compose.yaml"
	text := read(t, "container/compose.yaml")
	if err := check.Compose(t.Context(), path, []byte(text)); err != nil {
		t.Fatal(err)
	}
	for name, m := range map[string]mistake{
		"a key not known":         {"read_only: true\n", "readonly: true\n", "readonly"},
		"no such network":         {"networks: [inside, outside]", "networks: [inside, out]", "undefined network"},
		"root":                    {`user: "65532:65532"`, `user: "0:0"`, "user is not"},
		"a root to write":         {"read_only: true\n", "read_only: false\n", "its root can be written"},
		"capabilities":            {"cap_drop: [ALL]", "cap_drop: [NET_RAW]", "keeps capabilities"},
		"a capability back":       {"cap_drop: [ALL]", "cap_drop: [ALL]\n  cap_add: [SYS_ADMIN]", "keeps capabilities"},
		"privileges":              {`["no-new-privileges:true"]`, `["no-new-privileges:false"]`, "may gain privileges"},
		"loosened":                {`["no-new-privileges:true"]`, `["no-new-privileges:true", "seccomp:unconfined"]`, "confinement is loosened"},
		"privileged":              {"init: false", "privileged: true", "is privileged"},
		"the machine's processes": {"init: false", "pid: host", "shares the machine's processes"},
		"devices":                 {"init: false", `devices: ["/dev/kvm:/dev/kvm"]`, "sees the machine's devices"},
		"no bound of processes":   {"pids_limit: 512", "pids_limit: -1", "processes have no bound"},
		"no bound of memory":      {"  mem_limit: 1g\n", "", "memory has no bound"},
		"no second start":         {"restart: unless-stopped", `restart: "no"`, "is not started again"},
		"cut off":                 {"stop_grace_period: 30s", "stop_grace_period: 2s", "stop is too short"},
		"an open port":            {`"127.0.0.1:8080:8080"`, `"8080:8080"`, "published on"},
		"a service's port":        {"    entrypoint: [/usr/bin/quote]", "    entrypoint: [/usr/bin/quote]\n    ports: [\"127.0.0.1:9092:9092\"]", "only the gateway's"},
		"a way out":               {"    networks: [inside]\n", "    networks: [inside, outside]\n", "leads out"},
		"no inner network":        {"    internal: true\n", "    internal: false\n", "in no internal network"},
		"certificates to write":   {"target: /run/tls, read_only: true", "target: /run/tls, read_only: false", "can write the machine's"},
		"the machine's files":     {"source: ./certs/fitment", "source: /var/run", "sees the machine's /var/run"},
		"another's certificate":   {"source: ./certs/quote", "source: ./certs/fitment", "expected its own certificate's folder"},
		"an admin port for all":   {"-allow, \"quote,gateway,client\",", "-allow, \"quote,gateway,client\", -admin, \"0.0.0.0:9102\", -admin-anywhere,", "leaves the container"},
		"no certificate":          {"-data, /data, -fitment, \"fitment:9091\", -tls, /run/tls,", "-data, /data, -fitment, \"fitment:9091\",", "has no certificate"},
		"everybody may call":      {`-allow, "quote,gateway,client", `, "", "does not say who may call"},
		"REST in the clear":       {"--http-cert, /run/tls/cert.pem, --http-key, /run/tls/key.pem", "--behind-proxy", "without HTTPS"},
		"programs in /tmp":        {"noexec,", "", "not a bounded tmpfs"},
		"no health check":         {"test: [CMD, /usr/bin/beltwright, health, --timeout, 4s, --server, \"127.0.0.1:9092\"]", "disable: true", "nothing checks its health"},
		"health by a shell":       {"test: [CMD, /usr/bin/beltwright, health, --timeout, 4s, --server, \"127.0.0.1:9092\"]", "test: curl 127.0.0.1", "its health check is"},
		"a secret":                {"BELTWRIGHT_TLS: /run/tls", "BELTWRIGHT_KEY: bw_operator", "would hold a secret"},
		"a service is missing":    {"\n  quote:\n    <<", "\n  quotes:\n    <<", "depends on undefined service"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			refused(t, check.Compose(t.Context(), path, []byte(planted(t, text, m))), m)
		})
	}
}

// units reads all units by name.
func units(t *testing.T) map[string]string {
	t.Helper()
	paths, err := filepath.Glob("../systemd/*.service")
	if err != nil || len(paths) != 4 {
		t.Fatalf("units: %v, %v", paths, err)
	}
	texts := map[string]string{}
	for _, path := range paths {
		texts[filepath.Base(path)] = read(t, "systemd/"+filepath.Base(path))
	}
	return texts
}

func TestUnits(t *testing.T) {
	t.Parallel()
	needs(t, "systemd-analyze", "systemd")
	texts := units(t)
	root := t.TempDir()
	if err := check.Root(root, texts); err != nil {
		t.Fatal(err)
	}
	for name := range texts {
		if err := check.Unit(t.Context(), root, name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	const name = "beltwright-quote.service"
	for what, m := range map[string]mistake{
		"a key not known":         {"ProtectSystem=strict", "ProtectSytem=strict", "Unknown key"},
		"a value not known":       {"ProtectSystem=strict", "ProtectSystem=strikt", "Failed to parse"},
		"a section not known":     {"[Install]", "[Instal]", "Unknown section"},
		"no such program":         {"/usr/bin/quote", "/usr/bin/quotes", "not executable"},
		"a relative program":      {"ExecStart=/usr/bin/quote", "ExecStart=./quote", "Neither a valid executable name nor an absolute path"},
		"no such unit":            {"Wants=beltwright-fitment.service", "Requires=beltwright-fitmnet.service", "not found"},
		"a call not known":        {"SystemCallFilter=@system-service", "SystemCallFilter=@service", "Unknown system call group"},
		"root":                    {"User=beltwright-quote\n", "User=root\n", "✗ User=/DynamicUser="},
		"the system to write":     {"ProtectSystem=strict\n", "ProtectSystem=no\n", "✗ ProtectSystem="},
		"privileges":              {"NoNewPrivileges=yes\n", "NoNewPrivileges=no\n", "✗ NoNewPrivileges="},
		"all capabilities":        {"CapabilityBoundingSet=\n", "CapabilityBoundingSet=~\n", "✗ CapabilityBoundingSet=~CAP_SYS_ADMIN"},
		"every system call":       {"SystemCallFilter=@system-service\nSystemCallFilter=~@privileged @resources\n", "", "✗ SystemCallFilter=~@mount"},
		"every address":           {"IPAddressDeny=any\n", "", "✗ IPAddressDeny="},
		"every kind of socket":    {"RestrictAddressFamilies=AF_INET AF_INET6\n", "", "✗ RestrictAddressFamilies=~AF_PACKET"},
		"the machine's devices":   {"PrivateDevices=yes\nPrivateUsers=yes\nDevicePolicy=closed\n", "PrivateUsers=yes\n", "✗ PrivateDevices="},
		"code made while running": {"MemoryDenyWriteExecute=yes\n", "", "MemoryDenyWriteExecute=yes is missing"},
		"other users' processes":  {"ProtectProc=invisible\n", "ProtectProc=default\n", "✗ ProtectProc="},
		"files for everybody":     {"UMask=0077\n", "", "UMask=0077 is missing"},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			changed := maps.Clone(texts)
			changed[name] = planted(t, texts[name], m)
			root := t.TempDir()
			if err := check.Root(root, changed); err != nil {
				t.Fatal(err)
			}
			refused(t, check.Unit(t.Context(), root, name), m)
		})
	}
}
