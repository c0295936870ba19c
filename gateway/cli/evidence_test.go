package cli_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

const inquiryName = "evidenceRequests/k.2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"

// evidenceCases are the client commands about evidence.
func evidenceCases() map[string]clientCase {
	ohms := 2.1
	number, flood := fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_FLOOD
	photo := "attachments/k." + strings.Repeat("0", 64)
	open := &fitmentv1.EvidenceRequest{
		Name: inquiryName, Listing: "listings/k.1", Shop: "shop", Need: theNeed(), Attributes: []fitmentv1.Evidence_Attribute{number, flood},
		Text: "About your part 1:\n1. Which number?", State: fitmentv1.EvidenceRequest_OPEN, AskedVerdict: fitmentv1.Decision_PROVE_FIRST,
	}
	shown := &fitmentv1.Evidence{
		Attribute: number, Value: "KR-1", Level: fitmentv1.Evidence_SHOWN, By: "k", How: "label photo", Date: "2026-11-20", Attachments: []string{photo},
	}
	answered := proto.CloneOf(open)
	answered.State, answered.Answer, answered.AnsweredVerdict, answered.Evidence = fitmentv1.EvidenceRequest_ANSWERED, "with pleasure", fitmentv1.Decision_FITS, []*fitmentv1.Evidence{shown}
	return map[string]clientCase{
		"evidence ask": {
			args:   append([]string{"evidence", "ask", "listings/k.1", "--attribute", "part-number", "--attribute", "FLOOD", "--text", "Which?", "--request-id", id}, need...),
			asks:   &fitmentv1.RequestEvidenceRequest{Listing: "listings/k.1", Need: theNeed(), Attributes: open.GetAttributes(), Text: "Which?", RequestId: id},
			answer: &fitmentv1.RequestEvidenceResponse{EvidenceRequest: open},
			shows:  []string{inquiryName + "   open", "shop asks about listings/k.1", "part number, flood", "  - 1. Which number?", "when asked: ◐ prove first"},
		},
		"evidence answer": {
			args: []string{
				"evidence", "answer", inquiryName, "--remark", "with pleasure", "--request-id", id,
				"--evidence", "part-number=KR-1; shown: label photo @2026-11-20; " + photo,
				"--evidence", "donor codes=B0051, B0058-1A",
				"--evidence", "LOOP_RESISTANCE=2.1;shown: module read-out;reading: method=module-reported,clip=out",
				"--evidence", "loop-resistance=OL; confirmed: seen by J. Field; reading: method=substitute-load",
			},
			asks: &fitmentv1.AnswerEvidenceRequestRequest{
				Name: inquiryName, Answer: "with pleasure", RequestId: id, Evidence: []*fitmentv1.Evidence{
					shown,
					{Attribute: fitmentv1.Evidence_DONOR_CODES, Value: "B0051, B0058-1A", Level: fitmentv1.Evidence_CLAIMED, By: "k"},
					{
						Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: fitmentv1.Evidence_SHOWN, By: "k", How: "module read-out",
						Reading: &fitmentv1.Reading{Position: &fitmentv1.Position{}, Method: fitmentv1.Reading_MODULE_REPORTED, ShortingClip: fitmentv1.Reading_OUT, Ohms: &ohms},
					},
					{
						Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "OL", Level: fitmentv1.Evidence_CONFIRMED, By: "J. Field", How: "seen",
						Reading: &fitmentv1.Reading{Position: &fitmentv1.Position{}, Method: fitmentv1.Reading_SUBSTITUTE_LOAD, OverRange: true},
					},
				},
			},
			answer: &fitmentv1.AnswerEvidenceRequestResponse{EvidenceRequest: answered},
			shows:  []string{"answered", "  - with pleasure", "label photo", photo, "when answered: ● fits"},
		},
		"evidence decline": {
			args:   []string{"evidence", "decline", inquiryName, "--remark", "sold", "--request-id", id},
			asks:   &fitmentv1.DeclineEvidenceRequestRequest{Name: inquiryName, Answer: "sold", RequestId: id},
			answer: &fitmentv1.DeclineEvidenceRequestResponse{EvidenceRequest: open},
			shows:  []string{inquiryName},
		},
		"evidence withdraw": {
			args:   []string{"evidence", "withdraw", inquiryName, "--request-id", id},
			asks:   &fitmentv1.WithdrawEvidenceRequestRequest{Name: inquiryName, RequestId: id},
			answer: &fitmentv1.WithdrawEvidenceRequestResponse{EvidenceRequest: open},
			shows:  []string{inquiryName},
		},
		"evidence list": {
			args:   []string{"evidence", "list", "--state", "open", "--listing", "listings/k.1", "--page-size", "2", "--page-token", "t"},
			asks:   &fitmentv1.ListEvidenceRequestsRequest{State: fitmentv1.EvidenceRequest_OPEN, Listing: "listings/k.1", PageSize: 2, PageToken: "t"},
			answer: &fitmentv1.ListEvidenceRequestsResponse{EvidenceRequests: []*fitmentv1.EvidenceRequest{open, answered}, NextPageToken: "u"},
			shows:  []string{"open", "answered", "part number, flood", "--page-token u"},
		},
		"evidence show": {
			args: []string{"evidence", "show", inquiryName},
			asks: &fitmentv1.GetEvidenceRequestRequest{Name: inquiryName},
			answer: &fitmentv1.GetEvidenceRequestResponse{EvidenceRequest: open, Decision: &fitmentv1.Decision{
				Verdict: fitmentv1.Decision_PROVE_FIRST, MissingEvidence: []*fitmentv1.MissingEvidence{{Ask: "label photo"}}, ExpectedMinutes: 4,
			}},
			shows: []string{"now: ◐ prove first   label photo (4 min of work in all)"},
		},
	}
}

