package password_test

import (
	"context"
	"encoding/hex"
	"errors"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
)

// cheap are parameters for tests that are not about the work.
var cheap = password.Parameters{Memory: 64, Time: 1, Threads: 1} //nolint:gochecknoglobals // a constant

func hasher() *password.Hasher { return password.NewHasher(password.Options{Parameters: cheap}) }

// TestPublishedHashes compares with the test vectors of argon2's reference
// implementation (phc-winner-argon2, src/test.c, version 0x13, argon2id; from memory,
// and borne out by the library). RFC 9106, section 5.3, cannot be asked of the library,
// whose interface has neither the secret nor the associated data of that vector; its
// own tests check it.
func TestPublishedHashes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		passes, memory uint32
		lanes          uint8
		password, salt string
		sum            string
	}{
		{2, 1 << 8, 1, "password", "somesalt", "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
		{2, 1 << 8, 2, "password", "somesalt", "6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037"},
		{1, 1 << 16, 1, "password", "somesalt", "f6a5adc1ba723dddef9b5ac1d464e180fcd9dffc9d1cbf76cca2fed795d9ca98"},
	} {
		if got := hex.EncodeToString(argon2.IDKey([]byte(c.password), []byte(c.salt), c.passes, c.memory, c.lanes, 32)); got != c.sum {
			t.Errorf("t=%d m=%d p=%d %s %s: %s", c.passes, c.memory, c.lanes, c.password, c.salt, got)
		}
	}
	// An encoded form of the same file is read and matched.
	const published = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	matches, stale, err := hasher().Matches(t.Context(), published, "password")
	if err != nil || !matches || !stale { // its salt is shorter than ours
		t.Errorf("matches %v, stale %v, %v", matches, stale, err)
	}
	if matches, _, _ := hasher().Matches(t.Context(), published, "Password"); matches {
		t.Error("another password matches")
	}
}

// TestRecommended: OWASP, Password Storage Cheat Sheet: "Argon2id with a minimum
// configuration of 19 MiB of memory, an iteration count of 2, and 1 degree of
// parallelism".
func TestRecommended(t *testing.T) {
	t.Parallel()
	made, err := password.NewHasher(password.Options{}).Make(t.Context(), "four plain words here")
	if err != nil || !strings.HasPrefix(made, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("%s, %v", made, err)
	}
}

func TestHashesAreKeptByTheirParameters(t *testing.T) {
	t.Parallel()
	h := hasher()
	first, err := h.Make(t.Context(), "four plain words here")
	if err != nil {
		t.Fatal(err)
	}
	second, err := h.Make(t.Context(), "four plain words here")
	if err != nil || first == second {
		t.Errorf("two hashes of one password are one: %s, %v", first, err)
	}
	raised := password.NewHasher(password.Options{Parameters: password.Parameters{Memory: 128, Time: 1, Threads: 1}})
	for _, c := range []struct {
		name     string
		by       *password.Hasher
		password string
		matches  bool
		stale    bool
	}{
		{"right", h, "four plain words here", true, false},
		{"wrong", h, "four plain words hera", false, false},
		{"right, asked for more work", raised, "four plain words here", true, true},
		{"the same in another form of Unicode", h, "four plain words here", true, false},
	} {
		matches, stale, err := c.by.Matches(t.Context(), first, c.password)
		if err != nil || matches != c.matches || stale != c.stale {
			t.Errorf("%s: %v, %v, %v", c.name, matches, stale, err)
		}
	}
	composed, err := h.Make(t.Context(), "caf\u00e9 und ein Stuhl")
	if err != nil {
		t.Fatal(err)
	}
	if matches, _, err := h.Matches(t.Context(), composed, "cafe\u0301 und ein Stuhl"); err != nil || !matches {
		t.Errorf("the same password typed on another keyboard: %v, %v", matches, err)
	}
	if matches, _, err := h.Matches(t.Context(), "", "four plain words here"); err != nil || matches {
		t.Errorf("no hash matches: %v, %v", matches, err)
	}
	if _, _, err := h.Matches(t.Context(), "plain text", "plain text"); !errors.Is(err, password.ErrFormat) {
		t.Errorf("something that is no hash: %v", err)
	}
}

