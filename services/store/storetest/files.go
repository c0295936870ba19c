package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"beltwright.example/services/store"
)

// Shelf is an adapter of store.Files under test.
type Shelf struct {
	// Files is the adapter, empty.
	Files store.Files
	// Reopen opens the same files again, as a new process would.
	Reopen func() store.Files
	// Damage changes what is stored under a hash behind the adapter's back.
	Damage func(tenant, sum string, change func(content []byte) []byte)
	// Leftovers lists what is stored and is no complete file.
	Leftovers func() []string
}

// RunFiles is Run for adapters of store.Files: one test for each promise, and
// random content.
func RunFiles(t *testing.T, open func(t *testing.T) *Shelf) {
	t.Helper()
	tests := []struct {
		name string
		run  func(t *testing.T, s *Shelf)
	}{
		{"WhatIsPutIsRead", whatIsPutIsRead},
		{"TheNameIsTheHash", theNameIsTheHash},
		{"TenantsHaveTheirOwn", tenantsHaveTheirOwn},
		{"WhatIsNotThereIsNotFound", whatIsNotThere},
		{"ContentMayBeAsLargeAsTheLimit", asLargeAsTheLimit},
		{"TornUploadsLeaveNothing", tornUploads},
		{"DamageIsNeverServedWhole", damageIsSeen},
		{"PutMendsDamage", putMendsDamage},
		{"ReopenKeepsFiles", reopenKeepsFiles},
		{"ConcurrentPutsOfOneContent", concurrentPuts},
		{"ReadersKeepWhatTheyOpened", readersKeep},
		{"EndedContextsAreHonouredByFiles", filesEndedContexts},
		{"EveryFileIsListedInOrder", everyFileIsListed},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			test.run(t, s)
			if left := s.Leftovers(); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

const (
	shelfTenant = "north-yard"
	shelfLimit  = 1 << 20
)

// sumOf is a content's hash in hexadecimal.
func sumOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// filler is content of a length.
func filler(n int) []byte { return bytes.Repeat([]byte("0123456789abcdef"), n/16+1)[:n] }

func (s *Shelf) put(t *testing.T, tenant string, content []byte) store.File {
	t.Helper()
	got, err := s.Files.Put(t.Context(), tenant, bytes.NewReader(content), shelfLimit)
	if err != nil {
		t.Fatalf("put %d bytes: %v", len(content), err)
	}
	return got
}

// read reads a file to its end.
func (s *Shelf) read(t *testing.T, tenant, sum string) ([]byte, error) {
	t.Helper()
	from, what, err := s.Files.Open(t.Context(), tenant, sum)
	if err != nil {
		return nil, err
	}
	content, err := io.ReadAll(from)
	if closeErr := from.Close(); closeErr != nil {
		t.Errorf("close: %v", closeErr)
	}
	if err == nil && (what.Size != int64(len(content)) || what.SHA256 != sum) {
		t.Errorf("%d bytes were announced as %+v", len(content), what)
	}
	return content, err
}

func whatIsPutIsRead(t *testing.T, s *Shelf) {
	t.Helper()
	const large = 300_000 // more than any buffer on the way
	rapid.Check(t, func(r *rapid.T) {
		content := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(r, "content")
		content = append(content, filler(rapid.SampledFrom([]int{0, 1, 65_536, 131_072, large}).Draw(r, "and so much more"))...)
		file := s.put(t, shelfTenant, content)
		if file.Size != int64(len(content)) || file.SHA256 != sumOf(content) {
			r.Fatalf("%d bytes were put as %+v", len(content), file)
		}
		got, err := s.read(t, shelfTenant, file.SHA256)
		if err != nil || !bytes.Equal(got, content) {
			r.Fatalf("%d bytes were put, %d read: %v", len(content), len(got), err)
		}
	})
}

// theNameIsTheHash checks with the examples of FIPS 180-4 ("abc", and the empty
// message; NIST, Cryptographic Standards and Guidelines, examples with
// intermediate values, SHA-256).
func theNameIsTheHash(t *testing.T, s *Shelf) {
	t.Helper()
	for text, want := range map[string]string{
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	} {
		if got := s.put(t, shelfTenant, []byte(text)); got.SHA256 != want {
			t.Errorf("%q has the name %s, want %s", text, got.SHA256, want)
		}
	}
}

func tenantsHaveTheirOwn(t *testing.T, s *Shelf) {
	t.Helper()
	content := []byte("a photo of the north yard's")
	file := s.put(t, shelfTenant, content)
	if _, err := s.read(t, "south-yard", file.SHA256); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("another business: %v", err)
	}
	if again := s.put(t, "south-yard", content); again != file {
		t.Errorf("the same content is %+v there and %+v here", again, file)
	}
	s.Damage("south-yard", file.SHA256, func([]byte) []byte { return nil })
	if got, err := s.read(t, shelfTenant, file.SHA256); err != nil || !bytes.Equal(got, content) {
		t.Errorf("the other's damage reached ours: %v", err)
	}
}

func whatIsNotThere(t *testing.T, s *Shelf) {
	t.Helper()
	file := s.put(t, shelfTenant, []byte("there"))
	upper, other := strings.ToUpper(file.SHA256), sumOf([]byte("not there"))
	for _, name := range []string{"", other, upper, file.SHA256[:63], file.SHA256 + "0", "../" + file.SHA256, strings.Repeat("g", 64)} {
		if _, _, err := s.Files.Open(t.Context(), shelfTenant, name); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("open %q: %v", name, err)
		}
	}
	for _, tenant := range []string{"", "..", "a/b", "North-Yard", strings.Repeat("a", 33), "a\x00b"} {
		if _, _, err := s.Files.Open(t.Context(), tenant, file.SHA256); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("open as %q: %v", tenant, err)
		}
		if _, err := s.Files.Put(t.Context(), tenant, strings.NewReader("x"), shelfLimit); err == nil {
			t.Errorf("put as %q was taken", tenant)
		}
	}
}

