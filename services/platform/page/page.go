// Package page makes page sizes and page tokens. A token carries where the next
// page starts, what the first page stood on, and a hash of the caller's tenant
// and the request it belongs to, so that one used with another request by
// mistake is refused.
//
// The hash has no key: whoever knows how tokens are made can make one. So a token
// grants nothing. What a cursor says is to be treated like any other field of the
// request: it may choose where a page starts, never whose records are read.
package page

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Sizes of pages.
const (
	// DefaultSize is used where the request says 0.
	DefaultSize = 50
	// MaxSize is used where the request asks for more.
	MaxSize = 1000
)

// Size reads a request's page size: 0 is the default, more than MaxSize is
// MaxSize, less than 0 is INVALID_ARGUMENT (AIP-158).
func Size(asked int32) (int, error) {
	switch {
	case asked < 0:
		return 0, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID,
			apierr.Violation{Field: "page_size", Problem: fmt.Sprintf("%d is negative", asked), Expected: "0 to 1000"})
	case asked == 0:
		return DefaultSize, nil
	}
	return min(int(asked), MaxSize), nil
}

type envelope struct {
	Request []byte          `json:"r"`
	Cursor  json.RawMessage `json:"c"`
}

// Encode makes the token of the page that starts at cursor (any JSON value) for
// this caller and request.
func Encode(tenant string, request proto.Message, cursor any) (string, error) {
	raw, err := json.Marshal(cursor)
	if err != nil {
		return "", fmt.Errorf("encode page token: %w", err)
	}
	token, err := json.Marshal(envelope{Request: fingerprint(tenant, request), Cursor: raw})
	if err != nil {
		return "", fmt.Errorf("encode page token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(token), nil
}

// Decode reads the request's page_token into cursor; an empty token leaves
// cursor alone. A token of another caller or request is INVALID_ARGUMENT.
func Decode(tenant string, request proto.Message, token string, cursor any) error {
	if token == "" {
		return nil
	}
	var env envelope
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err == nil {
		err = json.Unmarshal(raw, &env)
	}
	if err != nil || string(env.Request) != string(fingerprint(tenant, request)) || json.Unmarshal(env.Cursor, cursor) != nil {
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID,
			"page_token: not a token of this request; expected next_page_token of the page before, with every other field unchanged")
	}
	return nil
}

// fingerprint hashes the request without its page fields, which may differ
// from page to page.
func fingerprint(tenant string, request proto.Message) []byte {
	bare := proto.Clone(request)
	fields := bare.ProtoReflect().Descriptor().Fields()
	for _, name := range []protoreflect.Name{"page_token", "page_size"} {
		if field := fields.ByName(name); field != nil {
			bare.ProtoReflect().Clear(field)
		}
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil { // only for invalid UTF-8, which no decoded request has
		raw = nil
	}
	sum := sha256.Sum256(append([]byte(string(bare.ProtoReflect().Descriptor().FullName())+"\x00"+tenant+"\x00"), raw...))
	return sum[:12]
}