func TestStatementsThatAreNotUnderstood(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"", "part-number", "colour=red", "part-number=K; seen somewhere", "part-number=K; shown: photo; shown: photo", "part-number=K; ; shown: photo",
		"loop-resistance=2.1; reading: ohm=2.1", "loop-resistance=2.1; reading: clip=out; reading: clip=out",
	} {
		code, _, errs := run(t, "", "evidence", "answer", inquiryName, "--evidence", text, "--key", "k")
		if code != cli.ExitUsage || !strings.Contains(errs, "--evidence") && !strings.Contains(errs, "--reading") {
			t.Errorf("%q: exit %d, %s", text, code, errs)
		}
	}
}

// desk keeps attachments, and answers watches of evidence requests.
type shelf struct {
	fitmentv1.UnimplementedEvidenceServiceServer

	options *fitmentv1.AttachmentOptions
	content []byte
	end     error
	asked   []string
}

func (s *shelf) UploadAttachment(stream grpc.ClientStreamingServer[fitmentv1.UploadAttachmentRequest, fitmentv1.UploadAttachmentResponse]) error {
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return stream.SendAndClose(&fitmentv1.UploadAttachmentResponse{Attachment: s.attachment()})
		case err != nil:
			return err
		case s.end != nil:
			return s.end
		case m.GetOptions() != nil:
			s.options = m.GetOptions()
		default:
			s.content = append(s.content, m.GetChunk()...)
		}
	}
}

func (s *shelf) attachment() *fitmentv1.Attachment {
	sum := sha256.Sum256(s.content)
	return &fitmentv1.Attachment{Name: "attachments/shop." + hex.EncodeToString(sum[:]), ContentType: s.options.GetContentType(), Size: int64(len(s.content))}
}

func (s *shelf) DownloadAttachment(r *fitmentv1.DownloadAttachmentRequest, stream grpc.ServerStreamingServer[fitmentv1.DownloadAttachmentResponse]) error {
	s.asked = append(s.asked, r.GetName()+" in "+r.GetListing())
	if err := stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Attachment{Attachment: s.attachment()}}); err != nil {
		return err
	}
	for piece := range slices.Chunk(s.content, 1000) {
		if err := stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Chunk{Chunk: piece}}); err != nil {
			return err
		}
		if s.end != nil {
			return s.end
		}
	}
	return nil
}

// WatchEvidenceRequests tells one change a stream, after the revision asked for.
func (s *shelf) WatchEvidenceRequests(r *fitmentv1.WatchEvidenceRequestsRequest, stream grpc.ServerStreamingServer[fitmentv1.WatchEvidenceRequestsResponse]) error {
	s.asked = append(s.asked, r.GetRevision())
	switch r.GetRevision() {
	case "":
		return stream.Send(&fitmentv1.WatchEvidenceRequestsResponse{Revision: "r1", EvidenceRequest: &fitmentv1.EvidenceRequest{
			Name: inquiryName, Listing: "listings/k.1", State: fitmentv1.EvidenceRequest_OPEN, Attributes: []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_FLOOD},
		}})
	case "r1":
		return stream.Send(&fitmentv1.WatchEvidenceRequestsResponse{Revision: "r2", EvidenceRequest: &fitmentv1.EvidenceRequest{
			Name: inquiryName, Listing: "listings/k.1", State: fitmentv1.EvidenceRequest_ANSWERED, AnsweredVerdict: fitmentv1.Decision_FITS,
		}})
	default:
		return stream.Send(&fitmentv1.WatchEvidenceRequestsResponse{Revision: "r3"})
	}
}

func startShelf(t *testing.T, s *shelf) *server {
	t.Helper()
	return start(t, nil, nil, func(g *grpc.Server) { fitmentv1.RegisterEvidenceServiceServer(g, s) })
}