func asLargeAsTheLimit(t *testing.T, s *Shelf) {
	t.Helper()
	for _, limit := range []int{0, 1, 100_000} {
		content := filler(limit)
		file, err := s.Files.Put(t.Context(), shelfTenant, bytes.NewReader(content), int64(limit))
		if err != nil || file.Size != int64(limit) {
			t.Errorf("%d bytes at a limit of as many: %+v, %v", limit, file, err)
		}
		over := filler(limit + 1)
		if _, err := s.Files.Put(t.Context(), shelfTenant, bytes.NewReader(over), int64(limit)); !errors.Is(err, store.ErrTooLarge) {
			t.Errorf("%d bytes at a limit of %d: %v", limit+1, limit, err)
		}
		if _, err := s.read(t, shelfTenant, sumOf(over)); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("what was too large is stored: %v", err)
		}
	}
	if _, err := s.Files.Put(t.Context(), shelfTenant, strings.NewReader(""), -1); !errors.Is(err, store.ErrTooLarge) {
		t.Errorf("a limit below nothing: %v", err)
	}
}

func tornUploads(t *testing.T, s *Shelf) {
	t.Helper()
	torn := errors.New("the line went dead")
	for _, size := range []int{0, 1, 65_536, 200_000} {
		content := filler(size)
		_, err := s.Files.Put(t.Context(), shelfTenant, io.MultiReader(bytes.NewReader(content), iotest.ErrReader(torn)), shelfLimit)
		if !errors.Is(err, torn) {
			t.Errorf("torn after %d bytes: %v", size, err)
		}
		if _, err := s.read(t, shelfTenant, sumOf(content)); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("what came before the tear is stored: %v", err)
		}
	}
}

func damageIsSeen(t *testing.T, s *Shelf) {
	t.Helper()
	for _, size := range []int{0, 1, 100, 65_536, 65_537, 200_000} {
		content := append(filler(size), strconv.Itoa(size)...)
		for name, change := range map[string]func([]byte) []byte{
			"first bit": func(b []byte) []byte { b[0] ^= 1; return b },
			"last bit":  func(b []byte) []byte { b[len(b)-1] ^= 1; return b },
			"cut":       func(b []byte) []byte { return b[:len(b)-1] },
			"empty":     func([]byte) []byte { return nil },
			"grown":     func(b []byte) []byte { return append(b, 0) },
		} {
			file := s.put(t, shelfTenant, content)
			s.Damage(shelfTenant, file.SHA256, change)
			got, err := s.read(t, shelfTenant, file.SHA256)
			if !errors.Is(err, store.ErrDamaged) || len(got) >= max(len(change(bytes.Clone(content))), 1) {
				t.Errorf("%d bytes, %s: %d bytes were read, then %v", len(content), name, len(got), err)
			}
		}
	}
}

func putMendsDamage(t *testing.T, s *Shelf) {
	t.Helper()
	content := filler(1000)
	file := s.put(t, shelfTenant, content)
	s.Damage(shelfTenant, file.SHA256, func(b []byte) []byte { return b[1:] })
	s.put(t, shelfTenant, content)
	if got, err := s.read(t, shelfTenant, file.SHA256); err != nil || !bytes.Equal(got, content) {
		t.Errorf("put again: %d bytes, %v", len(got), err)
	}
}

