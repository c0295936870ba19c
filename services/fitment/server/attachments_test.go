package server_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded/files"
)

// picture is a small picture as the standard library encodes it.
func picture(t *testing.T, encode func(io.Writer, image.Image) error) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := encode(&out, image.NewGray(image.Rect(0, 0, 8, 8))); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func jpegOf(w io.Writer, m image.Image) error { return jpeg.Encode(w, m, nil) }

// label is a photo of a label: a JPEG that no other test has.
func label(t *testing.T, of string) []byte {
	t.Helper()
	return append(picture(t, jpegOf), of...) // what follows a JPEG's end does not make it another type
}

// pages is a document of a size.
func pages(size int) []byte {
	out := make([]byte, size)
	_, _ = rand.NewChaCha8([32]byte{byte(size), byte(size >> 8)}).Read(out) // it never fails
	copy(out, "%PDF-1.4\n")
	return out
}

func sumOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// pieces cuts content.
func pieces(content []byte, size int) [][]byte { return slices.Collect(slices.Chunk(content, size)) }

// put uploads content in pieces.
func (f *fixture) put(t *testing.T, who string, options *fitmentv1.AttachmentOptions, parts ...[]byte) (*fitmentv1.Attachment, error) {
	t.Helper()
	stream, err := f.evidence.UploadAttachment(as(t, who))
	if err != nil {
		t.Fatal(err)
	}
	send := func(m *fitmentv1.UploadAttachmentRequest) bool {
		err := stream.Send(m)
		if err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		return err == nil
	}
	if options != nil && !send(&fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Options{Options: options}}) {
		parts = nil
	}
	for _, part := range parts {
		if !send(&fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Chunk{Chunk: part}}) {
			break
		}
	}
	answer, err := stream.CloseAndRecv()
	return answer.GetAttachment(), err
}

// photo uploads a JPEG.
func (f *fixture) photo(t *testing.T, who string, content []byte) string {
	t.Helper()
	got, err := f.put(t, who, &fitmentv1.AttachmentOptions{ContentType: "image/jpeg"}, content)
	if err != nil {
		t.Fatal(err)
	}
	return got.GetName()
}

// fetch downloads an attachment.
func (f *fixture) fetch(t *testing.T, who, name, listing string) (*fitmentv1.Attachment, []byte, error) {
	t.Helper()
	stream, err := f.evidence.DownloadAttachment(as(t, who), &fitmentv1.DownloadAttachmentRequest{Name: name, Listing: listing})
	if err != nil {
		t.Fatal(err)
	}
	var what *fitmentv1.Attachment
	var content []byte
	for {
		message, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return what, content, nil
		}
		if err != nil {
			return what, content, err
		}
		if got := message.GetAttachment(); got != nil {
			if what != nil || content != nil {
				t.Error("what is coming is said twice, or late")
			}
			what = got
		}
		content = append(content, message.GetChunk()...)
	}
}

// TestAttachmentsComeAndGo uses pictures of the standard library's encoders, and
// the signatures of the WHATWG MIME Sniffing Standard (section 6.1 for WebP, "RIFF",
// four bytes, "WEBPVP"; section 7.1 for PDF, "%PDF-").
func TestAttachmentsComeAndGo(t *testing.T) {
	t.Parallel()
	f := start(t)
	for name, c := range map[string]struct {
		kind    string
		content []byte
		piece   int
	}{
		"jpeg at once":          {"image/jpeg", picture(t, jpegOf), 1 << 17},
		"png byte by byte":      {"image/png", picture(t, png.Encode), 1},
		"webp":                  {"image/webp", []byte("RIFF\x1a\x00\x00\x00WEBPVP8L\x0d\x00\x00\x00rest"), 5},
		"pdf in small pieces":   {"application/pdf", pages(2000), 100},
		"pdf in large pieces":   {"application/pdf", pages(3_000_001), 256 << 10},
		"as large as may be":    {"application/pdf", pages(10 << 20), 256 << 10},
		"the shortest there is": {"application/pdf", []byte("%PDF-"), 5},
	} {
		options := &fitmentv1.AttachmentOptions{ContentType: c.kind, Sha256: sumOf(c.content)}
		got, err := f.put(t, northYard, options, pieces(c.content, c.piece)...)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := "attachments/north-yard." + sumOf(c.content)
		if got.GetName() != want || got.GetContentType() != c.kind || got.GetSize() != int64(len(c.content)) || !got.GetCreateTime().AsTime().Equal(f.clock.Now()) {
			t.Errorf("%s: stored %v", name, got)
		}
		what, content, err := f.fetch(t, northYard, want, "")
		if err != nil || !proto.Equal(what, got) || !bytes.Equal(content, c.content) {
			t.Errorf("%s: %v, %d of %d bytes, %v", name, what, len(content), len(c.content), err)
		}
	}
}

