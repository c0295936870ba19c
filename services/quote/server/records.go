package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// Kinds of records of the quote side, beside offers.Kind.
const (
	kindQuote   = "quote"
	kindNumber  = "quote-number" // by year: the last number given
	kindOutcome = "outcome"
	kindTally   = "outcome-tally" // by seller, condition and kind: how many passed and failed
	kindClaim   = "claim"         // by listing: which quote of the business holds it
)

const (
	quotePrefix   = "quotes/"
	draftPrefix   = "D-" // of the ids of drafts
	outcomePrefix = "outcomes/"
	listingPrefix = "listings/"
)

// applyTries is how often a change whose fate is unknown is repeated under its
// request id; conflictTries how often a change is rebuilt on fresh records.
const (
	applyTries    = 3
	conflictTries = 64
)

// pageBytes is what the records of a page come to at most, unless it is a single
// one; recordsARead is how many are read from the store at once.
const (
	pageBytes    = 4 << 20
	recordsARead = 16
)

// caller returns who is calling.
func caller(ctx context.Context) (identity.Principal, error) {
	principal, known := identity.FromContext(ctx)
	if !known || principal.Tenant == "" {
		return identity.Principal{}, apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID,
			"a credential is needed: authorization: Bearer KEY")
	}
	return principal, nil
}

// write is one write request: who asks, under which id, and for what.
type write struct {
	tenant, requestID string
	fingerprint       [32]byte
}

// begin opens a write and looks whether it was done before.
func (s *Server) begin(ctx context.Context, tenant, requestID string, request proto.Message) (write, store.Applied, error) {
	fingerprint, err := requests.Fingerprint(request)
	if err != nil {
		return write{}, store.Applied{}, err
	}
	w := write{tenant: tenant, requestID: requestID, fingerprint: fingerprint}
	before, err := s.store.Seen(ctx, tenant, requestID, fingerprint)
	return w, before, storeError(err)
}

// apply applies one change of the write with its answer. Its errors are
// store.ErrConflict, store.ErrTooLate and statuses.
func (s *Server) apply(ctx context.Context, w write, change store.Change, answer []byte) (store.Applied, error) {
	var err error
	change.Tenant, change.RequestID, change.Fingerprint, change.Answer = w.tenant, w.requestID, w.fingerprint, answer
	for range applyTries {
		var applied []store.Applied
		applied, err = s.store.Apply(ctx, change)
		switch {
		case err == nil && len(applied) == 1:
			return applied[0], storeError(applied[0].Err)
		case err == nil:
			err = errors.New("no answer to the change")
		case ctx.Err() != nil || errors.Is(err, store.ErrClosed) || errors.Is(err, store.ErrBroken):
			return store.Applied{}, s.unacknowledged(ctx, err)
		}
	}
	return store.Applied{}, s.unacknowledged(ctx, err)
}

// unacknowledged is the error for a write whose fate is not known.
func (s *Server) unacknowledged(ctx context.Context, err error) error {
	s.log.ErrorContext(ctx, "the store did not acknowledge a write", "error", err)
	return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, retryAfter,
		"the store did not acknowledge the write; repeat the request with the same request_id")
}

// step is the write of a step inside this write, which a repeat of the request
// repeats.
func (w write) step(what string) write {
	return write{tenant: w.tenant, requestID: requests.Derive(w.requestID, what), fingerprint: w.fingerprint}
}

// storeError gives a reused request id and a full quota their status and leaves the
// rest alone.
func storeError(err error) error {
	if errors.Is(err, store.ErrRequestReused) {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED,
			"request_id was used for another request; expected a new UUID for each write")
	}
	return limit.Quota(err)
}

// contended is the answer to a write that lost against others too often.
func contended() error {
	return apierr.Retry(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE, retryAfter,
		"other writes came in between; repeat the request with the same request_id")
}

// placeOf is the revision token of a version.
func (s *Server) placeOf(ctx context.Context, version int64) (string, error) {
	place, err := s.store.Place(ctx)
	if err != nil {
		return "", fmt.Errorf("read the store's place: %w", err)
	}
	if version > 0 {
		place.Version = version
	}
	return revision.Place(place), nil
}

