package check_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"beltwright.example/deploy/check"
)

// shipped builds the programs as they are shipped, once.
var shipped = sync.OnceValue(func() error {
	said, err := exec.CommandContext(context.Background(), filepath.Join("..", "build.sh"), programs).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w\n%s", err, said)
	}
	return nil
})

// programs is the folder that they are built into.
var programs string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "beltwright-shipped-")
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test to fail yet
	}
	programs = dir
	m.Run()
	_ = os.RemoveAll(dir)
}

// place is a machine made of folders: where the paths and addresses that deployments
// name are in this test.
type place struct {
	t     *testing.T
	dir   string
	certs string
	at    map[string]string // addresses by what the deployment calls them
}

func newPlace(t *testing.T) *place {
	t.Helper()
	p := &place{t: t, dir: t.TempDir(), at: map[string]string{}}
	p.certs = filepath.Join(p.dir, "certs")
	if said, err := p.run([]string{"/usr/bin/beltwright", "devcerts", "--out", p.certs}, "", nil); err != nil {
		t.Fatalf("devcerts: %v, %s", err, said)
	}
	return p
}

// here puts a command line of a deployment into this place: programs, data and
// certificates are in its folders, and what listens takes a free port.
func (p *place) here(words []string, side string) []string {
	p.t.Helper()
	if err := shipped(); err != nil {
		p.t.Fatal(err)
	}
	var out []string
	for _, word := range words {
		for from, to := range p.at {
			word = strings.ReplaceAll(word, from, to)
		}
		for _, pair := range [][2]string{
			{"/usr/bin/", programs + "/"},
			{"/run/tls", filepath.Join(p.certs, side)},
			{"/etc/beltwright/certs", p.certs},
			{"/var/lib/beltwright-" + side, filepath.Join(p.dir, "data", side)},
			{"/var/lib/beltwright", filepath.Join(p.dir, "data")},
		} {
			word = strings.ReplaceAll(word, pair[0], pair[1])
		}
		if word == "/data" || strings.HasPrefix(word, "/data/") {
			word = filepath.Join(p.dir, "data", side) + strings.TrimPrefix(word, "/data")
		}
		out = append(out, listening.ReplaceAllString(word, "127.0.0.1:0"))
	}
	return out
}

// listening are the addresses that deployments listen on.
var listening = regexp.MustCompile(`^(0\.0\.0\.0|127\.0\.0\.1):(8080|8081|9091|9092)$`)

// run runs a command of a deployment to its end.
func (p *place) run(words []string, side string, env []string) (string, error) {
	p.t.Helper()
	words = p.here(words, side)
	command := exec.CommandContext(p.t.Context(), words[0], words[1:]...)
	command.Env = append(os.Environ(), p.here(env, side)...)
	said, err := command.CombinedOutput()
	return string(said), err
}

// start starts a server of a deployment and returns the address that it took.
func (p *place) start(words []string, side, says string) string {
	p.t.Helper()
	words = append(p.here(words, side), "--admin", "off")
	log := filepath.Join(p.dir, side+".log")
	file, err := os.Create(log)
	if err != nil {
		p.t.Fatal(err)
	}
	command := exec.CommandContext(context.WithoutCancel(p.t.Context()), words[0], words[1:]...)
	command.Stdout, command.Stderr = file, file
	if err := command.Start(); err != nil {
		p.t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	p.t.Cleanup(func() {
		_ = command.Process.Signal(syscall.SIGTERM)
		if err := <-ended; err != nil {
			p.t.Errorf("%s ended: %v", side, err)
		}
		_ = file.Close()
	})
	pattern := regexp.MustCompile(says)
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); {
		said, err := os.ReadFile(log)
		if err != nil {
			p.t.Fatal(err)
		}
		if match := pattern.FindSubmatch(said); match != nil {
			return string(match[1])
		}
		select {
		case err := <-ended:
			ended <- err
			p.t.Fatalf("%v ended: %v\n%s", words, err, said)
		case <-time.After(20 * time.Millisecond):
		}
	}
	said, _ := os.ReadFile(log)
	p.t.Fatalf("%v does not listen:\n%s", words, said)
	return ""
}

// healthy waits until a health check passes.
func (p *place) healthy(words []string, side string, env []string) {
	p.t.Helper()
	var said string
	var err error
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); {
		if said, err = p.run(words, side, env); err == nil {
			return
		}
	}
	p.t.Errorf("%s is not healthy: %v, %s", side, err, said)
}

const (
	calls = `"?msg"?[=:]"?listening"?.*"?address"?[=:]"?(127\.0\.0\.1:\d+)`
	rest  = `REST\s+https?://(127\.0\.0\.1:\d+)`
)

