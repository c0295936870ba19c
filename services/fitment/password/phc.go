// Package password keeps passwords as argon2id hashes and says which passwords are
// good enough. Hashes are meant to be slow, so a Hasher makes few at once and turns
// callers away rather than letting them queue without end.
package password

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Parameters say how much work a hash is.
type Parameters struct {
	// Memory is what it takes, in KiB.
	Memory uint32
	// Time is how often it goes over the memory.
	Time uint32
	// Threads is how many lanes it has.
	Threads uint8
}

// Recommended returns the parameters of new hashes: 19 MiB, two passes, one lane,
// which is the least that OWASP's Password Storage Cheat Sheet asks of argon2id. One
// hash takes some 15 ms of one core: signing in is rare, and a server on two cores
// must not be kept busy by it.
func Recommended() Parameters { return Parameters{Memory: 19 << 10, Time: 2, Threads: 1} }

// What a stored hash may ask for. A record that asks for more would let whoever can
// write records stop the server.
const (
	maxMemory  = 256 << 10
	maxTime    = 16
	maxThreads = 16
	minSalt    = 8
	maxSalt    = 64
	minSum     = 16
	maxSum     = 64
)

const (
	saltBytes = 16
	sumBytes  = 32
)

// ErrFormat says that a text is no hash of this package.
var ErrFormat = errors.New("password: not of the form $argon2id$v=19$m=KIB,t=PASSES,p=LANES$SALT$HASH")

// Hash is a password's hash with all that is needed to compute it again.
type Hash struct {
	Parameters

	// Salt was drawn for this hash alone.
	Salt []byte
	// Sum is the hash itself.
	Sum []byte
}

var encoding = base64.RawStdEncoding.Strict()

// String is the hash as it is kept, in the string format of the Password Hashing
// Competition: its parameters travel with it, so that they can rise later.
func (h Hash) String() string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.Memory, h.Time, h.Threads,
		encoding.EncodeToString(h.Salt), encoding.EncodeToString(h.Sum))
}

// ParseHash reads what String wrote; ErrFormat where it is anything else or asks for
// more work than this package does.
func ParseHash(text string) (Hash, error) {
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return Hash{}, ErrFormat
	}
	var h Hash
	if !h.read(parts[3]) || !bytesOf(parts[4], &h.Salt, minSalt, maxSalt) || !bytesOf(parts[5], &h.Sum, minSum, maxSum) {
		return Hash{}, ErrFormat
	}
	return h, nil
}

// read reads parameters as they are kept.
func (p *Parameters) read(text string) bool {
	values := strings.Split(text, ",")
	if len(values) != 3 {
		return false
	}
	memory, okMemory := bounded(values[0], "m=", maxMemory)
	time, okTime := bounded(values[1], "t=", maxTime)
	threads, okThreads := bounded(values[2], "p=", maxThreads)
	if !okMemory || !okTime || !okThreads || memory < 8*threads { // RFC 9106, section 3.1: at least 8 KiB a lane
		return false
	}
	p.Memory, p.Time, p.Threads = memory, time, uint8(threads)
	return true
}

// bounded reads a number from 1 to most in its one form.
func bounded(text, name string, most uint32) (uint32, bool) {
	digits, ok := strings.CutPrefix(text, name)
	value, err := strconv.ParseUint(digits, 10, 32)
	if !ok || err != nil || value < 1 || value > uint64(most) || strconv.FormatUint(value, 10) != digits {
		return 0, false
	}
	return uint32(value), true
}

func bytesOf(text string, into *[]byte, least, most int) bool {
	if len(text) > encoding.EncodedLen(most) || strings.ContainsAny(text, "\r\n") { // the decoder skips line ends
		return false
	}
	raw, err := encoding.DecodeString(text)
	*into = raw
	return err == nil && len(raw) >= least && len(raw) <= most
}

// compute is argon2id over a password.
func (h Hash) compute(password string) []byte {
	return argon2.IDKey([]byte(normal(password)), h.Salt, h.Time, h.Memory, h.Threads, uint32(len(h.Sum)))
}

// weaker tells whether a hash was made with less work than is asked for now.
func (h Hash) weaker(than Parameters) bool {
	return h.Memory < than.Memory || h.Time < than.Time || h.Threads < than.Threads || len(h.Sum) < sumBytes || len(h.Salt) < saltBytes
}