// id takes the id out of a resource name with this prefix.
func id(name, prefix, example string) (string, error) {
	rest, ok := strings.CutPrefix(name, prefix)
	valid := ok && rest != "" && len(rest) <= store.MaxKeyPart && strings.Trim(rest,
		"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-") == ""
	if !valid {
		return "", apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "name", Problem: fmt.Sprintf("%.80q is no such name", name), Expected: "a name such as " + example,
		})
	}
	return rest, nil
}

// pageRequest is what every list request has.
type pageRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// onePage is a page of a list.
type onePage[T any] struct {
	items          []T
	next, revision string
}

// askedPage is the page that a list request asks for.
type askedPage struct {
	tenant string
	size   int
	// after is the id of the last record of the page before.
	after string
	// revision is read before the records, so it is never newer than they are.
	revision string
}

// asked reads who asks for which page.
func (s *Server) asked(ctx context.Context, request pageRequest) (askedPage, error) {
	who, err := caller(ctx)
	if err != nil {
		return askedPage{}, err
	}
	asked := askedPage{tenant: who.Tenant}
	if asked.size, err = page.Size(request.GetPageSize()); err != nil {
		return askedPage{}, err
	}
	if err := page.Decode(who.Tenant, request, request.GetPageToken(), &asked.after); err != nil {
		return askedPage{}, err
	}
	asked.revision, err = s.placeOf(ctx, 0)
	return asked, err
}

// list reads a page of the caller's records of one kind, in id order.
func list[T any](ctx context.Context, s *Server, kind string, request pageRequest, read func(store.Record) (T, error)) (onePage[T], error) {
	var none onePage[T]
	asked, err := s.asked(ctx, request)
	if err != nil {
		return none, err
	}
	answer := onePage[T]{revision: asked.revision}
	records, more, err := s.readPage(ctx, asked.tenant, kind, asked.after, asked.size)
	if err != nil {
		return none, fmt.Errorf("list %s: %w", kind, err)
	}
	if more {
		if answer.next, err = page.Encode(asked.tenant, request, records[len(records)-1].Key.ID); err != nil {
			return none, err
		}
	}
	for _, record := range records {
		item, err := read(record)
		if err != nil {
			return none, err
		}
		answer.items = append(answer.items, item)
	}
	return answer, nil
}

// listSome reads a page of those of the caller's records of one kind that read
// takes, in id order.
func listSome[T any](ctx context.Context, s *Server, kind string, request pageRequest, read func(store.Record) (T, bool, error)) (onePage[T], error) {
	var none onePage[T]
	asked, err := s.asked(ctx, request)
	if err != nil {
		return none, err
	}
	answer := onePage[T]{revision: asked.revision}
	after := asked.after
	for scanned, bytes, more := 0, 0, true; more; {
		var records []store.Record
		if records, more, err = s.readPage(ctx, asked.tenant, kind, after, recordsARead); err != nil {
			return none, fmt.Errorf("list %s: %w", kind, err)
		}
		for i, record := range records {
			item, takes, err := read(record)
			if err != nil {
				return none, err
			}
			if takes && len(answer.items) > 0 && bytes+len(record.Value) > pageBytes {
				answer.next, err = page.Encode(asked.tenant, request, after)
				return answer, err
			}
			scanned, after = scanned+1, record.Key.ID
			if takes {
				answer.items, bytes = append(answer.items, item), bytes+len(record.Value)
			}
			full := len(answer.items) == asked.size || scanned >= scannedAPage
			if full && (more || i < len(records)-1) {
				answer.next, err = page.Encode(asked.tenant, request, after)
				return answer, err
			}
		}
	}
	return answer, nil
}

// readPage reads at most size records above after, and fewer where more than
// pageBytes would come together; at least one where there is one. More tells
// whether there are others.
func (s *Server) readPage(ctx context.Context, tenant, kind, after string, size int) (records []store.Record, more bool, err error) {
	for bytes := 0; ; {
		want := min(recordsARead, size+1-len(records))
		read, err := s.store.List(ctx, tenant, kind, after, want)
		if err != nil {
			return nil, false, err
		}
		for _, record := range read {
			bytes += len(record.Value)
			if len(records) == size || (len(records) > 0 && bytes > pageBytes) {
				return records, true, nil
			}
			records, after = append(records, record), record.Key.ID
		}
		if len(read) < want {
			return records, false, nil
		}
	}
}