// TestHashesThatAreNone: what asks for more work than is ever done is refused too, so
// that whoever can write a record cannot stop the server.
func TestHashesThatAreNone(t *testing.T) {
	t.Parallel()
	good := "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	if _, err := password.ParseHash(good); err != nil {
		t.Fatal(err)
	}
	for _, change := range [][2]string{
		{"argon2id", "argon2i"},
		{"argon2id", "argon2d"},
		{"v=19", "v=16"},
		{"m=64", "m=99999999"},
		{"m=64", "m=0"},
		{"m=64", "m=064"},
		{"m=64", "m=+64"},
		{"m=64", "m=4"},
		{"t=1", "t=1000"},
		{"t=1", "t=0"},
		{"p=1", "p=255"},
		{"p=1", "p=0"},
		{"m=64,t=1,p=1", "t=1,m=64,p=1"},
		{"c29tZXNhbHQ", ""},
		{"c29tZXNhbHQ", "c29t"},
		{"c29tZXNhbHQ", "c29tZXNhbHQ="},
		{"CTFh", "CT\nFh"},
		{"CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "CTFh"},
		{"$argon2id", "argon2id"},
		{"GRPPc", "GRPPc$"},
	} {
		text := strings.Replace(good, change[0], change[1], 1)
		if _, err := password.ParseHash(text); !errors.Is(err, password.ErrFormat) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// FuzzParseHash: what is read is written the same, and its parameters are such as are
// computed.
func FuzzParseHash(f *testing.F) {
	for _, seed := range []string{
		"", "$", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8", "$argon2i$v=19$m=8,t=1,p=1$$", "$argon2id$v=19$m=4294967296,t=1,p=1$c29tZXNhbHQ$AAAA",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		h, err := password.ParseHash(text)
		if err != nil {
			return
		}
		if h.String() != text {
			t.Errorf("%q is read and written as %q", text, h)
		}
		if h.Memory > 256<<10 || h.Time > 16 || h.Threads > 16 || h.Memory < 8*uint32(h.Threads) || h.Time < 1 || h.Threads < 1 {
			t.Errorf("%q asks for %+v", text, h.Parameters)
		}
	})
}

func TestWhichPasswordsAreGoodEnough(t *testing.T) {
	t.Parallel()
	for text, good := range map[string]bool{
		"four plain words here":     true, // SP 800-63B: no rule about kinds of characters
		"gelbe Regenschirme 4":      true,
		"пароль из четырёх слов":    true,
		"παρακαλώ δύο καφέδες":      true,
		"kettlewick vor dem Morgen": true, // much beside the name
		strings.Repeat("ab1 c", 51): true, // 255 bytes
		"short words":               false,
		"":                          false,
		strings.Repeat("ab1 c", 52): false, // 260 bytes
		"with\ttab inside it":       false,
		"aaaaaaaaaaaaaaaa":          false,
		"abababababababab":          false,
		"abcdefghijklmnop":          false,
		"ponmlkjihgfedcba":          false,
		"123456789012345":           false,
		"987654321098765":           false,
		"password1234":              false,
		"Password-2026!":            false,
		"kettlewick2026":            false,
		"jo-kettlewick-1":           false,
		"ferris-Ferris-1":           false,
		"qwertyuiop123456":          false,
		"Beltwright-123":            false,
		"letmein-letmein":           false,
	} {
		var fields check.Fields
		password.Judge(&fields, "password", text, "Jo", "Ferris", "jo-kettlewick", "kettlewick")
		if fields.OK() != good {
			t.Errorf("%q: %v", text, fields.Violations())
		}
		for _, v := range fields.Violations() {
			if len(text) > 4 && strings.Contains(v.Problem+v.Expected, text) {
				t.Errorf("%q stands in its own problem: %v", text, v)
			}
		}
	}
}

// TestCharactersOfSeveralBytes: SP 800-63B asks for 8 characters, whatever their bytes;
// what has fewer is too short and nothing else.
func TestCharactersOfSeveralBytes(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"снегопад":                      "",             // 8 characters in 16 bytes
		"сугроб":                        "is too short", // 6 in 12
		"はるなつあき":                        "is too short", // 6 in 18
		"はるなつあきふゆ":                      "",             // 8 in 24
		"🐧🦀🐘🦉🐢":                         "is too short", // 5 in 20
		"u\u0308a\u0308o\u0308s\u0308e": "is too short", // 5 in 13, as they are hashed
		"elevenchars":                   "is too short", // 11 in 11
	} {
		var fields check.Fields
		password.Judge(&fields, "password", text)
		got := ""
		for _, v := range fields.Violations() {
			got = v.Problem
		}
		if got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

// A password is judged alike however it is written, and never panics.
func TestJudgingIsTotal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringN(0, 300, 400).Draw(t, "text")
		words := rapid.SliceOfN(rapid.StringN(0, 10, 40), 0, 4).Draw(t, "words")
		var with, without check.Fields
		password.Judge(&with, "password", text, words...)
		password.Judge(&without, "password", text)
		if with.OK() && !without.OK() {
			t.Errorf("%q is better with words to avoid", text)
		}
		if with.OK() && (len(text) < password.Shortest || len(text) > password.Longest) {
			t.Errorf("%q has %d bytes", text, len(text))
		}
	})
}

