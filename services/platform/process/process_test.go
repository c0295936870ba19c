package process_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwright.example/services/platform/process"
)

func TestLogLevelsAndForms(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		level        string
		asJSON, info bool
	}{{"debug", true, true}, {"INFO", false, true}, {"warn", true, false}, {"error", false, false}} {
		var out bytes.Buffer
		log, err := process.NewLog(&out, c.asJSON, c.level)
		if err != nil {
			t.Fatal(err)
		}
		log.Info("hello")
		if got := strings.Contains(out.String(), "hello"); got != c.info {
			t.Errorf("%s: an info line is written: %v", c.level, got)
		}
		if c.info && strings.HasPrefix(out.String(), "{") != c.asJSON {
			t.Errorf("%s: %s", c.level, &out)
		}
	}
	if _, err := process.NewLog(io.Discard, false, "loud"); err == nil || !strings.Contains(err.Error(), "debug, info, warn or error") {
		t.Errorf("an unknown level: %v", err)
	}
}

func TestAddressFileIsWrittenWhole(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "addr")
	for _, address := range []string{"127.0.0.1:40001", "127.0.0.1:4"} {
		if err := process.WriteAddress(path, address); err != nil {
			t.Fatal(err)
		}
		if raw, err := os.ReadFile(path); err != nil || string(raw) != address+"\n" {
			t.Errorf("%q, %v", raw, err)
		}
	}
	if rest, err := os.ReadDir(filepath.Dir(path)); err != nil || len(rest) != 1 {
		t.Errorf("%d files are left, %v", len(rest), err)
	}
	if err := process.WriteAddress("", "x"); err != nil {
		t.Errorf("no path: %v", err)
	}
	if err := process.WriteAddress(filepath.Join(path, "below-a-file"), "x"); err == nil {
		t.Error("an impossible path was taken")
	}
}

func TestMainTurnsOutcomesIntoExitCodes(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		args []string
		err  error
		code int
		says string
	}{
		"good":   {nil, nil, process.ExitOK, ""},
		"failed": {nil, errors.New("the disk is gone"), process.ExitFailed, "prog: the disk is gone"},
		"usage":  {[]string{"-x"}, nil, process.ExitUsage, "-x"},
		"help":   {[]string{"-h"}, nil, process.ExitOK, "Usage"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var stderr bytes.Buffer
			code := process.Main(flag.NewFlagSet("prog", flag.ContinueOnError), c.args, &stderr, func(context.Context) error { return c.err })
			if code != c.code || !strings.Contains(stderr.String(), c.says) {
				t.Errorf("%d, want %d; said %q", code, c.code, &stderr)
			}
		})
	}
}