// TestContainersStartAsTheyAreWritten runs the command of each service of the compose
// file, with the programs as they are shipped and certificates as its comment makes
// them, and then the health checks as they are written.
func TestContainersStartAsTheyAreWritten(t *testing.T) {
	t.Parallel()
	project, err := check.Project(t.Context(), "../container/compose.yaml", []byte(read(t, "container/compose.yaml")))
	if err != nil {
		t.Fatal(err)
	}
	p := newPlace(t)
	for _, side := range []string{"fitment", "quote", gateway} {
		service := project.Services[side]
		entry := service.Entrypoint
		if len(entry) == 0 {
			start, err := check.StartCommand([]byte(read(t, "container/Containerfile")))
			if err != nil {
				t.Fatal(err)
			}
			entry = start[:1]
		}
		says, inside, name := calls, "127.0.0.1:9091", "fitment:9091"
		switch side {
		case "quote":
			inside, name = "127.0.0.1:9092", "quote:9092"
		case gateway:
			says, inside, name = rest, "127.0.0.1:8080", "gateway:8080"
		}
		address := p.start(slices.Concat(entry, service.Command), side, says)
		p.at[name] = address
		var env []string
		for key, value := range service.Environment {
			env = append(env, key+"="+*value)
		}
		health := *p
		health.at = map[string]string{inside: address}
		health.healthy(service.HealthCheck.Test[1:], side, env)
		// The control: without its certificate the check is refused, as is whoever has none.
		if said, err := health.run(service.HealthCheck.Test[1:], side, []string{"BELTWRIGHT_TLS="}); err == nil {
			t.Errorf("%s: a health check without a certificate passed: %s", side, said)
		}
		if side == gateway {
			p.commanded(env)
		}
	}
}

const gateway = "gateway"

// commanded runs what the compose file says is run in the gateway's container, with the
// key of the first start, and makes a data directory of the backup.
func (p *place) commanded(env []string) {
	p.t.Helper()
	key, err := os.ReadFile(filepath.Join(p.dir, "data", "fitment", "operator.key"))
	if err != nil {
		p.t.Fatal(err)
	}
	with := append(slices.Clone(env), "BELTWRIGHT_KEY="+strings.TrimSpace(string(key)))
	taken := filepath.Join(p.dir, "backups")
	for _, c := range []struct {
		args []string
		env  []string
		says string // "" where it must fail
	}{
		{[]string{"keys", "list"}, with, "keys/operator."},
		{[]string{"backup", "-o", taken}, with, "backed up to"},
		{[]string{"store", "restore", taken, filepath.Join(p.dir, "restored")}, nil, "restored"},
		{[]string{"keys", "list"}, env, ""}, // the controls: without the key, and without a certificate
		{[]string{"keys", "list"}, append(slices.Clone(with), "BELTWRIGHT_TLS="), ""},
	} {
		said, err := p.run(append([]string{"/usr/bin/beltwright"}, c.args...), gateway, c.env)
		if (err == nil) != (c.says != "") || !strings.Contains(said, c.says) {
			p.t.Errorf("%v with %d settings: %v, %s", c.args, len(c.env), err, said)
		}
	}
}

// TestTheImageStartsAsItIsWritten runs what an image runs where nothing else is said.
func TestTheImageStartsAsItIsWritten(t *testing.T) {
	t.Parallel()
	text := read(t, "container/Containerfile")
	start, err := check.StartCommand([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p := newPlace(t)
	p.at["http://127.0.0.1:8080"] = "http://" + p.start(append(start, "--http", "127.0.0.1:8080", "--grpc", "127.0.0.1:8081"), "beltwright", rest)
	health := regexp.MustCompile(`HEALTHCHECK .* CMD (\[.*\])`).FindStringSubmatch(text)
	p.healthy(strings.Split(strings.Trim(strings.ReplaceAll(health[1], `"`, ""), "[]"), ", "), "beltwright", nil)
}

// TestUnitsStartAsTheyAreWritten runs ExecStart of each unit.
func TestUnitsStartAsTheyAreWritten(t *testing.T) {
	t.Parallel()
	texts := units(t)
	p := newPlace(t)
	for _, one := range []struct{ side, says, address string }{
		{"fitment", calls, "127.0.0.1:9091"}, {"quote", calls, "127.0.0.1:9092"}, {"gateway", rest, "127.0.0.1:8080"},
	} {
		words := check.ExecStart(texts["beltwright-"+one.side+".service"])
		// What it listens on is put in place by here, and what it calls by at.
		taken := p.start(words, one.side, one.says)
		p.at[one.address] = taken
	}
	p.healthy([]string{"/usr/bin/beltwright", "health", "--http", "http://127.0.0.1:8080"}, gateway, nil)
	alone := newPlace(t)
	alone.at["http://127.0.0.1:8080"] = "http://" + alone.start(check.ExecStart(texts["beltwright.service"]), "beltwright", rest)
	alone.healthy([]string{"/usr/bin/beltwright", "health", "--http", "http://127.0.0.1:8080"}, "beltwright", nil)
}