func TestTheSameContentIsTheSameAttachment(t *testing.T) {
	t.Parallel()
	plain := start(t)
	content := pages(1000)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.AttachmentQuota = 2500 })
	options := &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}
	first, err := f.put(t, northYard, options, content)
	if err != nil {
		t.Fatal(err)
	}
	f.clock.Advance(time.Hour)
	again, err := f.put(t, northYard, options, pieces(content, 7)...)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("first %v, again %v, %v", first, again, err)
	}
	if _, err = f.put(t, northYard, options, pages(1400)); err != nil {
		t.Errorf("1,000 and 1,400 bytes of 2,500: %v", err)
	}
	// There is no room for it now, but it is there: so says its hash.
	options.Sha256 = sumOf(content)
	if again, err = f.put(t, northYard, options, content); err != nil || !proto.Equal(first, again) {
		t.Errorf("first %v, once more %v, %v", first, again, err)
	}
	options.Sha256 = ""
	if other, err := f.put(t, "south-yard yard", options, content); err != nil || other.GetName() == first.GetName() {
		t.Errorf("another business's: %v, %v", other, err)
	}
}

func TestUploadsThatAreRefused(t *testing.T) {
	t.Parallel()
	f := start(t)
	pdf, jpg := "application/pdf", "image/jpeg"
	for name, c := range map[string]struct {
		options *fitmentv1.AttachmentOptions
		parts   [][]byte
		reason  fitmentv1.ErrorInfo_Reason
		field   string
	}{
		"no options":     {nil, [][]byte{pages(10)}, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "options"},
		"nothing at all": {nil, nil, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "options"},
		"no type":        {&fitmentv1.AttachmentOptions{}, [][]byte{pages(10)}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type"},
		"a type that is not taken": {
			&fitmentv1.AttachmentOptions{ContentType: "text/html"}, [][]byte{[]byte("<html>")}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type",
		},
		"another type":   {&fitmentv1.AttachmentOptions{ContentType: jpg}, [][]byte{pages(1000)}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type"},
		"a type in part": {&fitmentv1.AttachmentOptions{ContentType: jpg}, [][]byte{{0xff, 0xd8}}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type"},
		"a page that says it is a picture": {
			&fitmentv1.AttachmentOptions{ContentType: jpg}, [][]byte{[]byte("<script>alert(1)</script>")}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type",
		},
		"empty":         {&fitmentv1.AttachmentOptions{ContentType: pdf}, nil, fitmentv1.ErrorInfo_FIELD_INVALID, "options.content_type"},
		"no hash":       {&fitmentv1.AttachmentOptions{ContentType: pdf, Sha256: strings.Repeat("A", 64)}, [][]byte{pages(10)}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.sha256"},
		"another hash":  {&fitmentv1.AttachmentOptions{ContentType: pdf, Sha256: strings.Repeat("a", 64)}, [][]byte{pages(10)}, fitmentv1.ErrorInfo_FIELD_INVALID, "options.sha256"},
		"a large piece": {&fitmentv1.AttachmentOptions{ContentType: pdf}, [][]byte{pages(256<<10 + 1)}, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, "chunk"},
		"too large":     {&fitmentv1.AttachmentOptions{ContentType: pdf}, pieces(pages(10<<20+1), 256<<10), fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, "chunk"},
	} {
		_, err := f.put(t, northYard, c.options, c.parts...)
		wantReason(t, err, c.reason)
		if status.Code(err) != codes.InvalidArgument || !slices.Equal(fieldsOf(err), []string{c.field}) {
			t.Errorf("%s: %v", name, err)
		}
		if content := slices.Concat(c.parts...); len(content) > 0 {
			if _, _, err := f.files.Open(t.Context(), "north-yard", sumOf(content)); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("%s: it is stored all the same (%v)", name, err)
			}
		}
	}
	records, err := f.store.List(t.Context(), "north-yard", "attachment", "", 10)
	if err != nil || len(records) > 0 {
		t.Errorf("%d attachments are noted, %v", len(records), err)
	}
}

// TestOptionsComeOnce sends a second options message behind the first piece.
func TestOptionsComeOnce(t *testing.T) {
	t.Parallel()
	f := start(t)
	stream, err := f.evidence.UploadAttachment(as(t, northYard))
	if err != nil {
		t.Fatal(err)
	}
	options := &fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Options{Options: &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}}}
	chunk := &fitmentv1.UploadAttachmentRequest{Content: &fitmentv1.UploadAttachmentRequest_Chunk{Chunk: pages(1000)}}
	for _, m := range []*fitmentv1.UploadAttachmentRequest{options, chunk, options} {
		if err := stream.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	_, err = stream.CloseAndRecv()
	wantReason(t, err, fitmentv1.ErrorInfo_MALFORMED_REQUEST)
}

func TestABusinessHasItsQuota(t *testing.T) {
	t.Parallel()
	plain := start(t)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.AttachmentQuota = 5000 })
	options := &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}
	if _, err := f.put(t, northYard, options, pages(3000)); err != nil {
		t.Fatal(err)
	}
	_, err := f.put(t, northYard, options, pages(2001))
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if _, _, err := f.files.Open(t.Context(), "north-yard", sumOf(pages(2001))); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("what is over the quota is stored: %v", err)
	}
	if _, err := f.put(t, "south-yard yard", options, pages(2001)); err != nil {
		t.Errorf("another business: %v", err)
	}
	if _, err := f.put(t, northYard, options, pages(2000)); err != nil {
		t.Errorf("up to the quota: %v", err)
	}
	_, err = f.put(t, northYard, options, pages(6))
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("code %s", status.Code(err))
	}
	if _, err := server.New(server.Options{Store: f.store, Files: f.files, AttachmentQuota: -1}); err == nil {
		t.Error("a quota below 0 was taken")
	}
	if _, err := server.New(server.Options{Store: f.store}); err == nil {
		t.Error("a server without files was made")
	}
}

