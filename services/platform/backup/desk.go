package backup

import (
	"bufio"
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Piece is the largest piece that a backup is sent in, in bytes.
const Piece = 256 << 10

// retryAfter is when asking again for a backup is worth it while one is taken.
const retryAfter = 10 * time.Second

// Desk takes backups for those who may have them, one at a time: each needs as much
// room on the disk as the store.
type Desk struct {
	source Source
	log    *slog.Logger
	free   chan struct{}
}

// NewDesk makes a desk.
func NewDesk(source Source, log *slog.Logger) *Desk {
	d := &Desk{source: source, log: log, free: make(chan struct{}, 1)}
	d.free <- struct{}{}
	return d
}

// BackUp sends an archive in pieces, whose memory is used again for the next. Its
// errors are statuses: PERMISSION_DENIED for anybody but an operator (an archive
// holds every business's records), RESOURCE_EXHAUSTED while a backup is taken.
func (d *Desk) BackUp(ctx context.Context, send func(piece []byte) error) (Summary, error) {
	who, ok := identity.FromContext(ctx)
	if !ok || !who.Has(identity.Operator) {
		return Summary{}, apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
			"only an operator may take a backup: it holds the records of every business")
	}
	select {
	case <-d.free:
		defer func() { d.free <- struct{}{} }()
	default:
		return Summary{}, apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED, retryAfter,
			"a backup of the %s side is being taken; one at a time is", d.source.Side)
	}
	out := bufio.NewWriterSize(pieces(send), Piece)
	summary, err := d.source.Write(ctx, out)
	if err = errors.Join(err, out.Flush()); err != nil {
		return Summary{}, d.failed(ctx, err)
	}
	for _, name := range summary.Damaged {
		d.log.ErrorContext(ctx, "a stored photo or document is damaged and not in the backup", "name", name)
	}
	d.log.InfoContext(ctx, "backed up", "side", d.source.Side, "revision", summary.Revision, "bytes", summary.Size, "files", summary.Files)
	return summary, nil
}

// failed is what the caller is told of a backup that failed; the log has the rest.
func (d *Desk) failed(ctx context.Context, err error) error {
	d.log.WarnContext(ctx, "a backup failed", "side", d.source.Side, "error", err)
	switch {
	case ctx.Err() != nil:
		return apierr.New(codes.Canceled, fitmentv1.ErrorInfo_LIMIT_REACHED, "the time for the backup is over, or it was given up")
	case errors.Is(err, store.ErrClosed), errors.Is(err, store.ErrBroken):
		return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, retryAfter, "the store of the %s side has stopped", d.source.Side)
	}
	return apierr.New(codes.Internal, fitmentv1.ErrorInfo_INTERNAL, "the backup of the %s side failed; the server's log says why", d.source.Side)
}

// pieces hands what is written on in pieces of at most Piece.
type pieces func(piece []byte) error

// Write implements io.Writer.
func (send pieces) Write(part []byte) (int, error) {
	sent := 0
	for sent < len(part) {
		piece := part[sent:min(sent+Piece, len(part))]
		if err := send(piece); err != nil {
			return sent, err
		}
		sent += len(piece)
	}
	return sent, nil
}
