package server

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Limits on photos and documents (choices of this project, no source).
const (
	// MaxAttachment bounds one, in bytes.
	MaxAttachment = 10 << 20
	// DefaultAttachmentQuota bounds all of one business's together, in bytes, where
	// nothing is set: some thousand photos as phones take them.
	DefaultAttachmentQuota = 2 << 30
	// MaxUploads is how many one business may upload at a time.
	MaxUploads = 4

	// pieceIn is the largest piece that is taken, pieceOut the size of those sent.
	pieceIn  = 256 << 10
	pieceOut = 64 << 10
	// kindAttachment is what is known of a photo or document, under the owner's
	// tenant and the hash of its content. kindUsage is one record a business, of
	// what all of them come to.
	kindAttachment = "attachment"
	kindUsage      = "attachment-usage"
	usageID        = "all"
	// recordTime bounds noting what has been stored, for a caller who has gone.
	recordTime = 5 * time.Second
)

// contentTypes are the types that are taken.
var contentTypes = []string{"image/jpeg", "image/png", "image/webp", "application/pdf"}

var hashShape = regexp.MustCompile(`^[0-9a-f]{64}$`)

// UploadAttachment takes a photo or document of the caller's. The content goes to
// the files as it comes; it is noted only once it is durable there, so that a name
// always has its content.
func (s *Server) UploadAttachment(stream grpc.ClientStreamingServer[fitmentv1.UploadAttachmentRequest, fitmentv1.UploadAttachmentResponse]) error {
	ctx := stream.Context()
	p, err := caller(ctx)
	if err != nil {
		return err
	}
	leave, err := s.uploads.enter(p.Tenant)
	if err != nil {
		return err
	}
	defer leave()
	options, err := uploadOptions(stream)
	if err != nil {
		return err
	}
	limit, err := s.room(ctx, p.Tenant, options.GetSha256())
	if err != nil {
		return err
	}
	content := &uploaded{pieces: stream, options: options, sum: sha256.New()}
	file, err := s.files.Put(ctx, p.Tenant, content, limit)
	switch {
	case errors.Is(err, store.ErrTooLarge) && limit < MaxAttachment:
		return s.full(p.Tenant)
	case errors.Is(err, store.ErrTooLarge):
		return apierr.Invalid(fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, apierr.Violation{
			Field: "chunk", Problem: "the content is too large", Expected: fmt.Sprintf("at most %d bytes", MaxAttachment),
		})
	case err != nil:
		return edge(err)
	}
	// What is stored must be noted, or nobody could count it, whether or not the
	// caller is still there.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), recordTime)
	defer cancel()
	attachment, err := s.note(ctx, p.Tenant, file, options.GetContentType())
	if err != nil {
		return err
	}
	return stream.SendAndClose(&fitmentv1.UploadAttachmentResponse{Attachment: attachment})
}

// uploadOptions reads the first message.
func uploadOptions(stream grpc.ClientStreamingServer[fitmentv1.UploadAttachmentRequest, fitmentv1.UploadAttachmentResponse]) (*fitmentv1.AttachmentOptions, error) {
	first, err := stream.Recv()
	switch {
	case errors.Is(err, io.EOF):
		return nil, malformedUpload("options", "is missing", "options in the first message, then the content")
	case err != nil:
		return nil, err
	case first.GetOptions() == nil:
		return nil, malformedUpload("options", "is missing in the first message", "options first, then the content")
	}
	options := first.GetOptions()
	return options, wellFormed(func(fields *check.Fields) {
		if !slices.Contains(contentTypes, options.GetContentType()) {
			fields.Add("options.content_type", fmt.Sprintf("%.60q is no type that is taken", options.GetContentType()), strings.Join(contentTypes, ", "))
		}
		if options.GetSha256() != "" && !hashShape.MatchString(options.GetSha256()) {
			fields.Add("options.sha256", "is no SHA-256", "64 digits of lower-case hexadecimal, or nothing")
		}
	})
}

