package abuse_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
)

// asBare makes this test's program be the server without limits.
const asBare = "BELTWRIGHT_TEST_AS_BARE"

// long tells whether attacks are run at full size.
var long = os.Getenv("BELTWRIGHT_LONG") != "" //nolint:gochecknoglobals // the environment does not change

// sized picks the size for the checks or the full one.
func sized(small, full int) int {
	if long {
		return full
	}
	return small
}

const mebi = 1 << 20

// binaries is the folder that the program is built into.
var binaries string //nolint:gochecknoglobals // set once, before the tests

func TestMain(m *testing.M) {
	if os.Getenv(asBare) != "" {
		bareMain()
		return
	}
	dir, err := os.MkdirTemp("", "beltwright-abuse-")
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test to fail yet
	}
	binaries = dir
	m.Run()
	_ = os.RemoveAll(dir)
}

// target is a server under attack, in a process of its own.
type target struct {
	t          *testing.T
	pid        int
	rest, grpc string
	admin      string // where its profiles are
	naive      string // bare only: see serveNaive
	// secure is set where REST speaks HTTPS: what a client trusts.
	secure *tls.Config
	// key is the attacker's own credential, of a business that nobody else has.
	key string
	// bystander is another business's.
	bystander string
}

// attackers is the address that attacks come from; bystanders have another.
const (
	attackers  = "127.0.0.9"
	bystanders = "127.0.0.1"
)

func dialer(from string) *net.Dialer {
	return &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 10 * time.Second}
}

// connect opens a connection as an attacker does.
func (target) connect(ctx context.Context, to string) (net.Conn, error) {
	return dialer(attackers).DialContext(ctx, "tcp", to)
}

// base is where REST is.
func (x target) base() string {
	if x.secure != nil {
		return "https://" + x.rest
	}
	return "http://" + x.rest
}

// child runs a program until the test ends and returns what it prints, until all
// patterns have matched.
func child(t *testing.T, command *exec.Cmd, patterns ...string) (int, []string) {
	t.Helper()
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	command.Stderr = &errs
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	var read sync.WaitGroup
	t.Cleanup(func() {
		_ = command.Process.Kill()
		read.Wait()
		_ = command.Wait()
		if t.Failed() {
			text := errs.String()
			t.Logf("%s said: %s", command.Path, text[max(0, len(text)-4000):])
		}
	})
	lines := bufio.NewScanner(out)
	var found []string
	var seen strings.Builder
	for len(found) < len(patterns) && lines.Scan() {
		seen.WriteString(lines.Text() + "\n")
		if match := regexp.MustCompile(patterns[len(found)]).FindStringSubmatch(lines.Text()); match != nil {
			found = append(found, match[len(match)-1])
		}
	}
	if len(found) < len(patterns) {
		t.Fatalf("%s ended without printing %q:\n%s", command.Path, patterns[len(found)], seen.String())
	}
	read.Go(func() { _, _ = io.Copy(io.Discard, out) })
	return command.Process.Pid, found
}

// build builds the program, once.
var build = sync.OnceValue(func() error { //nolint:gochecknoglobals // once for all tests
	command := exec.CommandContext(context.Background(), "go", "build", "-o", binaries, "beltwright.example/gateway/cmd/beltwright")
	if out, err := command.CombinedOutput(); err != nil {
		return fmt.Errorf("build: %w\n%s", err, out)
	}
	return nil
})

// unraced runs the test by a program without the race detector, where it is on:
// attacker and bare server would be ten times as slow and no danger to anybody. It
// tells whether it did.
func unraced(t *testing.T) bool {
	t.Helper()
	if !raced {
		return false
	}
	program := filepath.Join(binaries, t.Name()+".test")
	command := exec.CommandContext(t.Context(), "go", "test", "-c", "-o", program, "beltwright.example/gateway/abuse")
	if out, err := command.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	out, err := exec.CommandContext(t.Context(), program, "-test.run", "^"+t.Name()+"$", "-test.v", "-test.count=1").CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
	return true
}

// startReal starts the whole program on the demo scenario.
func startReal(t *testing.T, more ...string) target {
	t.Helper()
	if err := build(); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(t.TempDir(), "data")
	command := exec.CommandContext(context.WithoutCancel(t.Context()), filepath.Join(binaries, "beltwright"), "serve", "--demo",
		"--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--admin", "127.0.0.1:0", "--data", data, "--log-level", "error")
	command.Args = append(command.Args, more...)
	x := target{t: t}
	var said []string
	x.pid, said = child(t, command, `REST\s+https?://(\S+)`, `gRPC\s+(\S+)`, `admin\s+http://(\S+)`, `Try, in another (terminal)`)
	x.rest, x.grpc, x.admin = said[0], said[1], strings.TrimSuffix(said[2], "/")
	raw, err := os.ReadFile(filepath.Join(data, "demo.key"))
	if err != nil {
		t.Fatal(err)
	}
	x.bystander = strings.TrimSpace(string(raw))
	x.key = x.newBusiness("crowfoot-salvage")
	return x
}

// newBusiness makes a business and a key of it.
func (x target) newBusiness(id string) string {
	x.t.Helper()
	conn, err := grpc.NewClient(x.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		x.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	ctx, cancel := context.WithTimeout(auth.WithKey(x.t.Context(), x.bystander), 20*time.Second)
	defer cancel()
	client := fitmentv1.NewIdentityServiceClient(conn)
	roles := []string{"yard", "shop", "books"}
	if _, err := client.CreateBusiness(ctx, &fitmentv1.CreateBusinessRequest{
		RequestId: uuid.NewString(), Business: &fitmentv1.Business{Id: id, DisplayName: id, Roles: append(roles, "admin")},
	}); err != nil {
		x.t.Fatal(err)
	}
	made, err := client.CreateKey(ctx, &fitmentv1.CreateKeyRequest{
		RequestId: uuid.NewString(), Key: &fitmentv1.Key{Business: id, Label: "attacker", Roles: roles},
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return made.GetText()
}

// startBare starts the server without limits.
func startBare(t *testing.T, secure bool) target {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	command := exec.CommandContext(context.WithoutCancel(t.Context()), self)
	command.Env = append(os.Environ(), asBare+"=1")
	x := target{t: t, key: "bw_anybody_aaaaaaaaaaaa_x"}
	var said []string
	x.pid, said = child(t, command, `REST (\S+)`, `gRPC (\S+)`, `naive (\S+)`, `HTTPS (\S+)`)
	x.rest, x.grpc, x.naive, x.admin = said[0], said[1], said[2], said[0]
	if secure {
		x.rest, x.secure = said[3], &tls.Config{InsecureSkipVerify: true} // it attacks, whoever it is
	}
	return x
}

// status reads a line of the process's status in kibibytes.
func (x target) status(name string) int64 {
	x.t.Helper()
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", x.pid))
	if err != nil {
		x.t.Fatalf("the server is gone: %v", err)
	}
	for line := range strings.Lines(string(raw)) {
		if rest, ok := strings.CutPrefix(line, name+":"); ok {
			number, err := strconv.ParseInt(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 10, 64)
			if err != nil {
				x.t.Fatal(err)
			}
			return number
		}
	}
	x.t.Fatalf("no %s in the status of the process", name)
	return 0
}

// peak is the most memory that the process ever had resident, in MiB.
func (x target) peak() int64 { return x.status("VmHWM") >> 10 }

// sockets counts what the process has open: files, and above all connections.
func (x target) sockets() int {
	x.t.Helper()
	open, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", x.pid))
	if err != nil {
		x.t.Fatal(err)
	}
	return len(open)
}
