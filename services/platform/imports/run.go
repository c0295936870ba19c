package imports

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

const (
	// A batch ends with this many rows.
	batchRows = 1000
	// A batch ends with this many bytes of rows and records.
	batchBytes = 4 << 20
	// A batch ends this long after its first row: results come while a slow
	// upload runs.
	batchTime = 50 * time.Millisecond
	// readAhead is how many rows wait, split, for the batch before them.
	readAhead = 64
)

// Run imports one file. It calls send for each row, in order, once the row is
// durable, and returns the sums. A dry run stores nothing and answers as the
// real run would. Errors are statuses: INVALID_ARGUMENT naming the columns
// where the file as a whole cannot be read; rows that were answered before an
// error stay stored.
func Run(
	ctx context.Context, st store.Store, target Target, in Input, send func(*fitmentv1.RowResult) error,
) (*fitmentv1.ImportSummary, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	rows := make(chan parsed, readAhead)
	go produce(ctx, in.Read, target.Columns, rows)

	b, err := newBatch(st, target, in, send)
	if err != nil {
		return nil, err
	}
	defer b.close()
	timer := time.NewTimer(batchTime)
	timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil, storeProblem(ctx.Err())
		case <-timer.C:
			if err := b.flush(ctx); err != nil {
				return nil, err
			}
		case row := <-rows:
			if row.err != nil {
				return b.finish(ctx, row.err)
			}
			if len(b.rows) == 0 {
				timer.Reset(batchTime)
			}
			if err := b.take(ctx, row); err != nil {
				return nil, err
			}
			if len(b.rows) == 0 {
				timer.Stop()
			}
		}
	}
}

// parsed is a row, or at the end io.EOF or why there are no more.
type parsed struct {
	record

	columns map[string]int
	err     error
}

// produce splits the file until its end or the context's.
func produce(ctx context.Context, from io.Reader, columns []Column, out chan<- parsed) {
	emit := func(row parsed) bool {
		select {
		case out <- row:
			return row.err == nil
		case <-ctx.Done():
			return false
		}
	}
	s := newScanner(from)
	places, err := readHeader(s, columns)
	if err != nil {
		emit(parsed{err: err})
		return
	}
	for {
		next, err := s.next()
		if err == nil && s.line > math.MaxInt32 {
			err = apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED,
				"the file has more than %d lines: import it in pieces", math.MaxInt32)
		}
		if !emit(parsed{record: next, columns: places, err: err}) {
			return
		}
	}
}

// storeProblem turns an error of the store or the context into a status.
func storeProblem(err error) error {
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return status.FromContextError(err).Err()
	case errors.Is(err, store.ErrClosed):
		return apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "the store is closing; rows without a result may not be stored")
	case errors.Is(err, store.ErrBroken):
		return apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY,
			"the store has stopped after a failed write; rows without a result may not be stored: import the file again once it is back")
	default:
		return fmt.Errorf("import: %w", err)
	}
}
