package logs_test

import (
	"bytes"
	"errors"
	"log"
	"strings"
	"testing"

	"google.golang.org/grpc/grpclog"

	"beltwright.example/services/platform/logs"
)

// What gRPC says of a header that it cannot read, in its own words, at each level. The
// control is gRPC's own log, which quotes it.
func TestWhatLibrariesLogIsMasked(t *testing.T) {
	t.Parallel()
	const vin, key = "1M8GDM9AXKP042788", "bw_kettlewick_abcdefghij23_cmFuZG9tIHRleHQgb2YgMjU2IGJpdHMgdGhhdCBpcyAyMA"
	say := func(l grpclog.LoggerV2) {
		l.Infof("Failed to decode metadata header (%q, %q)", "vin-bin", vin+" "+key)
		l.Warningf("Failed to decode metadata header (%q, %q)", "vin-bin", vin+" "+key)
		l.Errorln("Failed to marshal rpc status", vin, key)
	}
	for level, lines := range map[string]int{"": 1, "ERROR": 1, "warning": 2, "INFO": 3, "nothing": 0} {
		var out bytes.Buffer
		say(logs.GRPC(&out, level))
		if got := strings.Count(out.String(), "Failed to"); got != lines {
			t.Errorf("level %q: %d lines, want %d: %s", level, got, lines, &out)
		}
		if strings.Contains(out.String(), vin) || strings.Contains(out.String(), "cmFuZG9t") {
			t.Errorf("level %q: %s", level, &out)
		}
	}
	var out bytes.Buffer
	say(grpclog.NewLoggerV2(&out, &bytes.Buffer{}, &bytes.Buffer{}))
	if !strings.Contains(out.String(), vin) {
		t.Error("the control: gRPC's own log hides it, so this test shows nothing")
	}

	out.Reset()
	log.New(logs.Masked(&out), "", 0).Printf("http: panic serving %s", vin)
	if got := out.String(); got != "http: panic serving [VIN]\n" {
		t.Errorf("%q", got)
	}
	if _, err := logs.Masked(broken{}).Write([]byte("x")); !errors.Is(err, errBroken) {
		t.Errorf("%v", err)
	}
}

var errBroken = errors.New("the disk is full")

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errBroken }
