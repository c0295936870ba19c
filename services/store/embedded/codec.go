package embedded

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

// The file's layout, format 2. Numbers are big-endian, so byte order is number
// order.
//
//	meta      "format" → 8-byte format · "form" → 8-byte store.Form, the highest
//	          that the file was ever opened with · "epoch" → random text
//	log       8-byte version → record; each record once, at its latest version,
//	          so that bulk writes append and the feed is a scan
//	keys      tenant 0 kind 0 id → 8-byte version
//	requests  tenant 0 request id → request
//	expiry    8-byte Unix nanoseconds, then a key of requests → 1
//
//	record    1-byte record format, 2 · uvarint store.Form · uvarint length of key ·
//	          key · value
//	request   8-byte expiry · 32-byte fingerprint · uvarint number of versions ·
//	          8 bytes each · answer
//
// Format 1 had no "form", and records of record format 1, which have none either.
// Such records stay as they are until they are written again.
var (
	bucketMeta     = []byte("meta")
	bucketLog      = []byte("log")
	bucketKeys     = []byte("keys")
	bucketRequests = []byte("requests")
	bucketExpiry   = []byte("expiry")

	metaFormat = []byte("format")
	metaForm   = []byte("form")
	metaEpoch  = []byte("epoch")

	// present is a value where only the key says something; reading back an
	// empty one could not be told from none.
	present = []byte{1}
)

const (
	// format is the layout that this release writes.
	format = 2
	// recordFormat marks each stored record, so that a later release can read
	// the records of this one where it finds them. Records without a form, of the
	// first releases, are of formlessRecord.
	recordFormat   = 2
	formlessRecord = 1
	// maxForm bounds a form that is read.
	maxForm = 1 << 30
)

var (
	errLimit   = errors.New("store: limit must be at least 1")
	errDamaged = errors.New("store: the file is damaged")
)

// encodeKey encodes a record's key; an error names the part that is out of
// bounds.
func encodeKey(key store.Key) ([]byte, error) {
	return joinParts([]string{partTenant, "kind", "id"}, key.Tenant, key.Kind, key.ID)
}

// encodePrefix encodes what the keys of one tenant and kind begin with.
func encodePrefix(tenant, kind string) ([]byte, error) {
	raw, err := joinParts([]string{partTenant, "kind"}, tenant, kind)
	return append(raw, 0), err
}

func encodeRequestKey(tenant, requestID string) ([]byte, error) {
	return joinParts([]string{partTenant, "request id"}, tenant, requestID)
}

const partTenant = "tenant"

func joinParts(names []string, parts ...string) ([]byte, error) {
	size := len(parts)
	for i, part := range parts {
		if part == "" || len(part) > store.MaxKeyPart || strings.IndexByte(part, 0) >= 0 {
			return nil, fmt.Errorf("store: %s %.40q must have 1 to %d bytes, none of them zero", names[i], part, store.MaxKeyPart)
		}
		size += len(part)
	}
	raw := make([]byte, 0, size)
	for i, part := range parts {
		if i > 0 {
			raw = append(raw, 0)
		}
		raw = append(raw, part...)
	}
	return raw, nil
}

// decodeKey is the inverse of encodeKey.
func decodeKey(raw []byte) (store.Key, error) {
	parts := bytes.Split(raw, []byte{0})
	if len(parts) != 3 {
		return store.Key{}, fmt.Errorf("key %.80q: %w", raw, errDamaged)
	}
	for _, part := range parts {
		if len(part) == 0 || len(part) > store.MaxKeyPart {
			return store.Key{}, fmt.Errorf("key %.80q: %w", raw, errDamaged)
		}
	}
	return store.Key{Tenant: string(parts[0]), Kind: string(parts[1]), ID: string(parts[2])}, nil
}

func encodeVersion(version int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(version)) }

func decodeVersion(raw []byte) (int64, error) {
	if len(raw) != 8 || raw[0] > 0x7f {
		return 0, fmt.Errorf("version %x: %w", raw, errDamaged)
	}
	return int64(binary.BigEndian.Uint64(raw)), nil
}

// encodeRecord encodes what the log holds at a record's version.
func encodeRecord(key, value []byte) []byte {
	raw := make([]byte, 0, 1+2*binary.MaxVarintLen16+len(key)+len(value))
	raw = append(raw, recordFormat)
	raw = binary.AppendUvarint(raw, store.Form)
	raw = binary.AppendUvarint(raw, uint64(len(key)))
	raw = append(raw, key...)
	return append(raw, value...)
}