// TestTheQuotaIsExactUnderConcurrency: of many uploads at once no more are noted
// than there is room for.
func TestTheQuotaIsExactUnderConcurrency(t *testing.T) {
	t.Parallel()
	plain := start(t)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.AttachmentQuota = 3000 })
	noted := make(chan int64, 4)
	for i := range 4 {
		go func() {
			got, err := f.put(t, northYard, &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}, pages(1000+i))
			if err != nil && status.Code(err) != codes.ResourceExhausted {
				t.Error(err)
			}
			noted <- got.GetSize()
		}()
	}
	var total int64
	for range 4 {
		total += <-noted
	}
	if total < 2000 || total > 3000 {
		t.Errorf("%d bytes of 3,000 were noted", total)
	}
}

// TestABusinessUploadsSoManyAtATime opens as many uploads as one may, and one more.
func TestABusinessUploadsSoManyAtATime(t *testing.T) {
	t.Parallel()
	f := start(t)
	ctx, cancel := context.WithCancel(as(t, northYard))
	defer cancel()
	// An upload that is let in waits for more; one that is not is answered. Which of
	// them come first is the server's to say.
	answered := make(chan error, server.MaxUploads+1)
	for range server.MaxUploads + 1 {
		stream, err := f.evidence.UploadAttachment(ctx)
		if err != nil {
			t.Fatal(err)
		}
		go func() { answered <- stream.RecvMsg(&fitmentv1.UploadAttachmentResponse{}) }()
	}
	wantReason(t, <-answered, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if len(answered) > 0 {
		t.Errorf("more than one was refused: %v", <-answered)
	}
	if _, err := f.put(t, "south-yard yard", &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}, pages(10)); err != nil {
		t.Errorf("another business: %v", err)
	}
}

