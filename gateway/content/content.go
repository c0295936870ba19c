// Package content brings photos and documents to the EvidenceService and back, in
// pieces: neither way holds a whole one in memory.
package content

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// endings are what names of files of each type end with.
var endings = map[string]string{"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp", "application/pdf": ".pdf"}

// Ending is what the name of a file of a type ends with; empty for other types.
func Ending(contentType string) string { return endings[contentType] }

// piece is how much is sent at a time; the service refuses more than 256 KiB.
const piece = 64 << 10

// Put uploads what from yields to its end.
func Put(ctx context.Context, conn grpc.ClientConnInterface, options *fitmentv1.AttachmentOptions, from io.Reader) (*fitmentv1.UploadAttachmentResponse, error) {
	ctx, cancel := context.WithCancel(ctx) // ends the stream where from fails
	defer cancel()
	stream, err := fitmentv1.NewEvidenceServiceClient(conn).UploadAttachment(ctx)
	if err != nil {
		return nil, err
	}
	first := &fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Options{Options: options}}
	for next := first; next != nil; {
		// io.EOF: the service has ended the stream, and the answer tells why.
		if err := stream.Send(next); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
		if next, err = chunk(from); err != nil {
			return nil, err
		}
	}
	return stream.CloseAndRecv()
}

// chunk reads the next piece; nil at the end.
func chunk(from io.Reader) (*fitmentv1.UploadAttachmentRequest, error) {
	buffer := make([]byte, piece)
	for {
		n, err := from.Read(buffer)
		switch {
		case n > 0: // an error comes again
			return &fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Chunk{Chunk: buffer[:n]}}, nil
		case errors.Is(err, io.EOF):
			return nil, nil //nolint:nilnil // the end is a valid answer
		case err != nil:
			return nil, err
		}
	}
}

// Get asks for an attachment: what it is, and its content as a reader, which ends
// with io.EOF only where all of it came. Cancel ctx to be done with it early.
func Get(ctx context.Context, conn grpc.ClientConnInterface, request *fitmentv1.DownloadAttachmentRequest) (*fitmentv1.Attachment, io.Reader, error) {
	stream, err := fitmentv1.NewEvidenceServiceClient(conn).DownloadAttachment(ctx, request)
	if err != nil {
		return nil, nil, err
	}
	first, err := stream.Recv()
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, err
	}
	attachment := first.GetAttachment()
	if attachment == nil {
		return nil, nil, broken("the download did not begin with what is coming")
	}
	return attachment, &download{stream: stream, missing: attachment.GetSize()}, nil
}

func broken(text string) error {
	return apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "%s; try again", text)
}

// download is the content as a reader.
type download struct {
	stream  grpc.ServerStreamingClient[fitmentv1.DownloadAttachmentResponse]
	left    []byte
	missing int64
}

// Read implements io.Reader.
func (d *download) Read(into []byte) (int, error) {
	for len(d.left) == 0 {
		message, err := d.stream.Recv()
		if errors.Is(err, io.EOF) && d.missing != 0 {
			return 0, broken("the download ended early")
		}
		if err != nil {
			return 0, err
		}
		d.left = message.GetChunk()
		if d.missing -= int64(len(d.left)); d.missing < 0 {
			return 0, broken("the download is longer than announced")
		}
	}
	n := copy(into, d.left)
	d.left = d.left[n:]
	return n, nil
}