// TestTooManyAtOnce: whoever comes when the queue is full is told at once. The control
// is a hasher with room for all, which turns nobody away.
func TestTooManyAtOnce(t *testing.T) {
	t.Parallel()
	const callers = 40
	run := func(options password.Options) (served, overloaded int64) {
		h := password.NewHasher(options)
		var good, full atomic.Int64
		var running sync.WaitGroup
		start := make(chan struct{})
		for range callers {
			running.Go(func() {
				<-start
				_, err := h.Make(context.Background(), "four plain words here")
				switch {
				case err == nil:
					good.Add(1)
				case status.Code(err) == codes.ResourceExhausted && apierr.ReasonOf(err) == fitmentv1.ErrorInfo_OVERLOADED:
					full.Add(1)
				default:
					t.Error(err)
				}
			})
		}
		close(start)
		running.Wait()
		return good.Load(), full.Load()
	}
	slow := password.Parameters{Memory: 2 << 10, Time: 4, Threads: 1}
	served, full := run(password.Options{Parameters: slow, AtOnce: 1, Queue: 2, Patience: time.Minute})
	if served < 3 || full == 0 || served+full != callers {
		t.Errorf("%d served and %d turned away of %d", served, full, callers)
	}
	if served, full := run(password.Options{Parameters: cheap, AtOnce: 1, Queue: callers, Patience: time.Minute}); served != callers || full != 0 {
		t.Errorf("the control: %d served and %d turned away", served, full)
	}
	impatient := password.NewHasher(password.Options{Parameters: cheap, AtOnce: 1, Patience: time.Nanosecond})
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range 1000 { // one of them loses its patience or sees the end first
		if _, err := impatient.Make(ended, "four plain words here"); err != nil {
			return
		}
	}
	t.Error("nobody was ever turned away")
}

// TestHashesLeaveProcessors: however many sign in, or try to, half of the processors
// are left to everybody else; one processor has to do both.
func TestHashesLeaveProcessors(t *testing.T) {
	t.Parallel()
	if got, n := password.NewHasher(password.Options{}).AtOnce(), runtime.GOMAXPROCS(0); got < 1 || got > max(n/2, 1) {
		t.Errorf("%d hashes at once on %d processors", got, n)
	}
	if got := password.NewHasher(password.Options{AtOnce: 7}).AtOnce(); got != 7 {
		t.Errorf("%d hashes at once where 7 are asked for", got)
	}
}