func malformedUpload(field, problem, expected string) error {
	return apierr.Invalid(fitmentv1.ErrorInfo_MALFORMED_REQUEST, apierr.Violation{Field: field, Problem: problem, Expected: expected})
}

// sniffed is how much of the content tells its type (WHATWG MIME Sniffing Standard,
// section 5.2: the resource header is at most 1445 bytes; the signatures of the
// types that are taken lie within the first 14).
const sniffed = 512

// uploaded is the content of an upload as a reader. It ends with an error instead
// of io.EOF where the content is not what the options say, so that whoever stores
// it stores nothing.
type uploaded struct {
	pieces interface {
		Recv() (*fitmentv1.UploadAttachmentRequest, error)
	}
	options *fitmentv1.AttachmentOptions
	sum     interface {
		io.Writer
		Sum(into []byte) []byte
	}

	head  bytes.Buffer // what came before the type was known, then nothing
	known bool         // the type is known to be right
	ended bool
	left  []byte
}

// Read implements io.Reader.
func (u *uploaded) Read(into []byte) (int, error) {
	for len(u.left) == 0 {
		if u.ended {
			return 0, io.EOF
		}
		if err := u.next(); err != nil {
			return 0, err
		}
	}
	n := copy(into, u.left)
	u.left = u.left[n:]
	return n, nil
}

// next takes a piece. The first ones are kept back until the type is known.
func (u *uploaded) next() error {
	piece, err := u.receive()
	if err != nil {
		return err
	}
	_, _ = u.sum.Write(piece) // a hash never fails
	if u.known {
		u.left = piece
	} else {
		_, _ = u.head.Write(piece) // nor does a buffer
		if u.head.Len() < sniffed && !u.ended {
			return nil
		}
		if err := u.sniff(); err != nil {
			return err
		}
		u.left, u.known = u.head.Bytes(), true
	}
	if u.ended {
		return u.compare()
	}
	return nil
}

// receive takes a message; at the end of the stream it notes that.
func (u *uploaded) receive() ([]byte, error) {
	message, err := u.pieces.Recv()
	switch {
	case errors.Is(err, io.EOF):
		u.ended = true
		return nil, nil
	case err != nil:
		return nil, err
	case message.GetOptions() != nil:
		return nil, malformedUpload("options", "came a second time", "options in the first message only")
	case len(message.GetChunk()) > pieceIn:
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, apierr.Violation{
			Field: "chunk", Problem: fmt.Sprintf("has %d bytes", len(message.GetChunk())), Expected: fmt.Sprintf("pieces of at most %d bytes", pieceIn),
		})
	}
	return message.GetChunk(), nil
}

// sniff compares what the content looks like with what it is said to be.
func (u *uploaded) sniff() error {
	looks := http.DetectContentType(u.head.Bytes())
	if looks == u.options.GetContentType() {
		return nil
	}
	problem := "is not what the content is: that looks like " + looks
	if u.head.Len() == 0 {
		problem = "is not what the content is: there is none"
	}
	return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
		Field: "options.content_type", Problem: problem, Expected: "the content's own type, one of " + strings.Join(contentTypes, ", "),
	})
}

// compare compares the content with the hash that its sender knows.
func (u *uploaded) compare() error {
	if sum := hex.EncodeToString(u.sum.Sum(nil)); u.options.GetSha256() != "" && u.options.GetSha256() != sum {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "options.sha256", Problem: "is not that of the content, which is " + sum, Expected: "the content's own; it may have been changed on the way",
		})
	}
	return nil
}

// usage is what a business's attachments come to, as it is stored.
type usage struct {
	Files int64 `json:"files"`
	Bytes int64 `json:"bytes"`
}

func (s *Server) usage(ctx context.Context, tenant string) (store.Record, usage, error) {
	key := store.Key{Tenant: tenant, Kind: kindUsage, ID: usageID}
	record, err := s.store.Get(ctx, key)
	if errors.Is(err, store.ErrNotFound) {
		return store.Record{Key: key, Version: store.Absent}, usage{}, nil
	}
	if err != nil {
		return record, usage{}, err
	}
	var used usage
	if err := json.Unmarshal(record.Value, &used); err != nil {
		return record, used, fmt.Errorf("decode the usage of %s: %w", tenant, err)
	}
	return record, used, nil
}

