package cli_test

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// kept writes a session file as sign-in does.
func kept(t *testing.T, server string) string {
	t.Helper()
	raw, err := json.Marshal(map[string]string{"server": server, "login": "jo@harrow-motors", "credential": "bs_x", "expires": "2026-11-26T10:04:30Z"})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "session.json")
	if err := os.WriteFile(path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestSignOutOfEndedSession: a session that has ended already is forgotten, and that
// is no failure.
func TestSignOutOfEndedSession(t *testing.T) {
	t.Parallel()
	ended := start(t, nil, apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "wrong"))
	for _, more := range [][]string{nil, {"--json"}} {
		path := kept(t, ended.address)
		code, out, errs := run(t, "", append([]string{"sign-out", "--server", ended.address, "--session-file", path}, more...)...)
		if code != cli.ExitOK || out == "" || errs != "" {
			t.Errorf("exit %d %q %q", code, out, errs)
		}
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("the session is still kept: %v", err)
		}
	}
}

// TestSignedInElsewhere: whoever is signed in on another server is told so, and the
// session is not sent to this one.
func TestSignedInElsewhere(t *testing.T) {
	t.Setenv("BELTWRIGHT_KEY", "") // a key there would count more
	other := start(t, &fitmentv1.ListListingsResponse{}, nil)
	code, _, errs := run(t, "", "listing", "list", "--server", other.address, "--session-file", kept(t, "127.0.0.1:1"))
	if code != cli.ExitUsage || !strings.Contains(errs, "jo@harrow-motors is signed in on 127.0.0.1:1") {
		t.Errorf("exit %d %q", code, errs)
	}
}