func reopenKeepsFiles(t *testing.T, s *Shelf) {
	t.Helper()
	content := filler(70_000)
	file := s.put(t, shelfTenant, content)
	s.Files = s.Reopen()
	if got, err := s.read(t, shelfTenant, file.SHA256); err != nil || !bytes.Equal(got, content) {
		t.Errorf("after reopening: %d bytes, %v", len(got), err)
	}
}

func concurrentPuts(t *testing.T, s *Shelf) {
	t.Helper()
	content := filler(100_000)
	var putters sync.WaitGroup
	for range 8 {
		putters.Go(func() {
			file, err := s.Files.Put(t.Context(), shelfTenant, iotest.HalfReader(bytes.NewReader(content)), shelfLimit)
			if err != nil || file.SHA256 != sumOf(content) {
				t.Errorf("put: %+v, %v", file, err)
				return
			}
			from, _, err := s.Files.Open(t.Context(), shelfTenant, file.SHA256)
			if err != nil {
				t.Errorf("open: %v", err)
				return
			}
			got, err := io.ReadAll(from)
			if err := errors.Join(err, from.Close()); err != nil || !bytes.Equal(got, content) {
				t.Errorf("read %d bytes: %v", len(got), err)
			}
		})
	}
	putters.Wait()
}

// readersKeep: putting the same content again does not disturb who reads it.
func readersKeep(t *testing.T, s *Shelf) {
	t.Helper()
	content := filler(200_000)
	file := s.put(t, shelfTenant, content)
	from, _, err := s.Files.Open(t.Context(), shelfTenant, file.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	first := make([]byte, 10)
	if _, err := io.ReadFull(from, first); err != nil {
		t.Fatal(err)
	}
	s.put(t, shelfTenant, content)
	rest, err := io.ReadAll(from)
	if err := errors.Join(err, from.Close()); err != nil || !bytes.Equal(slices.Concat(first, rest), content) {
		t.Errorf("%d bytes were read on, %v", len(rest), err)
	}
}

func filesEndedContexts(t *testing.T, s *Shelf) {
	t.Helper()
	file := s.put(t, shelfTenant, filler(200_000))
	ended, cancel := context.WithCancel(t.Context())
	from, _, err := s.Files.Open(ended, shelfTenant, file.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := io.ReadAll(from); !errors.Is(err, context.Canceled) {
		t.Errorf("read after the end: %v", err)
	}
	if err := from.Close(); err != nil {
		t.Error(err)
	}
	if _, err := s.Files.Put(ended, shelfTenant, strings.NewReader("late"), shelfLimit); !errors.Is(err, context.Canceled) {
		t.Errorf("put after the end: %v", err)
	}
	if _, _, err := s.Files.Open(ended, shelfTenant, file.SHA256); !errors.Is(err, context.Canceled) {
		t.Errorf("open after the end: %v", err)
	}
}

// everyFileIsListed is for adapters that list what they have.
func everyFileIsListed(t *testing.T, s *Shelf) {
	t.Helper()
	lister, ok := s.Files.(store.FileLister)
	if !ok {
		t.Fatalf("%T lists no files, so that nobody can back them up", s.Files)
	}
	const each = 20
	tenants := []string{"a", "a-b", "b", "0"}
	want := make([]string, 0, each*len(tenants))
	for _, tenant := range tenants {
		for i := range each {
			file := s.put(t, tenant, filler(i))
			want = append(want, tenant+" "+file.SHA256+" "+strconv.FormatInt(file.Size, 10))
		}
	}
	slices.Sort(want)
	var got []string
	note := func(tenant string, file store.File) error {
		got = append(got, tenant+" "+file.SHA256+" "+strconv.FormatInt(file.Size, 10))
		return nil
	}
	if err := lister.Each(t.Context(), note); err != nil || !slices.Equal(got, want) {
		t.Errorf("%d files are listed, %v; want %d in order", len(got), err, len(want))
	}
	enough := errors.New("enough")
	count := 0
	err := lister.Each(t.Context(), func(string, store.File) error { count++; return enough })
	if !errors.Is(err, enough) || count != 1 {
		t.Errorf("after the first error %d files came, %v", count, err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := lister.Each(ended, note); !errors.Is(err, context.Canceled) {
		t.Errorf("listed after the end: %v", err)
	}
}
