package backup_test

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/backup"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded/files"
)

// copies is a store whose copy is a text.
type copies struct {
	text string
	err  error
	// taken, where set, is called once the copy is taken.
	taken func()
}

func (c copies) BackUp(context.Context) (store.Snapshot, error) {
	if c.err != nil {
		return store.Snapshot{}, c.err
	}
	if c.taken != nil {
		c.taken()
	}
	return store.Snapshot{
		Place: store.Place{Epoch: "epoch", Version: 42}, Size: int64(len(c.text)), Content: io.NopCloser(strings.NewReader(c.text)),
	}, nil
}

// kept is a Target that keeps everything.
type kept struct {
	records string
	files   map[string]string
}

func (k *kept) Records(from io.Reader) error {
	raw, err := io.ReadAll(from)
	k.records = string(raw)
	return err
}

func (k *kept) File(tenant, sum string, size int64, from io.Reader) error {
	raw, err := io.ReadAll(from)
	if err == nil && int64(len(raw)) != size {
		err = fmt.Errorf("%d bytes came, %d were announced", len(raw), size)
	}
	if k.files == nil {
		k.files = map[string]string{}
	}
	k.files[tenant+"/"+sum] = string(raw)
	return err
}

func shelf(t *testing.T) (*files.Files, string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "files")
	f, err := files.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return f, dir
}

func put(t *testing.T, f store.Files, tenant, content string) string {
	t.Helper()
	file, err := f.Put(t.Context(), tenant, strings.NewReader(content), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	return tenant + "/" + file.SHA256
}

func hashOf(raw []byte) [sha256.Size]byte { return sha256.Sum256(raw) }

func TestWhatIsWrittenIsRead(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		f, _ := shelf(t)
		want := &kept{records: rapid.String().Draw(r, "records")}
		for _, content := range rapid.SliceOfNDistinct(rapid.String(), 0, 4, rapid.ID[string]).Draw(r, "files") {
			if want.files == nil {
				want.files = map[string]string{}
			}
			want.files[put(t, f, rapid.SampledFrom([]string{"a", "a-b", "kettlewick"}).Draw(r, "tenant"), content)] = content
		}
		source := backup.Source{Side: backup.Fitment, Records: copies{text: want.records}, Files: f}
		var archive, again bytes.Buffer
		summary, err := source.Write(t.Context(), &archive)
		if err != nil {
			r.Fatal(err)
		}
		if summary.SHA256 != hashOf(archive.Bytes()) || summary.Size != int64(archive.Len()) || summary.Files != int64(len(want.files)) {
			r.Fatalf("%d bytes and %d files are summed up as %+v", archive.Len(), len(want.files), summary)
		}
		got := &kept{}
		manifest, err := backup.Read(bytes.NewReader(archive.Bytes()), got)
		if err != nil {
			r.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(kept{})); diff != "" || !cmp.Equal(manifest, summary.Manifest) {
			r.Fatalf("%+v, want %+v\n%s", manifest, summary.Manifest, diff)
		}
		if _, err := source.Write(t.Context(), &again); err != nil || !bytes.Equal(again.Bytes(), archive.Bytes()) {
			r.Fatalf("the same store gives another archive, %v", err)
		}
	})
}

// listedBefore is a shelf that was listed once, too early.
type listedBefore struct {
	*files.Files

	list []func(do func(string, store.File) error) error
}

