package e2e_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
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
)

// binaries is the folder that the programs are built into.
var binaries string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "beltwright-e2e-")
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test to fail yet
	}
	binaries = dir
	m.Run()
	_ = os.RemoveAll(dir)
}

// build builds the programs, once.
var build = sync.OnceValue(func() error {
	for _, path := range []string{"gateway/cmd/beltwright", "services/fitment/cmd/fitment", "services/quote/cmd/quote"} {
		command := exec.CommandContext(context.Background(), "go", "build", "-o", binaries, "beltwright.example/"+path)
		if out, err := command.CombinedOutput(); err != nil {
			return fmt.Errorf("build %s: %w\n%s", path, err, out)
		}
	}
	return nil
})

// process is a program under test.
type process struct {
	t       *testing.T
	command *exec.Cmd
	done    chan struct{}
	waitErr error

	mu     sync.Mutex
	output bytes.Buffer
	grown  chan struct{}
}

// start runs a program until the test ends, collecting what it prints.
func start(t *testing.T, program string, args ...string) *process {
	t.Helper()
	if err := build(); err != nil {
		t.Fatal(err)
	}
	p := &process{
		t: t, command: exec.CommandContext(context.WithoutCancel(t.Context()), filepath.Join(binaries, program), withoutAdmin(program, args)...),
		done: make(chan struct{}), grown: make(chan struct{}, 1),
	}
	reader, writer := io.Pipe()
	p.command.Stdout, p.command.Stderr = writer, writer
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	read := make(chan struct{})
	go func() {
		defer close(read)
		lines := bufio.NewReader(reader)
		for {
			line, err := lines.ReadString('\n')
			p.mu.Lock()
			p.output.WriteString(line)
			p.mu.Unlock()
			select {
			case p.grown <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	go func() {
		p.waitErr = p.command.Wait()
		_ = writer.Close()
		<-read
		close(p.done)
	}()
	t.Cleanup(func() {
		_ = p.command.Process.Signal(syscall.SIGCONT)
		_ = p.command.Process.Kill()
		<-p.done
		if t.Failed() {
			t.Logf("%s %v printed:\n%s", program, args, p.printed())
		}
	})
	return p
}

// withoutAdmin turns the admin port of a server off where nothing is said of it: its
// usual address is the same for all, and it listens before the server does.
func withoutAdmin(program string, args []string) []string {
	serves := program != "beltwright" || slices.Contains([]string{"serve", "gateway"}, args[0])
	named := slices.ContainsFunc(args, func(arg string) bool { return strings.TrimLeft(arg, "-") == "admin" })
	if !serves || named {
		return args
	}
	return append(slices.Clone(args), "--admin", "off")
}

func (p *process) printed() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.output.String()
}

// awaits returns the first match of a pattern in what the program prints.
func (p *process) awaits(pattern string) []string {
	p.t.Helper()
	re := regexp.MustCompile(pattern)
	limit := time.After(30 * time.Second)
	for {
		if match := re.FindStringSubmatch(p.printed()); match != nil {
			return match
		}
		select {
		case <-p.grown:
		case <-p.done:
			if match := re.FindStringSubmatch(p.printed()); match != nil {
				return match
			}
			p.t.Fatalf("the program ended (%v) without printing %s:\n%s", p.waitErr, pattern, p.printed())
		case <-limit:
			p.t.Fatalf("the program did not print %s:\n%s", pattern, p.printed())
		}
	}
}

// exits waits for the end and returns the exit code.
func (p *process) exits() int {
	p.t.Helper()
	select {
	case <-p.done:
		return p.command.ProcessState.ExitCode()
	case <-time.After(30 * time.Second):
		p.t.Fatal("the program did not end")
		return -1
	}
}

func (p *process) signal(s syscall.Signal) {
	p.t.Helper()
	if err := p.command.Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

// pause stops the process and returns once it stands still: on a busy machine its
// threads may go on for a while after the signal was sent.
func (p *process) pause() {
	p.t.Helper()
	p.signal(syscall.SIGSTOP)
	for {
		var status syscall.WaitStatus
		_, err := syscall.Wait4(p.command.Process.Pid, &status, syscall.WUNTRACED, nil)
		switch {
		case errors.Is(err, syscall.EINTR):
		case err != nil || !status.Stopped():
			p.t.Fatalf("the process does not stand still: status %#x, %v", status, err)
		default:
			return
		}
	}
}

// client speaks REST to one gateway.
type client struct {
	t    *testing.T
	base string
	key  string
}

// object is a JSON object.
type object = map[string]any

// do sends a request and returns status code and decoded body.
func (c client) do(method, path string, body any) (int, object) {
	c.t.Helper()
	var reader io.Reader
	switch body := body.(type) {
	case nil:
	case string:
		reader = strings.NewReader(body)
	default:
		raw, err := json.Marshal(body)
		if err != nil {
			c.t.Fatal(err)
		}
		reader = bytes.NewReader(raw)
	}
	ctx, cancel := context.WithTimeout(c.t.Context(), 30*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, c.base+path, reader)
	if err != nil {
		c.t.Fatal(err)
	}
	if c.key != "" {
		request.Header.Set("Authorization", "Bearer "+c.key)
	}
	request.Header.Set("Content-Type", "application/json")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	var answer object
	if len(raw) > 0 {
		if err := json.Unmarshal(raw, &answer); err != nil {
			c.t.Fatalf("%s %s answered no JSON object: %s", method, path, raw)
		}
	}
	return response.StatusCode, answer
}

// post expects 200.
func (c client) post(path string, body any) object {
	c.t.Helper()
	code, answer := c.do(http.MethodPost, path, body)
	if code != http.StatusOK {
		c.t.Fatalf("POST %s: %d %v", path, code, answer)
	}
	return answer
}

// get expects 200.
func (c client) get(path string) object {
	c.t.Helper()
	code, answer := c.do(http.MethodGet, path, nil)
	if code != http.StatusOK {
		c.t.Fatalf("GET %s: %d %v", path, code, answer)
	}
	return answer
}

// at walks objects by keys and arrays by index.
func at(t *testing.T, value any, path ...any) any {
	t.Helper()
	for _, step := range path {
		switch step := step.(type) {
		case string:
			fields, ok := value.(object)
			if !ok {
				t.Fatalf("%v: no object at %q: %v", path, step, value)
			}
			value = fields[step]
		case int:
			items, ok := value.([]any)
			if !ok || step >= len(items) {
				t.Fatalf("%v: no item %d: %v", path, step, value)
			}
			value = items[step]
		}
	}
	return value
}

// list returns the array at a path, empty where it is absent.
func list(t *testing.T, value any, path ...any) []any {
	t.Helper()
	items, _ := at(t, value, path...).([]any)
	return items
}

// reason returns the ErrorInfo reason of an error body.
func reason(t *testing.T, answer object) string {
	t.Helper()
	for _, detail := range list(t, answer, "details") {
		if text, ok := at(t, detail, "reason").(string); ok {
			return text
		}
	}
	t.Fatalf("no ErrorInfo in %v", answer)
	return ""
}
