package rest

import (
	"cmp"
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"beltwright.example/gateway/content"
	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/apierr"
)

// Paths of photos and documents.
const (
	attachmentsPath = "/v1/attachments"
	attachmentPath  = attachmentsPath + "/"
)

// attachments serves photos and documents as they are: the body of an upload is
// the content, and so is the answer to a download.
type attachments struct {
	conn  grpc.ClientConnInterface
	stall time.Duration
}

// upload takes one. It returns the errors that keep it from starting and writes
// all others itself, since the server's own time for answering may have passed.
func (a attachments) upload(w http.ResponseWriter, r *http.Request, key string) error {
	options, err := attachmentOptions(r)
	if err != nil {
		return err
	}
	client := newClient(w, r, a.stall)
	client.broken = brokenContent
	defer client.done()
	answer, err := content.Put(withKey(r.Context(), key), a.conn, options, client)
	if err != nil {
		client.fail(cmp.Or(client.problem, renamed(err, headerNames)))
		return nil
	}
	raw, err := answers.JSON(answer)
	if err != nil {
		client.fail(err)
		return nil
	}
	_ = client.controller.SetWriteDeadline(time.Now().Add(a.stall))
	writeJSON(w, http.StatusOK, raw)
	return nil
}

// attachmentOptions reads what is not the content: its type is the body's, its
// hash may be a query parameter.
func attachmentOptions(r *http.Request) (*fitmentv1.AttachmentOptions, error) {
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, err
	}
	if compressed(r.Header) {
		return nil, unsupported("the content is compressed; expected it as it is")
	}
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return nil, unsupported("the body's type is not declared; expected Content-Type: image/jpeg, image/png, image/webp or application/pdf")
	}
	options := &fitmentv1.AttachmentOptions{ContentType: kind}
	return options, strict.Query(values, options)
}

// headerNames are the names under which a REST client knows what an upload says.
func headerNames(field string) string {
	switch field {
	case "options.content_type":
		return "Content-Type"
	case "chunk":
		return "body"
	}
	return camel(strings.TrimPrefix(field, "options."))
}

// brokenContent says why the rest of an upload did not come.
func brokenContent(err error) error {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return apierr.New(codes.DeadlineExceeded, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "the upload stalled; nothing was stored, send it again")
	}
	return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "the upload ended early; nothing was stored, send it again")
}

// download sends one. Where it breaks off, the connection is cut before all that
// was announced has been sent, so that nobody takes a part for the whole.
func (a attachments) download(w http.ResponseWriter, r *http.Request, key string) error {
	if err := (&exchange{request: r}).noBody(); err != nil {
		return err
	}
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return err
	}
	request := &fitmentv1.DownloadAttachmentRequest{Name: strings.TrimPrefix(r.URL.Path, "/v1/")}
	if err := strict.Query(values, request); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(withKey(r.Context(), key))
	defer cancel()
	attachment, from, err := content.Get(ctx, a.conn, request)
	if err != nil {
		return jsonPaths(err)
	}
	out := newLines(w, a.stall)
	// The server listens for the client going away; the time for reading a request,
	// which has been read, must not look like that.
	_ = out.controller.SetReadDeadline(time.Time{})
	_, sum, _ := strings.Cut(attachment.GetName(), ".")
	h := w.Header()
	h.Set("Content-Type", attachment.GetContentType())
	h.Set("Content-Length", strconv.FormatInt(attachment.GetSize(), 10))
	h.Set("Content-Disposition", `attachment; filename="`+sum+content.Ending(attachment.GetContentType())+`"`)
	_, _ = io.Copy(body{out}, from) // what is missing tells that it broke off
	return nil
}

// body writes an answer that is no lines, in pieces, each in its own time.
type body struct{ lines }

// Write implements io.Writer.
func (b body) Write(part []byte) (int, error) {
	_ = b.controller.SetWriteDeadline(time.Now().Add(b.stall))
	return b.writer.Write(part)
}