func listNow(t *testing.T, f *files.Files) listedBefore {
	t.Helper()
	l := listedBefore{Files: f}
	err := f.Each(t.Context(), func(tenant string, file store.File) error {
		l.list = append(l.list, func(do func(string, store.File) error) error { return do(tenant, file) })
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func (l listedBefore) Each(_ context.Context, do func(tenant string, file store.File) error) error {
	for _, one := range l.list {
		if err := one(do); err != nil {
			return err
		}
	}
	return nil
}

// TestAFileThatTheRecordsNameIsThere is the promise on the order. A file is put
// before its record, so one that the copy of the records names was put before the
// copy was done. The control lists the files before the records are copied.
func TestAFileThatTheRecordsNameIsThere(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		shelf func(t *testing.T, f *files.Files) backup.Shelf
		want  string
	}{
		"records first": {func(_ *testing.T, f *files.Files) backup.Shelf { return f }, "label"},
		"control":       {func(t *testing.T, f *files.Files) backup.Shelf { t.Helper(); return listNow(t, f) }, ""},
	} {
		f, _ := shelf(t)
		var named string
		source := backup.Source{Side: backup.Fitment, Files: c.shelf(t, f), Records: copies{taken: func() { named = put(t, f, "kettlewick", "label") }}}
		var archive bytes.Buffer
		if _, err := source.Write(t.Context(), &archive); err != nil {
			t.Fatal(err)
		}
		got := &kept{}
		if _, err := backup.Read(&archive, got); err != nil || got.files[named] != c.want {
			t.Errorf("%s: %q, %v", name, got.files, err)
		}
	}
}

func TestDamagedFilesAreLeftOutAndNamed(t *testing.T) {
	t.Parallel()
	f, dir := shelf(t)
	whole, broken := put(t, f, "a", "whole"), put(t, f, "b", "broken")
	tenant, sum, _ := strings.Cut(broken, "/")
	writeOver(t, filepath.Join(dir, "of-"+tenant, sum[:2], sum), "brokem")
	var archive bytes.Buffer
	summary, err := backup.Source{Side: backup.Fitment, Records: copies{text: "r"}, Files: f}.Write(t.Context(), &archive)
	if err != nil || !slices.Equal(summary.Damaged, []string{broken}) || summary.Files != 1 {
		t.Errorf("%+v, %v", summary, err)
	}
	got := &kept{}
	manifest, err := backup.Read(&archive, got)
	if err != nil || !slices.Equal(manifest.Damaged, []string{broken}) || len(got.files) != 1 || got.files[whole] != "whole" {
		t.Errorf("%+v, %q, %v", manifest, got.files, err)
	}
}

// written is an archive with two files.
func written(t *testing.T) []byte {
	t.Helper()
	f, _ := shelf(t)
	put(t, f, "a", "one")
	put(t, f, "b", "two")
	var archive bytes.Buffer
	if _, err := (backup.Source{Side: backup.Fitment, Records: copies{text: "records"}, Files: f}).Write(t.Context(), &archive); err != nil {
		t.Fatal(err)
	}
	return archive.Bytes()
}

// TestNoPartOfAnArchiveIsABackup cuts an archive at every place up to the end of
// its manifest.
func TestNoPartOfAnArchiveIsABackup(t *testing.T) {
	t.Parallel()
	whole := written(t)
	if _, err := backup.Read(bytes.NewReader(whole), &kept{}); err != nil {
		t.Fatal(err)
	}
	end := bytes.LastIndexByte(whole, '}') + 1
	for n := range end {
		if _, err := backup.Read(bytes.NewReader(whole[:n]), &kept{}); !errors.Is(err, backup.ErrNoBackup) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatalf("the first %d of %d bytes: %v", n, len(whole), err)
		}
	}
}

// parts is a member of a made-up archive.
type part struct {
	name, content string
	kind          byte
}

func tarOf(t *testing.T, parts ...part) []byte {
	t.Helper()
	var raw bytes.Buffer
	w := tar.NewWriter(&raw)
	for _, p := range parts {
		kind := p.kind
		if kind == 0 {
			kind = tar.TypeReg
		}
		if err := w.WriteHeader(&tar.Header{Name: p.name, Size: int64(len(p.content)), Typeflag: kind, Mode: 0o600}); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, p.content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return raw.Bytes()
}

func manifest(t *testing.T, change func(m *backup.Manifest)) part {
	t.Helper()
	m := backup.Manifest{Form: 1, Side: backup.Quote, Revision: "pAAAAAAAAACplcG9jaA"}
	change(&m)
	raw, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return part{name: "manifest.json", content: string(raw)}
}

func TestWhatIsNoBackupIsRefused(t *testing.T) {
	t.Parallel()
	same := func(*backup.Manifest) {}
	records := part{name: "store.db", content: "r"}
	sum := hex.EncodeToString(make([]byte, 32))
	file := func(name string) part { return part{name: name, content: "f"} }
	one := manifest(t, func(m *backup.Manifest) { m.Files = 1 })
	if _, err := backup.Read(bytes.NewReader(tarOf(t, records, file("files/a/"+sum), one)), &kept{}); err != nil {
		t.Fatalf("a good one: %v", err)
	}
	for name, raw := range map[string][]byte{
		"nothing":             nil,
		"text":                []byte(strings.Repeat("this is no backup\n", 100)),
		"no records":          tarOf(t, file("files/a/"+sum), one),
		"no manifest":         tarOf(t, records),
		"records twice":       tarOf(t, records, records, manifest(t, same)),
		"a folder":            tarOf(t, records, part{name: "files/", kind: tar.TypeDir}, manifest(t, same)),
		"a link":              tarOf(t, part{name: "store.db", kind: tar.TypeSymlink}, manifest(t, same)),
		"way out":             tarOf(t, records, file("files/../../etc/passwd"), one),
		"way out by tenant":   tarOf(t, records, file("files/../"+sum), one),
		"absolute":            tarOf(t, records, file("/files/a/"+sum), one),
		"capital hash":        tarOf(t, records, file("files/a/"+strings.Repeat("A", 64)), one),
		"short hash":          tarOf(t, records, file("files/a/"+sum[:62]), one),
		"the same file twice": tarOf(t, records, file("files/a/"+sum), file("files/a/"+sum), manifest(t, func(m *backup.Manifest) { m.Files = 2 })),
		"out of order":        tarOf(t, records, file("files/b/"+sum), file("files/a/"+sum), manifest(t, func(m *backup.Manifest) { m.Files = 2 })),
		"a file is missing":   tarOf(t, records, one),
		"a file too many":     tarOf(t, records, file("files/a/"+sum), manifest(t, same)),
		"more follows":        tarOf(t, records, manifest(t, same), file("files/a/"+sum)),
		"no form":             tarOf(t, records, manifest(t, func(m *backup.Manifest) { m.Form = 0 })),
		"no side":             tarOf(t, records, manifest(t, func(m *backup.Manifest) { m.Side = "" })),
		"no revision":         tarOf(t, records, manifest(t, func(m *backup.Manifest) { m.Revision = "x" })),
		"manifest is no JSON": tarOf(t, records, part{name: "manifest.json", content: "{"}),
	} {
		if _, err := backup.Read(bytes.NewReader(raw), &kept{}); !errors.Is(err, backup.ErrNoBackup) {
			t.Errorf("%s: %v", name, err)
		}
	}
	later := tarOf(t, records, manifest(t, func(m *backup.Manifest) { m.Form = 2 }))
	if _, err := backup.Read(bytes.NewReader(later), &kept{}); !errors.Is(err, store.ErrNewer) {
		t.Errorf("of a later release: %v", err)
	}
}

func TestSets(t *testing.T) {
	t.Parallel()
	sum := strings.Repeat("0", 64)
	quote, fitment := backup.Archive{Side: backup.Quote, SHA256: sum, Size: 1}, backup.Archive{Side: backup.Fitment, SHA256: sum, Size: 2, Files: 3}
	taken := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	want := backup.NewSet(taken, quote, fitment)
	raw, err := want.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := backup.ParseSet(raw); err != nil || !cmp.Equal(got, want) {
		t.Errorf("%+v, %v", got, err)
	}
	short := quote
	short.SHA256 = "00"
	for name, set := range map[string]backup.Set{
		"one side":    backup.NewSet(taken, quote),
		"wrong order": backup.NewSet(taken, fitment, quote),
		"one twice":   backup.NewSet(taken, quote, quote),
		"a bad hash":  backup.NewSet(taken, short, fitment),
		"no form":     {Archives: want.Archives},
	} {
		raw, err := set.Bytes()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := backup.ParseSet(raw); !errors.Is(err, backup.ErrNoBackup) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := backup.ParseSet([]byte(`{"form":2}`)); !errors.Is(err, store.ErrNewer) {
		t.Errorf("of a later release: %v", err)
	}
}

func asRole(t *testing.T, roles ...identity.Role) context.Context {
	t.Helper()
	return identity.NewContext(t.Context(), identity.Principal{Tenant: "operator", Roles: roles})
}

func TestOnlyAnOperatorBacksUpAndOneAtATime(t *testing.T) {
	t.Parallel()
	var desk *backup.Desk
	text := strings.Repeat("0123456789", 100_000)
	var second error
	desk = backup.NewDesk(backup.Source{Side: backup.Quote, Records: copies{text: text, taken: func() {
		_, second = desk.BackUp(asRole(t, identity.Operator), func([]byte) error { return nil })
	}}}, slog.New(slog.DiscardHandler))
	var archive bytes.Buffer
	send := func(piece []byte) error {
		if len(piece) > backup.Piece {
			t.Errorf("a piece of %d bytes", len(piece))
		}
		_, err := archive.Write(piece)
		return err
	}
	for _, roles := range [][]identity.Role{nil, {identity.Admin, identity.Yard, identity.Shop, identity.Books}} {
		if _, err := desk.BackUp(asRole(t, roles...), send); status.Code(err) != codes.PermissionDenied || archive.Len() > 0 {
			t.Errorf("%v: %v, %d bytes", roles, err, archive.Len())
		}
	}
	if _, err := desk.BackUp(t.Context(), send); status.Code(err) != codes.PermissionDenied || archive.Len() > 0 {
		t.Errorf("nobody: %v, %d bytes", err, archive.Len())
	}
	for range 2 { // the desk is free again afterwards
		archive.Reset()
		summary, err := desk.BackUp(asRole(t, identity.Operator), send)
		if err != nil || summary.SHA256 != hashOf(archive.Bytes()) || archive.Len() < len(text) {
			t.Errorf("%v, %d bytes, %+v", err, archive.Len(), summary)
		}
		if status.Code(second) != codes.ResourceExhausted || apierr.ReasonOf(second) != fitmentv1.ErrorInfo_LIMIT_REACHED {
			t.Errorf("a second at the same time: %v", second)
		}
	}
}

func TestABackupThatFailsSaysSo(t *testing.T) {
	t.Parallel()
	gone := errors.New("the caller is gone")
	ended, cancel := context.WithCancel(asRole(t, identity.Operator))
	cancel()
	for name, c := range map[string]struct {
		ctx    context.Context //nolint:containedctx // a case
		source copies
		send   func([]byte) error
		code   codes.Code
	}{
		"closed":  {asRole(t, identity.Operator), copies{err: store.ErrClosed}, nil, codes.Unavailable},
		"broken":  {asRole(t, identity.Operator), copies{err: store.ErrBroken}, nil, codes.Unavailable},
		"disk":    {asRole(t, identity.Operator), copies{err: errors.New("no space left in /srv/data")}, nil, codes.Internal},
		"sending": {asRole(t, identity.Operator), copies{}, func([]byte) error { return gone }, codes.Internal},
		"ended":   {ended, copies{}, nil, codes.Canceled},
	} {
		send := c.send
		if send == nil {
			send = func([]byte) error { return nil }
		}
		_, err := backup.NewDesk(backup.Source{Side: backup.Quote, Records: c.source}, slog.New(slog.DiscardHandler)).BackUp(c.ctx, send)
		if status.Code(err) != c.code || apierr.ReasonOf(err) == fitmentv1.ErrorInfo_REASON_UNSPECIFIED || strings.Contains(err.Error(), "/srv") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
