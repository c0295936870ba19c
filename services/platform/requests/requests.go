// Package requests reads request ids and takes the fingerprint that tells a
// repeated request from another one under the same id.
package requests

import (
	"crypto/sha256"
	"fmt"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"beltwright.example/services/platform/check"
)

// ID checks that a request id is a UUID, in the usual form of 36 characters.
func ID(fields *check.Fields, value string) {
	if len(value) != 36 || uuid.Validate(value) != nil {
		fields.Add("request_id", fmt.Sprintf("%q is no UUID", value), "a UUID such as 2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11, new for each write and the same for its repeats")
	}
}

// Derive makes the id of a step inside a request, so that a repeat of the
// request repeats the step under the same id.
func Derive(requestID, step string) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte(requestID+"\x00"+step)).String()
}

// Fingerprint hashes a request with its method's name.
func Fingerprint(request proto.Message) ([32]byte, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return [32]byte{}, fmt.Errorf("fingerprint: %w", err)
	}
	return sha256.Sum256(append([]byte(string(request.ProtoReflect().Descriptor().FullName())+"\x00"), raw...)), nil
}
