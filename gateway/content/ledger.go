package content

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// Ledger asks for the entries of a period as CSV. The reader ends with io.EOF only
// where all of it came. Cancel ctx to be done with it early.
func Ledger(ctx context.Context, conn grpc.ClientConnInterface, request *quotev1.ExportLedgerRequest) (io.Reader, error) {
	stream, err := quotev1.NewBooksServiceClient(conn).ExportLedger(ctx, request)
	if err != nil {
		return nil, err
	}
	l := &ledger{stream: stream}
	if l.left, err = l.next(); errors.Is(err, io.EOF) { // it has a header at least
		return nil, broken("the ledger did not come")
	}
	return l, err
}

// ledger is the file as a reader.
type ledger struct {
	stream grpc.ServerStreamingClient[quotev1.ExportLedgerResponse]
	left   []byte
}

func (l *ledger) next() ([]byte, error) {
	piece, err := l.stream.Recv()
	return piece.GetChunk(), err
}

// Read implements io.Reader.
func (l *ledger) Read(into []byte) (n int, err error) {
	for len(l.left) == 0 {
		if l.left, err = l.next(); err != nil {
			return 0, err
		}
	}
	n = copy(into, l.left)
	l.left = l.left[n:]
	return n, nil
}