// room is how large the business's next attachment may be; LIMIT_REACHED where
// there is none left. One that its sender says is there already, by its hash, needs
// none: it is sent again to mend what may be damaged.
func (s *Server) room(ctx context.Context, tenant, sum string) (int64, error) {
	if sum != "" {
		switch _, err := s.attachment(ctx, tenant, sum); {
		case err == nil:
			return MaxAttachment, nil
		case !errors.Is(err, store.ErrNotFound):
			return 0, edge(err)
		}
	}
	_, used, err := s.usage(ctx, tenant)
	if err != nil {
		return 0, edge(err)
	}
	if used.Bytes >= s.quota {
		return 0, s.full(tenant)
	}
	return min(MaxAttachment, s.quota-used.Bytes), nil
}

func (s *Server) full(tenant string) error {
	return apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED,
		"the photos and documents of %s would come to more than the %d bytes that one business may keep; send smaller ones, or ask the operator for more room", tenant, s.quota)
}

// note writes down what is stored and counts it, both in one step, unless the same
// content was noted before.
func (s *Server) note(ctx context.Context, tenant string, file store.File, contentType string) (*fitmentv1.Attachment, error) {
	var noted *fitmentv1.Attachment
	_, err := s.try(ctx, store.Change{}, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		old, err := s.attachment(ctx, tenant, file.SHA256)
		if err == nil {
			noted = old
			return nil, store.Change{}, nil
		}
		if !errors.Is(err, store.ErrNotFound) {
			return nil, store.Change{}, err
		}
		counted, used, err := s.usage(ctx, tenant)
		if err != nil {
			return nil, store.Change{}, err
		}
		used.Files, used.Bytes = used.Files+1, used.Bytes+file.Size
		if used.Bytes > s.quota {
			return nil, store.Change{}, s.full(tenant)
		}
		noted = &fitmentv1.Attachment{
			Name: listing.AttachmentName(tenant, file.SHA256), ContentType: contentType, Size: file.Size, CreateTime: timestamppb.New(now),
		}
		value, err := encode(noted)
		if err != nil {
			return nil, store.Change{}, err
		}
		sums, err := json.Marshal(used)
		return nil, store.Change{Puts: []store.Put{
			{Key: attachmentKey(tenant, file.SHA256), Expect: store.Absent, Value: value},
			{Key: counted.Key, Expect: counted.Version, Value: sums},
		}}, err
	})
	return noted, edge(err)
}

func attachmentKey(owner, sum string) store.Key {
	return store.Key{Tenant: owner, Kind: kindAttachment, ID: sum}
}

// attachment reads what is known of one; store.ErrNotFound.
func (s *Server) attachment(ctx context.Context, owner, sum string) (*fitmentv1.Attachment, error) {
	record, err := s.store.Get(ctx, attachmentKey(owner, sum))
	if err != nil {
		return nil, err
	}
	found := &fitmentv1.Attachment{}
	if err := proto.Unmarshal(record.Value, found); err != nil {
		return nil, fmt.Errorf("decode attachment %s of %s: %w", sum, owner, err)
	}
	return found, nil
}

// DownloadAttachment sends one to those who may see it.
func (s *Server) DownloadAttachment(req *fitmentv1.DownloadAttachmentRequest, stream grpc.ServerStreamingServer[fitmentv1.DownloadAttachmentResponse]) error {
	ctx := stream.Context()
	owner, sum, named := listing.ParseAttachmentName(req.GetName())
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		if !named {
			fields.Add("name", "is no attachment's name", "attachments/{owner}.{hash}, as the upload's answer said")
		}
		if req.GetListing() != "" {
			requireName(req.GetListing(), "listing", fields)
		}
	})
	if err != nil {
		return err
	}
	if err := s.mayRead(ctx, p, owner, req); err != nil {
		return err
	}
	attachment, err := s.attachment(ctx, owner, sum)
	if errors.Is(err, store.ErrNotFound) {
		return noAttachment(req.GetName())
	}
	if err != nil {
		return edge(err)
	}
	content, file, err := s.files.Open(ctx, owner, sum)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return s.damaged(ctx, req.GetName(), err)
	case err != nil:
		return edge(err)
	}
	defer func() {
		if err := content.Close(); err != nil {
			s.log.WarnContext(ctx, "a photo or document cannot be closed", "name", req.GetName(), "error", err)
		}
	}()
	if file.Size != attachment.GetSize() {
		return s.damaged(ctx, req.GetName(), store.ErrDamaged)
	}
	return s.sendContent(ctx, attachment, content, stream)
}

