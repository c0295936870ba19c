package process_test

import (
	"bytes"
	"context"
	"flag"
	"io"
	"net"
	"strings"
	"testing"

	"beltwright.example/services/platform/process"
)

// subject is a process without a server.
type subject struct{}

func (subject) Health(context.Context) (bool, map[string]string) { return true, nil }

func seen(t *testing.T, outside process.Outside, args ...string) (*process.Seen, *bytes.Buffer) {
	t.Helper()
	flags := flag.NewFlagSet("test", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	outside.Bind(flags)
	if err := flags.Parse(args); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	log, err := process.NewLog(&out, false, "info")
	if err != nil {
		t.Fatal(err)
	}
	all, err := outside.Open(t.Context(), "test", log)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { all.Close(context.WithoutCancel(t.Context())) })
	return all, &out
}

// taken is an address that somebody listens on.
func taken(t *testing.T) string {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := listener.Close(); err != nil {
			t.Error(err)
		}
	})
	return listener.Addr().String()
}

// TestTheUsualAdminAddressMayBeTaken: a second process on a machine goes without and
// says so. One that was asked for must be there.
func TestTheUsualAdminAddressMayBeTaken(t *testing.T) {
	t.Parallel()
	address := taken(t)
	usual, log := seen(t, process.Outside{Admin: address})
	port, err := usual.Port(t.Context(), subject{})
	if err != nil || port != nil || !strings.Contains(log.String(), "there is no admin port") {
		t.Errorf("%v, %v, log %s", port, err, log)
	}
	asked, _ := seen(t, process.Outside{Admin: "127.0.0.1:1"}, "-admin", address)
	if port, err := asked.Port(t.Context(), subject{}); err == nil {
		t.Errorf("%s: opened %v", address, port)
	}
}

func TestAdminPortIsOnLoopbackUnlessSaidOtherwise(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		args []string
		open bool
		err  string
	}{
		{nil, true, ""},
		{[]string{"-admin", "off"}, false, ""},
		{[]string{"-admin", "0.0.0.0:0"}, false, "admin-anywhere"},
		{[]string{"-admin", "0.0.0.0:0", "-admin-anywhere"}, true, ""},
		{[]string{"-admin", "nonsense"}, false, "expected HOST:PORT"},
	} {
		all, _ := seen(t, process.Outside{Admin: "127.0.0.1:0"}, c.args...)
		port, err := all.Port(t.Context(), subject{})
		if (port != nil) != c.open || (err != nil) != (c.err != "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("%v: %v, %v", c.args, port, err)
		}
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestABadCollectorStopsTheStart(t *testing.T) {
	t.Parallel()
	log, err := process.NewLog(io.Discard, false, "info")
	if err != nil {
		t.Fatal(err)
	}
	outside := process.Outside{Collector: "localhost"}
	if _, err := outside.Open(t.Context(), "test", log); err == nil || !strings.Contains(err.Error(), "otlp: ") {
		t.Errorf("%v", err)
	}
}
