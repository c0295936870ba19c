package cli_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// market answers watches with the changes after the revision asked for, at most
// two a stream, and then ends the stream in good order; after the last one it stays
// silent until the reader leaves.
type market struct {
	fitmentv1.UnimplementedFitmentServiceServer

	changes []*fitmentv1.WatchDonorsResponse // each with its revision
	asked   []string
	end     error // after the last change; nil stays
}

// told closes done once so many lines were written.
type told struct {
	bytes.Buffer

	lines int
	done  chan struct{}
}

func (w *told) Write(part []byte) (int, error) {
	n, err := w.Buffer.Write(part)
	if before := w.lines; before > 0 {
		if w.lines -= bytes.Count(part, []byte("\n")); w.lines <= 0 {
			close(w.done)
		}
	}
	return n, err
}

func (m *market) WatchDonors(r *fitmentv1.WatchDonorsRequest, stream grpc.ServerStreamingServer[fitmentv1.WatchDonorsResponse]) error {
	m.asked = append(m.asked, r.GetRevision())
	next := 1 + slices.IndexFunc(m.changes, func(c *fitmentv1.WatchDonorsResponse) bool { return c.GetRevision() == r.GetRevision() })
	for sent := 0; next < len(m.changes); next++ {
		if sent++; sent > 2 {
			return nil
		}
		if err := stream.Send(m.changes[next]); err != nil {
			return err
		}
	}
	if m.end != nil {
		return m.end
	}
	<-stream.Context().Done()
	return stream.Context().Err()
}

func changes() []*fitmentv1.WatchDonorsResponse {
	donor := func(name string, verdict fitmentv1.Decision_Verdict) *fitmentv1.Donor {
		return &fitmentv1.Donor{
			Listing:  &fitmentv1.Listing{Name: name, PartNumber: "KR-1", Price: 18000, CurrencyCode: "USD"},
			Decision: &fitmentv1.Decision{Verdict: verdict, MissingEvidence: []*fitmentv1.MissingEvidence{{Ask: "label photo"}}},
		}
	}
	return []*fitmentv1.WatchDonorsResponse{
		{Change: fitmentv1.WatchDonorsResponse_NEW, Donor: donor("listings/k.1", fitmentv1.Decision_FITS), Revision: "w1"},
		{Change: fitmentv1.WatchDonorsResponse_NEW, Donor: donor("listings/k.2", fitmentv1.Decision_PROVE_FIRST), Revision: "w2"},
		{Change: fitmentv1.WatchDonorsResponse_NOTHING, Revision: "w3"},
		{Change: fitmentv1.WatchDonorsResponse_GONE, Donor: &fitmentv1.Donor{Listing: &fitmentv1.Listing{Name: "listings/k.1"}}, Revision: "w4"},
		{Change: fitmentv1.WatchDonorsResponse_NOTHING, Revision: "w5"},
	}
}

func serveMarket(t *testing.T, m *market) *server {
	t.Helper()
	return start(t, nil, nil, func(g *grpc.Server) { fitmentv1.RegisterFitmentServiceServer(g, m) })
}

// TestAWatchIsTakenUpAgain where its stream ends, and goes on from the file.
func TestAWatchIsTakenUpAgain(t *testing.T) {
	t.Parallel()
	m := &market{changes: changes()}
	s := serveMarket(t, m)
	place := filepath.Join(t.TempDir(), "place")
	args := s.to("need", "watch", "needs/n1", "--once", "--resume", place)
	code, out, errs := run(t, "", args...)
	want := "new   ● fits   listings/k.1   KR-1   180.00 USD\nnew   ◐ prove first   listings/k.2   KR-1   180.00 USD   label photo (0 min of work in all)\n"
	if code != cli.ExitOK || errs != "" || out != want {
		t.Errorf("exit %d, %s, told\n%s", code, errs, out)
	}
	if !slices.Equal(m.asked, []string{"", "w2"}) {
		t.Errorf("asked from %q", m.asked)
	}
	if raw, err := os.ReadFile(place); err != nil || string(raw) != "w3\n" {
		t.Errorf("the place is %q, %v", raw, err)
	}
	code, out, errs = run(t, "", args...)
	if code != cli.ExitOK || errs != "" || out != "gone   listings/k.1\n" || m.asked[2] != "w3" {
		t.Errorf("the second time from %q: exit %d, %s, told\n%s", m.asked[2:], code, errs, out)
	}
	entries, err := os.ReadDir(filepath.Dir(place))
	if err != nil || len(entries) != 1 {
		t.Errorf("files left behind: %v, %v", entries, err)
	}
}

func TestAWatchEndsAsTheUserAsks(t *testing.T) {
	t.Parallel()
	m := &market{changes: changes()}
	s := serveMarket(t, m)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, errs := told{lines: len(m.changes), done: make(chan struct{})}, bytes.Buffer{}
	ended := make(chan int, 1)
	go func() {
		ended <- cli.Main(ctx, s.to("need", "watch", "needs/n1", "--json"), cli.Streams{In: strings.NewReader(""), Out: &out, Err: &errs})
	}()
	<-out.done
	cancel()
	if code := <-ended; code != cli.ExitOK || errs.String() != "" {
		t.Errorf("exit %d, %s", code, errs.String())
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != len(m.changes) || lines[4] != `{"change":"NOTHING","revision":"w5"}` {
		t.Errorf("as JSON lines:\n%s", out.String())
	}
}

func TestAWatchSaysWhatWentWrong(t *testing.T) {
	t.Parallel()
	gone := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "your business has no needs/n1")
	s := serveMarket(t, &market{changes: changes(), end: gone})
	code, _, errs := run(t, "", s.to("need", "watch", "needs/n1")...)
	if code != cli.ExitFailed || !strings.Contains(errs, "your business has no needs/n1") {
		t.Errorf("exit %d, %s", code, errs)
	}
	code, _, errs = run(t, "", s.to("need", "watch", "needs/n1", "--revision", "w1", "--resume", "x")...)
	if code != cli.ExitUsage || !strings.Contains(errs, "give one of them") {
		t.Errorf("two places: exit %d, %s", code, errs)
	}
	code, _, errs = run(t, "", s.to("need", "watch", "needs/n1", "--resume", t.TempDir())...)
	if code != cli.ExitFailed || !strings.Contains(errs, "read the place") {
		t.Errorf("a place that is a folder: exit %d, %s", code, errs)
	}
	code, _, errs = run(t, "", s.to("need", "watch", "needs/n1", "--resume", filepath.Join(t.TempDir(), "none", "place"))...)
	if code != cli.ExitFailed || !strings.Contains(errs, "keep the place") {
		t.Errorf("a place in a folder that is not there: exit %d, %s", code, errs)
	}
	code, _, errs = run(t, "", s.to("jurisdictions", "US-WA", "NZ")...)
	if code != cli.ExitUsage || !strings.Contains(errs, "one PLACE at most") {
		t.Errorf("two places: exit %d, %s", code, errs)
	}
}
