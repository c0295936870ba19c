package imports_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
)

// server serves one Import RPC with the shelf target.
type server struct {
	fitmentv1.UnimplementedCatalogueServiceServer

	store store.Store
}

func (s *server) ImportParts(stream grpc.BidiStreamingServer[fitmentv1.ImportPartsRequest, fitmentv1.ImportPartsResponse]) error {
	return imports.Serve(stream,
		func(_ context.Context, options *fitmentv1.ImportOptions) (imports.Job, error) {
			if options.GetOwner() == "stranger" {
				return imports.Job{}, apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "not yours")
			}
			return imports.Job{Store: s.store, Target: shelf(), Owner: options.GetOwner()}, nil
		},
		func(r *fitmentv1.RowResult) *fitmentv1.ImportPartsResponse {
			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Row{Row: r}}
		},
		func(r *fitmentv1.ImportSummary) *fitmentv1.ImportPartsResponse {
			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Summary{Summary: r}}
		})
}

// dial starts the server in memory and opens one upload.
func dial(t *testing.T) grpc.BidiStreamingClient[fitmentv1.ImportPartsRequest, fitmentv1.ImportPartsResponse] {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	s := grpc.NewServer()
	fitmentv1.RegisterCatalogueServiceServer(s, &server{store: open(t)})
	served := make(chan error, 1)
	go func() { served <- s.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		s.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	stream, err := fitmentv1.NewCatalogueServiceClient(conn).ImportParts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return stream
}

func options(owner string) *fitmentv1.ImportPartsRequest {
	return &fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Options{Options: &fitmentv1.ImportOptions{Owner: owner}}}
}

func chunk(data []byte) *fitmentv1.ImportPartsRequest {
	return &fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: data}}
}

func TestServeAnswersWhileTheUploadRuns(t *testing.T) {
	t.Parallel()
	stream := dial(t)
	send := func(m *fitmentv1.ImportPartsRequest) {
		if err := stream.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	send(options("north-yard"))
	send(chunk([]byte("stock num")))
	send(chunk(nil))
	send(chunk([]byte("ber\nA1\nA")))
	first, err := stream.Recv() // before the end of the upload
	if err != nil || first.GetRow().GetName() != "shelves/north-yard.A1" {
		t.Fatalf("got %v, %v", first, err)
	}
	send(chunk([]byte("2\n")))
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	second, err := stream.Recv()
	if err != nil || second.GetRow().GetRow() != 3 {
		t.Fatalf("got %v, %v", second, err)
	}
	last, err := stream.Recv()
	if err != nil || last.GetSummary().GetCreated() != 2 {
		t.Fatalf("got %v, %v", last, err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the summary: %v", err)
	}
}

func TestServeRefusesUploadsOutOfOrder(t *testing.T) {
	t.Parallel()
	head := []byte("stock number\n")
	cases := []struct {
		name     string
		messages []*fitmentv1.ImportPartsRequest
		code     codes.Code
		reason   apierr.Reason
		says     string
	}{
		{"nothing", nil, codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "options: is missing"},
		{"no options", []*fitmentv1.ImportPartsRequest{chunk(head)}, codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "options: is missing in the first message"},
		{
			"options twice",
			[]*fitmentv1.ImportPartsRequest{options("y"), chunk(head), options("z")},
			codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "options: came a second time",
		},
		{
			"chunk too large",
			[]*fitmentv1.ImportPartsRequest{options("y"), chunk(bytes.Repeat([]byte("\n"), imports.MaxChunk+1))},
			codes.InvalidArgument, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, "chunk: has 262145 bytes",
		},
		{"no file", []*fitmentv1.ImportPartsRequest{options("y")}, codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "header: is missing"},
		{"not allowed", []*fitmentv1.ImportPartsRequest{options("stranger")}, codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "not yours"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			stream := dial(t)
			for _, m := range c.messages {
				if err := stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
					t.Fatal(err)
				}
			}
			if err := stream.CloseSend(); err != nil {
				t.Fatal(err)
			}
			_, err := stream.Recv()
			if status.Code(err) != c.code || apierr.ReasonOf(err) != c.reason || !strings.Contains(fmt.Sprint(err), c.says) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestServeAFileInFullChunks(t *testing.T) {
	t.Parallel()
	var file bytes.Buffer
	file.WriteString("stock number,note\n")
	const rows = 3000
	for i := range rows {
		fmt.Fprintf(&file, "A%d,%s\n", i, strings.Repeat("n", 300))
	}
	stream := dial(t)
	sent := make(chan error, 1)
	go func() {
		err := stream.Send(options("y"))
		for err == nil && file.Len() > 0 {
			err = stream.Send(chunk(bytes.Clone(file.Next(imports.MaxChunk))))
		}
		sent <- errors.Join(err, stream.CloseSend())
	}()
	for i := range rows {
		got, err := stream.Recv()
		if err != nil || int(got.GetRow().GetRow()) != i+2 || got.GetRow().GetOutcome() != fitmentv1.RowResult_CREATED {
			t.Fatalf("row %d: %v, %v", i, got, err)
		}
	}
	if last, err := stream.Recv(); err != nil || last.GetSummary().GetCreated() != rows {
		t.Errorf("got %v, %v", last, err)
	}
	if err := <-sent; err != nil {
		t.Error(err)
	}
}