// TestATornUploadLeavesNothing ends the stream in the middle.
func TestATornUploadLeavesNothing(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "files")
	shelf, err := files.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	plain := start(t)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.Files = shelf })
	ctx, cancel := context.WithCancel(as(t, northYard))
	stream, err := f.evidence.UploadAttachment(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []*fitmentv1.UploadAttachmentRequest{
		{Content: &fitmentv1.UploadAttachmentRequest_Options{Options: &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}}},
		{Content: &fitmentv1.UploadAttachmentRequest_Chunk{Chunk: pages(100_000)}},
	} {
		if err := stream.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	comes(t, "the unfinished file", func() bool { return len(filesUnder(t, dir)) == 1 })
	cancel()
	comes(t, "the end of the unfinished file", func() bool { return len(filesUnder(t, dir)) == 0 })
	if records, err := f.store.List(t.Context(), "north-yard", "attachment", "", 10); err != nil || len(records) > 0 {
		t.Errorf("%d attachments are noted, %v", len(records), err)
	}
}

// comes waits for something that comes soon.
func comes(t *testing.T, what string, there func() bool) {
	t.Helper()
	tick, late := time.NewTicker(time.Millisecond), time.After(20*time.Second)
	defer tick.Stop()
	for !there() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("%s did not come", what)
		}
	}
}