func TestAFileGoesUpAndComesDown(t *testing.T) {
	t.Parallel()
	s := &shelf{}
	srv := startShelf(t, s)
	dir := t.TempDir()
	content := append([]byte("%PDF-1.4\n"), bytes.Repeat([]byte("x"), 200_000)...)
	up, down := filepath.Join(dir, "title.pdf"), filepath.Join(dir, "copy.pdf")
	if err := os.WriteFile(up, content, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := run(t, "", srv.to("attachment", "put", up)...)
	name := s.attachment().GetName()
	if code != cli.ExitOK || !strings.Contains(out, name) || !strings.Contains(out, "application/pdf, 200009 bytes") || !bytes.Equal(s.content, content) {
		t.Errorf("put: exit %d, %s %s", code, out, errs)
	}
	if s.options.GetContentType() != "application/pdf" || "attachments/shop."+s.options.GetSha256() != name {
		t.Errorf("options %v", s.options)
	}
	get := append(srv.to("attachment", "get", name, "--listing", "listings/k.1"), "-o")
	code, out, errs = run(t, "", append(get, down)...)
	got, err := os.ReadFile(down)
	if code != cli.ExitOK || err != nil || !bytes.Equal(got, content) || !strings.Contains(out, "application/pdf, 200009 bytes") {
		t.Errorf("get: exit %d, %d bytes, %v, %s %s", code, len(got), err, out, errs)
	}
	if !slices.Equal(s.asked, []string{name + " in listings/k.1"}) {
		t.Errorf("asked %v", s.asked)
	}
	if code, _, errs = run(t, "", append(get, down)...); code != cli.ExitFailed || !strings.Contains(errs, "no file is overwritten; name another one with --out") {
		t.Errorf("over a file that is there: exit %d, %s", code, errs)
	}
	if code, out, errs = run(t, "", append(get, "-")...); code != cli.ExitOK || out != string(content) {
		t.Errorf("to standard output: exit %d, %d bytes, %s", code, len(out), errs)
	}
	if code, _, _ = run(t, "", srv.to("attachment", "put", filepath.Join(dir, "none.jpg"))...); code != cli.ExitFailed {
		t.Errorf("no file: exit %d", code)
	}
}

// TestATornDownloadLeavesNothing: half a photo is not to be found later.
func TestATornDownloadLeavesNothing(t *testing.T) {
	t.Parallel()
	s := &shelf{content: bytes.Repeat([]byte("x"), 5000), end: apierr.New(codes.DataLoss, fitmentv1.ErrorInfo_INTERNAL, "it is damaged")}
	srv := startShelf(t, s)
	dir := t.TempDir()
	code, _, errs := run(t, "", srv.to("attachment", "get", "attachments/shop.x", "--out", filepath.Join(dir, "a.jpg"))...)
	if code != cli.ExitFailed || !strings.Contains(errs, "it is damaged") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left %v, %v", left, err)
	}
}

func TestAnUploadThatIsRefusedSaysWhy(t *testing.T) {
	t.Parallel()
	s := &shelf{end: apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: "options.content_type", Problem: "is no type that is taken", Expected: "image/png"})}
	srv := startShelf(t, s)
	path := filepath.Join(t.TempDir(), "notes.txt")
	if err := os.WriteFile(path, bytes.Repeat([]byte("text "), 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := run(t, "", srv.to("attachment", "put", path)...); code != cli.ExitFailed || !strings.Contains(errs, "options.content_type: is no type that is taken") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

func TestRequestsAreWatchedAcrossStreams(t *testing.T) {
	t.Parallel()
	s := &shelf{}
	srv := startShelf(t, s)
	place := filepath.Join(t.TempDir(), "place")
	code, out, errs := run(t, "", srv.to("evidence", "watch", "--once", "--resume", place)...)
	want := fmt.Sprintf("open   %s   listings/k.1   flood\nanswered   %s   listings/k.1   ● fits\n", inquiryName, inquiryName)
	if code != cli.ExitOK || out != want || !slices.Equal(s.asked, []string{"", "r1", "r2"}) {
		t.Errorf("exit %d, %s %s; asked %q", code, out, errs, s.asked)
	}
	s.asked = nil
	if code, out, errs = run(t, "", srv.to("evidence", "watch", "--once", "--resume", place, "--json")...); code != cli.ExitOK || out != "{\"revision\":\"r3\"}\n" || !slices.Equal(s.asked, []string{"r3"}) {
		t.Errorf("taken up again: exit %d, %s %s; asked %q", code, out, errs, s.asked)
	}
}

// TestAnEmptyFileIsNoPhoto: the command says so, and not what its type looks like.
func TestAnEmptyFileIsNoPhoto(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "label.jpg")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := run(t, "", "attachment", "put", path)
	if code == 0 || out != "" || !strings.Contains(errs, "the file is empty; expected a photo (JPEG, PNG or WebP) or a PDF") {
		t.Errorf("exit %d, %q, %q", code, out, errs)
	}
}
