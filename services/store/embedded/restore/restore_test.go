package restore_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"beltwright.example/services/platform/backup"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/embedded/restore"
)

const rows = 50

// side makes a store with records and, where it is asked for, a file; and the
// archive of it.
func side(t *testing.T, name string, withFiles bool) []byte {
	t.Helper()
	dir := t.TempDir()
	s, err := embedded.Open(dir, embedded.Options{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	for i := range rows {
		put := store.Put{Key: store.Key{Tenant: "a", Kind: "row", ID: strconv.Itoa(i)}, Value: []byte(name)}
		if got, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{put}}); err != nil || got[0].Err != nil {
			t.Fatal(err)
		}
	}
	source := backup.Source{Side: name, Records: s}
	if withFiles {
		shelf, err := files.Open(filepath.Join(dir, files.Folder))
		if err != nil {
			t.Fatal(err)
		}
		for _, content := range []string{"label photo", ""} {
			if _, err := shelf.Put(t.Context(), "kettlewick", strings.NewReader(content), 100); err != nil {
				t.Fatal(err)
			}
		}
		source.Files = shelf
	}
	var archive bytes.Buffer
	if _, err := source.Write(t.Context(), &archive); err != nil {
		t.Fatal(err)
	}
	return archive.Bytes()
}

// holds demands a sound store whose records say what they should.
func holds(t *testing.T, dir, want string) {
	t.Helper()
	if got, err := embedded.Check(dir); err != nil || got.Records != rows {
		t.Errorf("%s: %+v, %v", dir, got, err)
	}
	s, err := embedded.Open(dir, embedded.Options{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if got, err := s.Get(t.Context(), store.Key{Tenant: "a", Kind: "row", ID: "7"}); err != nil || string(got.Value) != want {
		t.Errorf("%s: %q, %v", dir, got.Value, err)
	}
}

// nothingLeft demands that a folder holds only what is named.
func nothingLeft(t *testing.T, folder string, but ...string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil || len(entries) != len(but) {
		t.Errorf("in %s lie %v, %v; want %v", folder, entries, err, but)
	}
}

func TestASideIsRestored(t *testing.T) {
	t.Parallel()
	archive := side(t, backup.Fitment, true)
	folder := t.TempDir()
	dir := filepath.Join(folder, "deeper", "fitment")
	manifest, err := restore.Side(t.Context(), bytes.NewReader(archive), dir)
	if err != nil || manifest.Side != backup.Fitment || manifest.Files != 2 {
		t.Fatalf("%+v, %v", manifest, err)
	}
	holds(t, dir, backup.Fitment)
	shelf, err := files.Open(filepath.Join(dir, files.Folder))
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	err = shelf.Each(t.Context(), func(tenant string, file store.File) error {
		from, _, err := shelf.Open(t.Context(), tenant, file.SHA256)
		if err != nil {
			return err
		}
		content, err := io.ReadAll(from)
		found = append(found, tenant+":"+string(content))
		return errors.Join(err, from.Close())
	})
	if err != nil || len(found) != 2 || !strings.Contains(strings.Join(found, " "), "kettlewick:label photo") {
		t.Errorf("%v, %v", found, err)
	}
	if _, err := restore.Side(t.Context(), bytes.NewReader(archive), dir); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("over what is there: %v", err)
	}
	nothingLeft(t, filepath.Dir(dir), "fitment")
	empty := t.TempDir()
	if _, err := restore.Side(t.Context(), bytes.NewReader(archive), empty); err != nil {
		t.Errorf("into an empty directory: %v", err)
	}
	holds(t, empty, backup.Fitment)
}

// TestADamagedArchiveLeavesNothing changes a byte of a file, and cuts the archive.
func TestADamagedArchiveLeavesNothing(t *testing.T) {
	t.Parallel()
	whole := side(t, backup.Fitment, true)
	photo := bytes.Index(whole, []byte("label photo"))
	for name, raw := range map[string][]byte{
		"a file":   flipped(whole, photo),
		"cut":      whole[:len(whole)/2],
		"no store": []byte("text"),
	} {
		folder := t.TempDir()
		dir := filepath.Join(folder, "fitment")
		_, err := restore.Side(t.Context(), bytes.NewReader(raw), dir)
		if err == nil {
			t.Errorf("%s: restored", name)
		}
		nothingLeft(t, folder)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	folder := t.TempDir()
	if _, err := restore.Side(ended, bytes.NewReader(whole), filepath.Join(folder, "x")); !errors.Is(err, context.Canceled) {
		t.Errorf("ended: %v", err)
	}
	nothingLeft(t, folder)
}

func flipped(raw []byte, at int) []byte {
	out := bytes.Clone(raw)
	out[at] ^= 1
	return out
}

// set writes the directory of a backup.
func set(t *testing.T, change func(set *backup.Set, archives map[string][]byte)) string {
	t.Helper()
	dir := t.TempDir()
	archives := map[string][]byte{backup.Fitment: side(t, backup.Fitment, true), backup.Quote: side(t, backup.Quote, false)}
	var listed []backup.Archive
	for _, name := range backup.Order() {
		sum := sumOf(archives[name])
		listed = append(listed, backup.Archive{Side: name, SHA256: sum, Size: int64(len(archives[name]))})
	}
	s := backup.NewSet(time.Now(), listed...)
	change(&s, archives)
	raw, err := s.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	archives["set"] = raw
	for name, content := range archives {
		path := filepath.Join(dir, name+".tar")
		if name == "set" {
			path = filepath.Join(dir, backup.SetName)
		}
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestASetIsRestoredWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	dir := filepath.Join(folder, "data")
	if _, err := restore.Set(t.Context(), set(t, func(*backup.Set, map[string][]byte) {}), dir); err != nil {
		t.Fatal(err)
	}
	holds(t, filepath.Join(dir, "fitment"), backup.Fitment)
	holds(t, filepath.Join(dir, "quote"), backup.Quote)
	nothingLeft(t, folder, "data")
	for name, c := range map[string]struct {
		change func(s *backup.Set, archives map[string][]byte)
		want   error
	}{
		"another archive": {func(_ *backup.Set, a map[string][]byte) { a[backup.Quote] = flipped(a[backup.Quote], 600) }, nil},
		"sides exchanged": {func(s *backup.Set, a map[string][]byte) {
			a[backup.Quote], a[backup.Fitment] = a[backup.Fitment], a[backup.Quote]
			s.Archives[0].SHA256, s.Archives[1].SHA256 = s.Archives[1].SHA256, s.Archives[0].SHA256
		}, backup.ErrNoBackup},
		"bytes after the end": {func(_ *backup.Set, a map[string][]byte) { a[backup.Fitment] = append(a[backup.Fitment], "more"...) }, store.ErrDamaged},
		"one is missing":      {func(s *backup.Set, _ map[string][]byte) { s.Archives = s.Archives[:1] }, backup.ErrNoBackup},
	} {
		folder := t.TempDir()
		_, err := restore.Set(t.Context(), set(t, c.change), filepath.Join(folder, "data"))
		if err == nil || (c.want != nil && !errors.Is(err, c.want)) {
			t.Errorf("%s: %v", name, err)
		}
		nothingLeft(t, folder)
	}
	if _, err := restore.Set(t.Context(), t.TempDir(), filepath.Join(t.TempDir(), "data")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a directory without a set: %v", err)
	}
}

func TestArchivesAreToldFromPlainCopies(t *testing.T) {
	t.Parallel()
	archive := side(t, backup.Quote, false)
	for name, c := range map[string]struct {
		raw  []byte
		want bool
	}{"archive": {archive, true}, "copy of a file": {archive[512:], false}, "short": {[]byte("x"), false}, "nothing": {nil, false}} {
		got, from, err := restore.IsArchive(bytes.NewReader(c.raw))
		if err != nil || got != c.want {
			t.Errorf("%s: %v, %v", name, got, err)
			continue
		}
		if all, err := io.ReadAll(from); err != nil || !bytes.Equal(all, c.raw) {
			t.Errorf("%s: the reader does not begin at the beginning, %v", name, err)
		}
	}
}

func sumOf(raw []byte) string {
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:])
}
