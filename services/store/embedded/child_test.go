package embedded_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"

	"go.uber.org/goleak"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

// The crash tests run this test binary again as the process that is killed.
const (
	childDir    = "BELTWRIGHT_TEST_CHILD_DIR"
	childNoSync = "BELTWRIGHT_TEST_CHILD_NOSYNC"
	childRound  = "BELTWRIGHT_TEST_CHILD_ROUND"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := writeForEver(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1) //nolint:forbidigo // this is the child's main
		}
		return
	}
	goleak.VerifyTestMain(m)
}

const (
	childWriters = 8
	childValue   = 300
)

// writeForEver opens the store and writes from several goroutines, reporting
// each acknowledged change on standard output, until it is killed.
func writeForEver(dir string) error {
	s, err := embedded.Open(dir, embedded.Options{NoSync: os.Getenv(childNoSync) != ""})
	if err != nil {
		return err
	}
	failed := make(chan error, childWriters)
	var out sync.Mutex
	for w := range childWriters {
		go func() {
			for i := 0; ; i++ {
				if err := writeOne(s, w, i, &out); err != nil {
					failed <- err
					return
				}
			}
		}()
	}
	return <-failed
}

// writeOne applies one change of three records, one of which earlier changes
// wrote too, and reports it.
func writeOne(s store.Store, w, i int, out *sync.Mutex) error {
	name := fmt.Sprintf("%s-%d-%d", os.Getenv(childRound), w, i)
	change := store.Change{
		Tenant: "crash", RequestID: name, Answer: []byte(name),
		Puts: []store.Put{
			{Key: crashKey(name + "-a"), Value: crashValue(name)},
			{Key: crashKey(name + "-b"), Value: crashValue(name)},
			{Key: crashKey("shared-" + strconv.Itoa(w)), Expect: store.Whatever, Value: fmt.Appendf(nil, "%d", i)},
		},
	}
	got, err := s.Apply(context.Background(), change)
	if err != nil {
		return err
	}
	if got[0].Err != nil {
		return got[0].Err
	}
	out.Lock()
	defer out.Unlock()
	_, err = fmt.Printf("%s %d %d\n", name, w, i) //nolint:forbidigo // the pipe to the parent
	return err
}

func crashKey(id string) store.Key { return store.Key{Tenant: "crash", Kind: "row", ID: id} }

func crashValue(name string) []byte { return []byte(strings.Repeat(name+" ", childValue/len(name))) }

// acknowledged is what a child reported before it died.
type acknowledged struct {
	names []string
	last  map[int]int // the last change of each writer
}

// child is a running writer.
type child struct {
	cmd *exec.Cmd
	out *bufio.Scanner
}

// startChild starts a writer on a directory.
func startChild(t *testing.T, dir, round string, noSync bool) *child {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir, childRound+"="+round)
	if noSync {
		cmd.Env = append(cmd.Env, childNoSync+"=1")
	}
	var complaint strings.Builder
	cmd.Stderr = &complaint
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if cmd.ProcessState == nil { // the test ended early
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
		if t.Failed() && complaint.Len() > 0 {
			t.Logf("the child said: %s", complaint.String())
		}
	})
	return &child{cmd: cmd, out: bufio.NewScanner(pipe)}
}

// read reads reports into the result until enough have come.
func (c *child) read(t *testing.T, into *acknowledged, enough int) {
	t.Helper()
	if into.last == nil {
		into.last = map[int]int{}
	}
	for n := 0; n < enough && c.out.Scan(); n++ {
		fields := strings.Fields(c.out.Text())
		if len(fields) != 3 {
			return // cut off in the middle of a line
		}
		w, err1 := strconv.Atoi(fields[1])
		i, err2 := strconv.Atoi(fields[2])
		if err1 != nil || err2 != nil {
			t.Fatalf("the child wrote %q", c.out.Text())
		}
		into.names = append(into.names, fields[0])
		into.last[w] = i
	}
}

// kill ends the child with SIGKILL and reads what it had reported.
func (c *child) kill(t *testing.T, into *acknowledged) {
	t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	c.read(t, into, 1<<30)
	if err := c.cmd.Wait(); err == nil {
		t.Fatal("the child ended by itself")
	}
}

// lost counts the acknowledged changes that are not wholly there, and all.
func lost(t *testing.T, s store.Store, acks acknowledged) (missing, total int) {
	t.Helper()
	for _, name := range acks.names {
		seen, err := s.Seen(t.Context(), "crash", name, [32]byte{})
		a, errA := s.Get(t.Context(), crashKey(name+"-a"))
		b, errB := s.Get(t.Context(), crashKey(name+"-b"))
		whole := err == nil && errA == nil && errB == nil && string(seen.Answer) == name &&
			string(a.Value) == string(crashValue(name)) && string(b.Value) == string(crashValue(name))
		if !whole {
			missing++
		}
	}
	for w, i := range acks.last {
		found, err := s.Get(t.Context(), crashKey("shared-"+strconv.Itoa(w)))
		at, convErr := strconv.Atoi(string(found.Value))
		if err != nil || convErr != nil || at < i {
			missing++
		}
	}
	return missing, len(acks.names) + len(acks.last)
}
