// Package upload is the client side of the Import RPCs. The six differ in
// their message types only, so one stream serves them all.
package upload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

// Kind is what a file holds.
type Kind struct {
	// Name is the plural that stands in commands ("parts", "vehicle-data").
	Name string
	// Method is the RPC's full method name.
	Method string
	// Quote tells that the quote side takes it, not the fitment side.
	Quote bool
}

// Kinds lists what can be imported, in the order in which a fresh store is best
// filled.
func Kinds() []Kind {
	return []Kind{
		{Name: "parts", Method: fitmentv1.CatalogueService_ImportParts_FullMethodName},
		{Name: "supersessions", Method: fitmentv1.CatalogueService_ImportSupersessions_FullMethodName},
		{Name: "vehicle-data", Method: fitmentv1.CatalogueService_ImportVehicleData_FullMethodName},
		{Name: "recalls", Method: fitmentv1.CatalogueService_ImportRecalls_FullMethodName},
		{Name: "listings", Method: fitmentv1.ListingService_ImportListings_FullMethodName},
		{Name: "offers", Method: quotev1.OfferService_ImportOffers_FullMethodName, Quote: true},
	}
}

// Path is the name as it stands in paths: words are joined by capitals there
// ("vehicleData").
func (k Kind) Path() string {
	first, others, found := strings.Cut(k.Name, "-")
	if !found {
		return first
	}
	return first + strings.ToUpper(others[:1]) + others[1:]
}

// KindOf finds a kind by its name.
func KindOf(name string) (Kind, bool) {
	for _, kind := range Kinds() {
		if kind.Name == name {
			return kind, true
		}
	}
	return Kind{}, false
}

// MaxPiece bounds one piece of a file, in bytes; the servers refuse larger ones.
const MaxPiece = 64 << 10

// Stream is one import under way. One goroutine may send while another one
// receives.
type Stream struct {
	stream grpc.ClientStream
	in     protoreflect.MessageType
	out    protoreflect.MessageType
}

// Open opens an import and sends its options. The stream ends with ctx at the
// latest; cancel ctx where it is given up before its end.
func Open(ctx context.Context, conn grpc.ClientConnInterface, kind Kind, options *fitmentv1.ImportOptions) (*Stream, error) {
	in, out, err := messages(kind.Method)
	if err != nil {
		return nil, err
	}
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, kind.Method)
	if err != nil {
		return nil, err
	}
	s := &Stream{stream: stream, in: in, out: out}
	first := in.New()
	first.Set(in.Descriptor().Fields().ByName("options"), protoreflect.ValueOfMessage(options.ProtoReflect()))
	if err := s.send(first); err != nil {
		return nil, err
	}
	return s, nil
}

// messages finds the types of a method's request and response.
func messages(method string) (in, out protoreflect.MessageType, err error) {
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", "."))
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return nil, nil, fmt.Errorf("upload: %w", err)
	}
	descriptor, ok := found.(protoreflect.MethodDescriptor)
	if !ok {
		return nil, nil, fmt.Errorf("upload: %s is no method", name)
	}
	if in, err = protoregistry.GlobalTypes.FindMessageByName(descriptor.Input().FullName()); err != nil {
		return nil, nil, fmt.Errorf("upload: %w", err)
	}
	if out, err = protoregistry.GlobalTypes.FindMessageByName(descriptor.Output().FullName()); err != nil {
		return nil, nil, fmt.Errorf("upload: %w", err)
	}
	return in, out, nil
}

// send sends a message. That the server has ended the stream is no error here:
// Receive tells why.
func (s *Stream) send(m protoreflect.Message) error {
	if err := s.stream.SendMsg(m.Interface()); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

// Copy sends a file to its end and says so to the server. It returns early,
// without an error, where the server has ended the stream.
func (s *Stream) Copy(from io.Reader) error {
	chunk := s.in.Descriptor().Fields().ByName("chunk")
	buffer := make([]byte, MaxPiece)
	for {
		n, readErr := from.Read(buffer)
		if n > 0 {
			piece := s.in.New()
			piece.Set(chunk, protoreflect.ValueOfBytes(buffer[:n]))
			switch err := s.stream.SendMsg(piece.Interface()); {
			case errors.Is(err, io.EOF):
				return nil
			case err != nil:
				return err
			}
		}
		switch {
		case errors.Is(readErr, io.EOF):
			return s.stream.CloseSend()
		case readErr != nil:
			return readErr
		}
	}
}

// Receive returns the next row's result, or at the end the summary. A stream that ends without a summary is an error.
func (s *Stream) Receive() (*fitmentv1.RowResult, *fitmentv1.ImportSummary, error) {
	message := s.out.New()
	err := s.stream.RecvMsg(message.Interface())
	if errors.Is(err, io.EOF) {
		return nil, nil, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN,
			"the import ended without a summary; rows that were answered are stored, import the file again for the others")
	}
	if err != nil {
		return nil, nil, err
	}
	content := message.WhichOneof(s.out.Descriptor().Oneofs().ByName("content"))
	if content != nil {
		switch value := message.Get(content).Message().Interface().(type) {
		case *fitmentv1.RowResult:
			return value, nil, nil
		case *fitmentv1.ImportSummary:
			return nil, value, nil
		}
	}
	return nil, nil, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN,
		"the import answered with something that is neither a row nor a summary")
}
