package tenants_test

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// credential is what a call carries as "authorization": nothing, or one or more values.
type credential []string

func bearer(key string) credential {
	if key == "" {
		return nil
	}
	return credential{"Bearer " + key}
}

// reply is all that came of a call.
type reply struct {
	status  *status.Status
	answers []proto.Message
	// code and body are the HTTP answer's, where it is one.
	code int
	body []byte
	// text is everything in which something could stand: messages, error details,
	// headers, trailers, and tokens decoded.
	text string
}

// methodsOf are all methods of our services by "Service/Method"; those of the quote
// side's backups begin with "quote ".
func methodsOf() map[string]protoreflect.MethodDescriptor {
	all := map[string]protoreflect.MethodDescriptor{}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if file.Package() != "beltwright.fitment.v1" && file.Package() != "beltwright.quote.v1" {
			return true
		}
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				name := string(service.Name()) + "/" + string(service.Methods().Get(j).Name())
				if _, twice := all[name]; twice || file.Package() == "beltwright.quote.v1" && service.Name() == "BackupService" {
					name = "quote " + name
				}
				all[name] = service.Methods().Get(j)
			}
		}
		return true
	})
	return all
}

// fullName is the name under which a method is called.
func fullName(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

var methods = methodsOf()

// callTime bounds one call.
const callTime = 30 * time.Second

// call makes a call and reads what it answers; of what goes on for ever, the first
// look.
func (w *world) call(with credential, method string, messages ...proto.Message) reply {
	w.t.Helper()
	desc := methods[method]
	if desc == nil {
		w.t.Fatalf("there is no method %s", method)
	}
	ctx, cancel := context.WithTimeout(w.t.Context(), callTime)
	defer cancel()
	if len(with) > 0 {
		ctx = metadata.NewOutgoingContext(ctx, metadata.MD{"authorization": with})
	}
	stream, err := w.conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: desc.IsStreamingClient(), ServerStreams: true}, fullName(desc))
	for _, message := range messages {
		if err == nil {
			if err = stream.SendMsg(message); errors.Is(err, io.EOF) {
				err = nil // receiving says why
				break
			}
		}
	}
	if err == nil {
		err = stream.CloseSend()
	}
	var got reply
	kind, kindErr := protoregistry.GlobalTypes.FindMessageByName(desc.Output().FullName())
	if kindErr != nil {
		w.t.Fatal(kindErr)
	}
	for err == nil && !idle(got.answers) {
		answer := kind.New().Interface()
		if err = stream.RecvMsg(answer); err == nil {
			got.answers = append(got.answers, answer)
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	got.status = status.Convert(err)
	var text strings.Builder
	for _, answer := range got.answers {
		writeAll(&text, answer)
	}
	text.WriteString(got.status.Message())
	writeAll(&text, got.status.Proto())
	if stream != nil && err != nil {
		header, _ := stream.Header()
		fmt.Fprint(&text, header, stream.Trailer())
	}
	got.text = text.String()
	return got
}

// idle tells whether a watch has said all there is.
func idle(answers []proto.Message) bool {
	if len(answers) == 0 {
		return false
	}
	switch last := answers[len(answers)-1].(type) {
	case *fitmentv1.WatchDonorsResponse:
		return last.GetChange() == fitmentv1.WatchDonorsResponse_NOTHING
	case *fitmentv1.WatchEvidenceRequestsResponse:
		return last.GetEvidenceRequest() == nil
	}
	return false
}

// writeAll writes a message's bytes, in which all of its texts stand as they are, and
// what its tokens hold.
func writeAll(to *strings.Builder, m proto.Message) {
	raw, err := proto.Marshal(m)
	if err != nil {
		raw = []byte(err.Error())
	}
	to.Write(raw)
	m.ProtoReflect().Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		if name := field.Name(); name == "next_page_token" || name == "revision" || name == "etag" {
			to.WriteString(decoded(value.String()))
		}
		return true
	})
}

// decoded is what stands in a token: each is base64, some with a letter in front.
func decoded(token string) string {
	for _, text := range []string{token, strings.TrimLeft(token, "pdw")} {
		if raw, err := base64.RawURLEncoding.DecodeString(text); err == nil {
			return string(raw)
		}
	}
	return token
}

func sumOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

func uploading(content []byte) []proto.Message {
	return []proto.Message{
		&fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Options{Options: &fitmentv1.AttachmentOptions{ContentType: "image/png"}}},
		&fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Chunk{Chunk: content}},
	}
}

func offers(supplier, item string) []proto.Message {
	rows := "supplier,item_number,condition,part_maker,part_number,kind,currency,price,days,available,valid_until\n" +
		supplier + "," + item + ",NEW,Korrin,KR-4821-R,BUCKLE_PRETENSIONER,USD,400.00,9,yes,2027-11-25\n"
	return []proto.Message{
		&quotev1.ImportOffersRequest{Content: &quotev1.ImportOffersRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&quotev1.ImportOffersRequest{Content: &quotev1.ImportOffersRequest_Chunk{Chunk: []byte(rows)}},
	}
}

func authorization(now time.Time) *quotev1.Authorization {
	return &quotev1.Authorization{By: "the customer", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(now), UsedPart: true}
}

// refused tells whether a call was refused for whoever made it, not for what it asked.
func refused(s *status.Status) bool {
	return s.Code() == codes.Unauthenticated || s.Code() == codes.PermissionDenied
}