func filesUnder(t *testing.T, dir string) []string {
	t.Helper()
	var found []string
	err := filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		if errors.Is(err, os.ErrNotExist) {
			return nil // it has gone just now
		}
		if err == nil && !entry.IsDir() {
			found = append(found, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// showing lists a part of the north yard's whose statements name attachments: one
// of the label, one of the VIN plate.
func (f *fixture) showing(t *testing.T, stock, ofLabel, ofVIN string) string {
	t.Helper()
	l := plain(stock)
	l.Evidence = []*fitmentv1.Evidence{
		{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "K-1", Level: fitmentv1.Evidence_SHOWN, By: "north-yard", How: "label photo", Attachments: []string{ofLabel}},
		{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: "1G4AH59H45G118341", Level: fitmentv1.Evidence_SHOWN, By: "north-yard", How: "plate photo", Attachments: []string{ofVIN}},
	}
	return f.create(t, northYard, l).GetListing().GetName()
}

func TestWhoMayReadAnAttachment(t *testing.T) {
	t.Parallel()
	f := start(t)
	ofLabel, ofVIN, unseen := f.photo(t, northYard, label(t, "a label")), f.photo(t, northYard, label(t, "a plate")), f.photo(t, northYard, label(t, "unseen"))
	shown := f.showing(t, "shown", ofLabel, ofVIN)
	other := f.create(t, northYard, plain("other")).GetListing().GetName()
	none, hidden, gone := fitmentv1.ErrorInfo_REASON_UNSPECIFIED, fitmentv1.ErrorInfo_PERMISSION_MISSING, fitmentv1.ErrorInfo_NOT_FOUND
	demand := func(when string, cases map[string]fitmentv1.ErrorInfo_Reason) {
		t.Helper()
		for key, want := range cases {
			who, rest, _ := strings.Cut(key, ": ")
			name, listing, _ := strings.Cut(rest, " in ")
			name = map[string]string{"label": ofLabel, "plate": ofVIN, "unseen": unseen}[name]
			listing = map[string]string{"": "", "shown": shown, "other": other, "missing": "listings/north-yard.missing"}[listing]
			_, content, err := f.fetch(t, who, name, listing)
			t.Logf("%s, %s", when, key)
			wantReason(t, err, want)
			if (err == nil) != (len(content) > 0) {
				t.Errorf("%s: %d bytes and %v", key, len(content), err)
			}
		}
	}
	demand("on sale", map[string]fitmentv1.ErrorInfo_Reason{
		northYard + ": label": none, northYard + ": plate": none, northYard + ": unseen": none, northYard + ": plate in other": none,
		// The operator is a stranger here: what photos show is no business of his.
		admin + ": label": gone, admin + ": plate": gone, admin + ": unseen": gone, admin + ": label in shown": none, admin + ": plate in shown": hidden,
		shopA + ": label": gone, shopA + ": label in shown": none, shopA + ": label in other": gone, shopA + ": label in missing": gone,
		shopA + ": plate": gone, shopA + ": plate in shown": hidden, shopA + ": plate in other": gone,
		shopA + ": unseen": gone, shopA + ": unseen in shown": gone,
		"south-yard yard: label": gone, "south-yard yard: label in shown": none, "south-yard yard: plate in shown": hidden,
	})
	f.hold(t, shopA, shown, 60)
	demand("held by A", map[string]fitmentv1.ErrorInfo_Reason{
		shopA + ": plate in shown": none, shopA + ": plate": gone, shopA + ": unseen in shown": gone, shopB + ": plate in shown": hidden, shopB + ": label in shown": none,
	})
	f.clock.Advance(time.Hour)
	demand("after the hold", map[string]fitmentv1.ErrorInfo_Reason{shopA + ": plate in shown": hidden})

	_, _, err := f.fetch(t, shopA, "attachments/north-yard."+strings.Repeat("0", 64), "")
	wantReason(t, err, gone)
	_, _, err = f.fetch(t, northYard, "attachments/north-yard."+strings.Repeat("0", 64), "")
	wantReason(t, err, gone)
	_, _, err = f.fetch(t, shopA, "attachments/north-yard.x", "listings/x")
	if got := fieldsOf(err); !slices.Equal(got, []string{"listing", "name"}) {
		t.Errorf("fields %v", got)
	}
	stranger, err := f.evidence.DownloadAttachment(metadata.NewOutgoingContext(t.Context(), nil), &fitmentv1.DownloadAttachmentRequest{Name: ofLabel, Listing: shown})
	if err != nil {
		t.Fatal(err)
	}
	_, err = stranger.Recv()
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestEvidenceNamesAttachmentsThatExist(t *testing.T) {
	t.Parallel()
	f := start(t)
	own, others, office := f.photo(t, northYard, label(t, "own")), f.photo(t, "south-yard yard", label(t, "others")), f.photo(t, admin, label(t, "office"))
	missing := "attachments/north-yard." + strings.Repeat("0", 64)
	naming := func(stock string, names ...string) *fitmentv1.Listing {
		l := plain(stock)
		l.Evidence = []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no"},
			{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "K-1", Level: fitmentv1.Evidence_SHOWN, How: "label photo", Attachments: names},
		}
		return l
	}
	nine := make([]string, 9)
	for i := range nine {
		nine[i] = fmt.Sprintf("attachments/north-yard.%064d", i)
	}
	for name, c := range map[string]struct {
		names  []string
		fields []string
	}{
		"missing":        {[]string{own, missing}, []string{"listing.evidence[1].attachments[1]"}},
		"another's":      {[]string{others}, []string{"listing.evidence[1].attachments[0]"}},
		"the office's":   {[]string{office}, []string{"listing.evidence[1].attachments[0]"}},
		"no name":        {[]string{"photo.jpg", own[:len(own)-1], strings.ToUpper(own)}, []string{"listing.evidence[1].attachments[0]", "listing.evidence[1].attachments[1]", "listing.evidence[1].attachments[2]"}},
		"twice":          {[]string{own, own}, []string{"listing.evidence[1].attachments[1]"}},
		"more than many": {nine, []string{"listing.evidence[1].attachments"}},
	} {
		_, err := f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{Listing: naming("1", c.names...), RequestId: newID()})
		if got := fieldsOf(err); !slices.Equal(got, c.fields) {
			t.Errorf("%s: fields %v, %v", name, got, err)
		}
	}
	l := f.create(t, northYard, naming("1", own)).GetListing()
	update := func(who string, l *fitmentv1.Listing) (*fitmentv1.Listing, error) {
		got, err := f.listings.UpdateListing(as(t, who), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()})
		return got.GetListing(), err
	}
	l.Evidence[1].Attachments = []string{own, missing}
	if _, err := update(northYard, l); !slices.Equal(fieldsOf(err), []string{"listing.evidence[1].attachments[1]"}) {
		t.Errorf("update: %v", err)
	}
	// What the office has shown for the yard, the yard may leave there.
	l.Evidence[1].Attachments = []string{own, office}
	if _, err := update(admin, l); err != nil {
		t.Fatal(err)
	}
	now, err := f.listings.GetListing(as(t, northYard), &fitmentv1.GetListingRequest{Name: l.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	l = now.GetListing() // the office was answered without the donor's VIN
	l.Note = "with the office's photo"
	if _, err := update(northYard, l); err != nil {
		t.Errorf("the yard's update: %v", err)
	}
	// A file knows of no attachments, and takes none back.
	header, row, _ := strings.Cut(csv(t, "listings.csv"), "\n")
	row, _, _ = strings.Cut(row, "\n")
	row = "1" + strings.TrimPrefix(row, "fits-1")
	for i, want := range []fitmentv1.RowResult_Outcome{fitmentv1.RowResult_UPDATED, fitmentv1.RowResult_UNCHANGED} {
		got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, header+"\n"+row+"\n")
		if err != nil || len(got.rows) != 1 || got.rows[0].GetOutcome() != want {
			t.Fatalf("import %d: %v, %v", i, got.rows, err)
		}
		after := f.get(t, northYard, l.GetName()).GetEvidence()
		if last := after[len(after)-1]; len(after) < 10 || !slices.Equal(last.GetAttachments(), []string{own, office}) {
			t.Errorf("after the import: %v", after)
		}
	}
}

func TestDamagedContentIsNotServed(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "files")
	shelf, err := files.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	plain := start(t)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.Files = shelf })
	content := pages(200_000)
	options := &fitmentv1.AttachmentOptions{ContentType: "application/pdf"}
	got, err := f.put(t, northYard, options, pieces(content, 100_000)...)
	if err != nil {
		t.Fatal(err)
	}
	stored := filesUnder(t, dir)
	for name, damage := range map[string]func() error{
		"changed": func() error {
			changed := bytes.Clone(content)
			changed[150_000] ^= 1
			return os.WriteFile(stored[0], changed, 0o600)
		},
		"cut":  func() error { return os.Truncate(stored[0], 100) },
		"gone": func() error { return os.Remove(stored[0]) },
	} {
		if err := damage(); err != nil {
			t.Fatal(err)
		}
		_, sent, err := f.fetch(t, northYard, got.GetName(), "")
		if status.Code(err) != codes.DataLoss || len(sent) >= len(content) {
			t.Errorf("%s: %d bytes, then %v", name, len(sent), err)
		}
		wantReason(t, err, fitmentv1.ErrorInfo_INTERNAL)
		if _, err := f.put(t, northYard, options, pieces(content, 100_000)...); err != nil {
			t.Fatal(err)
		}
		if _, sent, err = f.fetch(t, northYard, got.GetName(), ""); err != nil || !bytes.Equal(sent, content) {
			t.Errorf("%s, uploaded again: %d bytes, %v", name, len(sent), err)
		}
	}
}
