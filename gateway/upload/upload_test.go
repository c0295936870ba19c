package upload_test

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"testing"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"beltwright.example/gateway/upload"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// dial returns a connection to a server that handles every method in one way.
func dial(t *testing.T, handle func(stream grpc.ServerStream) error) *grpc.ClientConn {
	t.Helper()
	memory := bufconn.Listen(1 << 16)
	server := grpc.NewServer(grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error { return handle(stream) }))
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(memory)
	}()
	conn, err := grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return memory.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		server.Stop()
		<-done
	})
	return conn
}

// types returns the messages of the method that a stream serves, by its own
// description.
func types(t *testing.T, stream grpc.ServerStream) (in, out protoreflect.MessageType) {
	t.Helper()
	method, _ := grpc.MethodFromServerStream(stream)
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(method[1:], "/", ".")))
	if err != nil {
		t.Error(err)
		return (&fitmentv1.ImportPartsRequest{}).ProtoReflect().Type(), (&fitmentv1.ImportPartsResponse{}).ProtoReflect().Type()
	}
	described := found.(protoreflect.MethodDescriptor)
	in, inErr := protoregistry.GlobalTypes.FindMessageByName(described.Input().FullName())
	out, outErr := protoregistry.GlobalTypes.FindMessageByName(described.Output().FullName())
	if err := errors.Join(inErr, outErr); err != nil {
		t.Error(err)
	}
	return in, out
}

// TestEveryKindSpeaksItsOwnMethod: options come first and once, the file comes
// whole, row and summary come back, for each of the six methods.
func TestEveryKindSpeaksItsOwnMethod(t *testing.T) {
	t.Parallel()
	file := strings.Repeat("0123456789abcdef", 20_000) // several pieces
	for _, kind := range upload.Kinds() {
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			if same, ok := upload.KindOf(kind.Name); !ok || same != kind {
				t.Errorf("KindOf gives %v", same)
			}
			var options []proto.Message
			var got strings.Builder
			largest := 0
			conn := dial(t, func(stream grpc.ServerStream) error {
				if method, _ := grpc.MethodFromServerStream(stream); method != kind.Method {
					t.Errorf("method %s, want %s", method, kind.Method)
				}
				in, out := types(t, stream)
				for {
					message := in.New()
					err := stream.RecvMsg(message.Interface())
					if errors.Is(err, io.EOF) {
						break
					}
					if err != nil {
						return err
					}
					fields := in.Descriptor().Fields()
					if field := fields.ByName("options"); message.Has(field) {
						options = append(options, message.Get(field).Message().Interface())
					}
					chunk := message.Get(fields.ByName("chunk")).Bytes()
					largest = max(largest, len(chunk))
					got.Write(chunk)
				}
				row, summary := out.New(), out.New()
				row.Set(out.Descriptor().Fields().ByName("row"), protoreflect.ValueOfMessage((&fitmentv1.RowResult{Row: 2}).ProtoReflect()))
				summary.Set(out.Descriptor().Fields().ByName("summary"), protoreflect.ValueOfMessage((&fitmentv1.ImportSummary{Rows: 1}).ProtoReflect()))
				return errors.Join(stream.SendMsg(row.Interface()), stream.SendMsg(summary.Interface()))
			})
			want := &fitmentv1.ImportOptions{DryRun: true, Owner: "kettlewick"}
			stream, err := upload.Open(t.Context(), conn, kind, want)
			if err != nil {
				t.Fatal(err)
			}
			if err := stream.Copy(strings.NewReader(file)); err != nil {
				t.Fatal(err)
			}
			row, _, err := stream.Receive()
			if err != nil || row.GetRow() != 2 {
				t.Fatalf("%v, %v", row, err)
			}
			_, summary, err := stream.Receive()
			if err != nil || summary.GetRows() != 1 {
				t.Fatalf("%v, %v", summary, err)
			}
			if len(options) != 1 || !proto.Equal(options[0], want) || got.String() != file || largest > upload.MaxPiece {
				t.Errorf("options %v, %d of %d bytes, largest piece %d", options, got.Len(), len(file), largest)
			}
		})
	}
	if _, ok := upload.KindOf("wheels"); ok {
		t.Error("there is a kind wheels")
	}
}

func TestWhatEndsAnImport(t *testing.T) {
	t.Parallel()
	kind := upload.Kinds()[0]
	for name, c := range map[string]struct {
		handle func(stream grpc.ServerStream) error
		code   codes.Code
		reason fitmentv1.ErrorInfo_Reason
	}{
		"refused": {func(grpc.ServerStream) error {
			return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "no")
		}, codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING},
		"no summary": {func(grpc.ServerStream) error { return nil }, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"nonsense": {func(stream grpc.ServerStream) error {
			return stream.SendMsg(&fitmentv1.ImportPartsResponse{})
		}, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			stream, err := upload.Open(ctx, dial(t, c.handle), kind, &fitmentv1.ImportOptions{})
			if err != nil {
				t.Fatal(err)
			}
			// A file without end: only the server's end ends it.
			if err := stream.Copy(endless{}); err != nil {
				t.Errorf("copy: %v", err)
			}
			if _, _, err = stream.Receive(); status.Code(err) != c.code || apierr.ReasonOf(err) != c.reason {
				t.Errorf("%v, want %v %v", err, c.code, c.reason)
			}
		})
	}
}

type endless struct{}

func (endless) Read(into []byte) (int, error) { return len(into), nil }

func TestCopyReportsABrokenFile(t *testing.T) {
	t.Parallel()
	broken := errors.New("the disk is gone")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	conn := dial(t, func(stream grpc.ServerStream) error {
		<-stream.Context().Done()
		return stream.Context().Err()
	})
	stream, err := upload.Open(ctx, conn, upload.Kinds()[0], &fitmentv1.ImportOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Copy(io.MultiReader(strings.NewReader("a"), failing{broken})); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}

type failing struct{ error }

func (f failing) Read([]byte) (int, error) { return 0, f.error }