// mayRead is nil where the caller may read the attachment: it is his, or the listing
// that he names shows it. What a listing shows is for everybody, but for what shows
// the donor's VIN.
func (s *Server) mayRead(ctx context.Context, p identity.Principal, owner string, req *fitmentv1.DownloadAttachmentRequest) error {
	if p.Tenant == owner {
		return nil
	}
	if req.GetListing() == "" {
		return apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND,
			"your business has no %s; to see what another's listing shows, name the listing", req.GetName())
	}
	_, l, err := s.read(ctx, req.GetListing())
	if err != nil {
		return err
	}
	named, vin := listing.Shows(l, req.GetName())
	if !named {
		return noAttachment(req.GetName() + " shown by " + req.GetListing())
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return edge(err)
	}
	if vin && !listing.SeesVIN(l, p, now) {
		return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
			"%s shows the donor's VIN, which only the yard, the holder of a hold and the buyer may see", req.GetName())
	}
	return nil
}

func noAttachment(what string) error {
	return apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no %s", what)
}

func (s *Server) sendContent(
	ctx context.Context, attachment *fitmentv1.Attachment, content io.Reader, stream grpc.ServerStreamingServer[fitmentv1.DownloadAttachmentResponse],
) error {
	err := stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Attachment{Attachment: attachment}})
	for err == nil {
		piece := make([]byte, pieceOut)
		n, readErr := io.ReadFull(content, piece)
		if n > 0 {
			err = stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Chunk{Chunk: piece[:n]}})
		}
		switch {
		case err != nil:
		case errors.Is(readErr, store.ErrDamaged):
			return s.damaged(ctx, attachment.GetName(), readErr)
		case errors.Is(readErr, io.EOF), errors.Is(readErr, io.ErrUnexpectedEOF):
			return nil
		case readErr != nil:
			return edge(readErr)
		}
	}
	return err
}

// damaged tells operator and caller that content is lost.
func (s *Server) damaged(ctx context.Context, name string, cause error) error {
	s.log.ErrorContext(ctx, "a stored photo or document is lost or damaged", "name", name, "error", cause)
	return apierr.New(codes.DataLoss, fitmentv1.ErrorInfo_INTERNAL,
		"%s is lost or damaged in our store; whoever has it can upload it again, which mends it", name)
}

// attached demands that every attachment which statements name anew exists, and is
// the yard's, or the caller's where the operator writes for the yard. What the
// stored listing shows already may stay.
func (s *Server) attached(ctx context.Context, p identity.Principal, yard string, stored *fitmentv1.Listing, given []*fitmentv1.Evidence, field string) error {
	var fields check.Fields
	for i, e := range given {
		for j, name := range e.GetAttachments() {
			owner, sum, ok := listing.ParseAttachmentName(name)
			if shown, _ := listing.Shows(stored, name); shown || !ok { // what is no name was refused before
				continue
			}
			at := fmt.Sprintf("%s[%d].attachments[%d]", field, i, j)
			if owner != yard && owner != p.Tenant {
				fields.Add(at, "is another business's", "an attachment of "+yard)
				continue
			}
			switch _, err := s.attachment(ctx, owner, sum); {
			case errors.Is(err, store.ErrNotFound):
				fields.Add(at, "does not exist", "an attachment that was uploaded before")
			case err != nil:
				return edge(err)
			}
		}
	}
	return fields.Err()
}
