// Package revision turns places in a store's sequence into opaque tokens. A
// place says "up to here" and can be waited for; a digest says "exactly this"
// and is good for comparing only, so it is refused where a place is asked for.
package revision

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"beltwright.example/services/store"
)

// ErrInvalid says that the token is no place of this kind of store.
var ErrInvalid = errors.New("revision: not a place that can be waited for")

const (
	placeMark  = "p"
	digestMark = "d"
)

// Place encodes a place.
func Place(p store.Place) string {
	raw := binary.BigEndian.AppendUint64(nil, uint64(p.Version))
	return placeMark + base64.RawURLEncoding.EncodeToString(append(raw, p.Epoch...))
}

// Digest encodes what an answer stood on: the places and any further inputs
// (such as the day).
func Digest(place store.Place, inputs ...string) string {
	sum := sha256.Sum256([]byte(Place(place) + "\x00" + strings.Join(inputs, "\x00")))
	return digestMark + base64.RawURLEncoding.EncodeToString(sum[:12])
}

// Parse decodes what Place makes, to the letter; ErrInvalid for anything else.
func Parse(token string) (store.Place, error) {
	body, ok := strings.CutPrefix(token, placeMark)
	if !ok {
		return store.Place{}, ErrInvalid
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(body)
	if err != nil || len(raw) < 9 || raw[0] > 0x7f {
		return store.Place{}, ErrInvalid
	}
	place := store.Place{Version: int64(binary.BigEndian.Uint64(raw)), Epoch: string(raw[8:])}
	if Place(place) != token { // such as one with line breaks in it, which base64 skips
		return store.Place{}, ErrInvalid
	}
	return place, nil
}

// ETag encodes a record's version as an etag.
func ETag(version int64) string { return fmt.Sprintf("%q", strconv.FormatInt(version, 36)) }
