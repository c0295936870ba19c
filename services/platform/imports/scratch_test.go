package imports

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/store"
)

// TestDryRunsAreBounded takes every place, so it runs beside no other test.
func TestDryRunsAreBounded(t *testing.T) { //nolint:paralleltest // see above
	for range 2 { // the places come back
		var open []*scratch
		for range dryRuns {
			s, err := newScratch()
			if err != nil {
				t.Fatal(err)
			}
			open = append(open, s)
		}
		target := Target{
			Columns: []Column{{Name: "a"}},
			Map:     func(Row, string, *check.Fields) (Item, bool) { return Item{}, false },
		}
		in := Input{Options: &fitmentv1.ImportOptions{DryRun: true}, Read: strings.NewReader("a\n1\n")}
		_, err := Run(t.Context(), nil, target, in, func(*fitmentv1.RowResult) error { return nil })
		if status.Code(err) != codes.ResourceExhausted || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_LIMIT_REACHED {
			t.Errorf("one dry run more: %v", err)
		}
		var retry *errdetails.RetryInfo
		for _, detail := range status.Convert(err).Details() {
			if found, ok := detail.(*errdetails.RetryInfo); ok {
				retry = found
			}
		}
		if retry.GetRetryDelay().AsDuration() != dryRunWait {
			t.Errorf("it may be tried again after %v", retry.GetRetryDelay())
		}
		for _, s := range open {
			s.close()
		}
	}
}

// TestScratchFilesLeaveNothing: not while they are open, where the system can do
// that, and not afterwards.
func TestScratchFilesLeaveNothing(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	t.Setenv("TMP", dir)
	s, err := newScratch()
	if err != nil {
		t.Fatal(err)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil || runtime.GOOS != "windows" && len(left) > 0 {
		t.Errorf("while it runs: %v, %v", left, err)
	}
	key := store.Key{Tenant: "t", Kind: "k", ID: "i"}
	if err := s.put([]*head{{key: key, value: []byte("kept aside")}}); err != nil {
		t.Fatal(err)
	}
	if got, found, err := s.get(key); err != nil || !found || string(got) != "kept aside" {
		t.Errorf("read back %q, %t, %v", got, found, err)
	}
	s.close()
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("afterwards: %v, %v", left, err)
	}
}