// splitRecord returns the key and value inside raw, not copied, and the form that
// the value was written in.
func splitRecord(raw []byte) (key, value []byte, form int, err error) {
	form, rest, err := splitForm(raw)
	if err != nil {
		return nil, nil, 0, err
	}
	size, n := binary.Uvarint(rest)
	if n <= 0 || size > uint64(len(rest)-n) {
		return nil, nil, 0, fmt.Errorf("record cut short: %w", errDamaged)
	}
	rest = rest[n:]
	return rest[:size], rest[size:], form, nil
}

// splitForm reads how a record is written, and returns what follows.
func splitForm(raw []byte) (form int, rest []byte, err error) {
	switch {
	case len(raw) < 2 || raw[0] < formlessRecord:
		return 0, nil, fmt.Errorf("record of unknown format: %w", errDamaged)
	case raw[0] == formlessRecord:
		return 0, raw[1:], nil
	case raw[0] > recordFormat:
		return 0, nil, fmt.Errorf("record format %d, this release reads up to %d: %w", raw[0], recordFormat, store.ErrNewer)
	}
	found, n := binary.Uvarint(raw[1:])
	switch {
	case n <= 0 || found > maxForm:
		return 0, nil, fmt.Errorf("record cut short: %w", errDamaged)
	case found > store.Form:
		return 0, nil, fmt.Errorf("record of form %d, this release reads up to %d: %w", found, store.Form, store.ErrNewer)
	}
	return int(found), raw[1+n:], nil
}

// decodeRecord decodes an entry of the log into memory of its own.
func decodeRecord(at, raw []byte) (store.Record, error) {
	version, err := decodeVersion(at)
	if err != nil {
		return store.Record{}, err
	}
	rawKey, value, form, err := splitRecord(raw)
	if err != nil {
		return store.Record{}, fmt.Errorf("version %d: %w", version, err)
	}
	key, err := decodeKey(rawKey)
	if err != nil {
		return store.Record{}, fmt.Errorf("version %d: %w", version, err)
	}
	return store.Record{Key: key, Version: version, Form: form, Value: clone(value)}, nil
}

// recordAt reads the record that a key points at.
func recordAt(tx *bbolt.Tx, at []byte) (store.Record, error) {
	raw := tx.Bucket(bucketLog).Get(at)
	if raw == nil {
		return store.Record{}, fmt.Errorf("version %x has no record: %w", at, errDamaged)
	}
	return decodeRecord(at, raw)
}

// remembered is a request id's entry.
type remembered struct {
	expiry      time.Time
	fingerprint [32]byte
	versions    []int64
	answer      []byte
}

func encodeRemembered(r remembered) []byte {
	raw := make([]byte, 0, 8+len(r.fingerprint)+binary.MaxVarintLen32+8*len(r.versions)+len(r.answer))
	raw = append(raw, encodeTime(r.expiry)...)
	raw = append(raw, r.fingerprint[:]...)
	raw = binary.AppendUvarint(raw, uint64(len(r.versions)))
	for _, version := range r.versions {
		raw = binary.BigEndian.AppendUint64(raw, uint64(version))
	}
	return append(raw, r.answer...)
}

func decodeRemembered(raw []byte) (remembered, error) {
	const fixed = 8 + 32
	if len(raw) < fixed {
		return remembered{}, fmt.Errorf("request cut short: %w", errDamaged)
	}
	r := remembered{expiry: decodeTime(raw[:8])}
	copy(r.fingerprint[:], raw[8:fixed])
	count, n := binary.Uvarint(raw[fixed:])
	if n <= 0 || count > uint64(len(raw)-fixed-n)/8 {
		return remembered{}, fmt.Errorf("request cut short: %w", errDamaged)
	}
	rest := raw[fixed+n:]
	for range count {
		version, err := decodeVersion(rest[:8])
		if err != nil {
			return remembered{}, err
		}
		r.versions = append(r.versions, version)
		rest = rest[8:]
	}
	r.answer = clone(rest)
	return r, nil
}

// encodeTime keeps the order of times from 1970 to 2262.
func encodeTime(t time.Time) []byte {
	return binary.BigEndian.AppendUint64(nil, uint64(max(t.UnixNano(), 0)))
}

func decodeTime(raw []byte) time.Time { return time.Unix(0, int64(binary.BigEndian.Uint64(raw))) }

func expiryKey(expiry time.Time, requestKey []byte) []byte {
	return append(encodeTime(expiry), requestKey...)
}

// clone copies bytes out of the file's memory or the caller's; never nil.
func clone(raw []byte) []byte { return append([]byte{}, raw...) }

func hasPrefix(key, prefix []byte) bool { return key != nil && bytes.HasPrefix(key, prefix) }

func zeroIf(yes bool) []byte {
	if yes {
		return []byte{0}
	}
	return nil
}
