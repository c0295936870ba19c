package e2e_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/serve"
)

// program runs a command of beltwright to its end.
func program(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("beltwright %v: %v\n%s", args, err, out)
	}
	return string(out)
}

// installation is the three servers as processes of their own.
type installation struct {
	client

	fitment, quote string // addresses
}

func installed(t *testing.T) installation {
	t.Helper()
	fitment, quote, c := apart(t)
	address := func(p *process) string { return p.awaits(`address=(127\.0\.0\.1:\d+)`)[1] }
	return installation{client: c, fitment: address(fitment), quote: address(quote)}
}

// reopened starts everything in one process on restored data.
func (i installation) reopened(data string) client {
	i.t.Helper()
	for _, side := range []string{"fitment", "quote"} {
		if out := program(i.t, "store", "check", filepath.Join(data, side)); !strings.HasPrefix(out, "sound") {
			i.t.Errorf("%s: %s", side, out)
		}
	}
	p := start(i.t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	return client{i.t, p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1], i.key}
}

// acknowledged is what the servers answered that they have done.
type acknowledged struct {
	mu       sync.Mutex
	grown    *sync.Cond
	listings []string
	photos   []string
	quotes   map[string]string // and the state that was answered last
}

// note adds something.
func (a *acknowledged) note(add func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	add()
	a.grown.Broadcast()
}

// reaches waits until at least so much of each is acknowledged, and returns a copy.
func (a *acknowledged) reaches(t *testing.T, listings, photos, quotes int) *acknowledged {
	t.Helper()
	late := time.AfterFunc(2*time.Minute, a.grown.Broadcast)
	defer late.Stop()
	began := time.Now()
	a.mu.Lock()
	defer a.mu.Unlock()
	for len(a.listings) < listings || len(a.photos) < photos || len(a.quotes) < quotes {
		if time.Since(began) > 2*time.Minute {
			t.Fatalf("the work stands still at %d of %d listings, %d of %d photos, %d of %d quotes", len(a.listings), listings, len(a.photos), photos, len(a.quotes), quotes)
		}
		a.grown.Wait()
	}
	return &acknowledged{listings: slices.Clone(a.listings), photos: slices.Clone(a.photos), quotes: maps.Clone(a.quotes)}
}

// worked lets two shops quote and decline, a yard import, and another one upload
// photos, until the returned function is called. What is refused, as by a limit on
// how much one caller may do, is tried again a little later.
func (i installation) worked() (*acknowledged, func()) {
	a := &acknowledged{quotes: map[string]string{}}
	a.grown = sync.NewCond(&a.mu)
	stop := make(chan struct{})
	var work sync.WaitGroup
	each := func(do func(n int) bool) {
		work.Go(func() {
			for n := 0; ; n++ {
				wait := time.Nanosecond
				if !do(n) {
					wait = 300 * time.Millisecond
				}
				select {
				case <-stop:
					return
				case <-time.After(wait):
				}
			}
		})
	}
	for range 2 {
		each(func(int) bool { return i.quoteAndDecline(a) })
	}
	each(func(n int) bool {
		csv := stockHeader
		for row := range 100 {
			csv += stockRow(fmt.Sprintf("D-%05d", n*100+row))
		}
		err := i.upload("/v1/listings:import", csv, func(answer object) bool {
			if name, ok := answer["name"].(string); ok {
				a.note(func() { a.listings = append(a.listings, name) })
			}
			return answer["error"] == nil
		})
		return err == nil
	})
	each(func(n int) bool {
		name, ok := i.triesPhoto(append(jpegOf(i.t, 16), fmt.Sprint(n)...))
		if ok {
			a.note(func() { a.photos = append(a.photos, name) })
		}
		return ok
	})
	return a, sync.OnceFunc(func() {
		close(stop)
		work.Wait()
	})
}

// triesPhoto uploads a picture; false where it was refused.
func (i installation) triesPhoto(content []byte) (string, bool) {
	response, err := i.raw(http.MethodPost, "/v1/attachments", "image/jpeg", bytes.NewReader(content))
	if err != nil {
		return "", false
	}
	defer func() { _ = response.Body.Close() }()
	var answer struct {
		Attachment struct {
			Name string `json:"name"`
		} `json:"attachment"`
	}
	err = json.NewDecoder(response.Body).Decode(&answer)
	return answer.Attachment.Name, err == nil && response.StatusCode == http.StatusOK
}

func (i installation) quoteAndDecline(a *acknowledged) bool {
	answer, ok := i.tries("/v1/quotes:prepare", object{"need": solane(), "currencyCode": "USD", "requestId": uuid.NewString()})
	if !ok {
		return false
	}
	quoted := name(i.t, answer)
	a.note(func() { a.quotes[quoted] = "OPEN" })
	if _, ok = i.tries("/v1/"+quoted+":decline", object{"requestId": uuid.NewString()}); ok {
		a.note(func() { a.quotes[quoted] = "DECLINED" })
	}
	return ok
}

// has demands that everything that was acknowledged is there.
func (c client) has(want *acknowledged) {
	c.t.Helper()
	for _, lack := range c.lacks(want) {
		c.t.Errorf("acknowledged before the backup: %s", lack)
	}
}

// lacks says what of that is not there.
func (c client) lacks(want *acknowledged) []string {
	c.t.Helper()
	var lacks []string
	stored := storedListings(c.t, c)
	for _, name := range want.listings {
		if !stored[name] {
			lacks = append(lacks, name+" is gone")
		}
	}
	for _, name := range want.photos {
		code, content := c.fetch(name, "")
		for code == http.StatusTooManyRequests { // so many at once is more than a caller may
			<-time.After(300 * time.Millisecond)
			code, content = c.fetch(name, "")
		}
		if code != http.StatusOK || len(content) == 0 {
			lacks = append(lacks, fmt.Sprintf("%s: %d", name, code))
		}
	}
	for name, state := range want.quotes {
		code, answer := c.do(http.MethodGet, "/v1/"+name, nil)
		if code != http.StatusOK {
			lacks = append(lacks, fmt.Sprintf("%s: %d %v", name, code, answer))
			continue
		}
		if got := at(c.t, answer, "quote", "state"); got != state && (state != "OPEN" || got != "DECLINED") {
			lacks = append(lacks, fmt.Sprintf("%s is %v, and was %s", name, got, state))
		}
	}
	return lacks
}

// dangling lists the quotes that refer to a hold that the fitment side has never
// given: it is neither the hold that is there, nor below the next one's fence.
func (c client) dangling() []string {
	c.t.Helper()
	var found []string
	fences := map[string]float64{} // the highest that each listing's holds have had
	for token := ""; ; {
		page := c.get("/v1/quotes?pageSize=1000&pageToken=" + token)
		for _, q := range list(c.t, page, "quotes") {
			listing, ok := at(c.t, q, "heldListing").(string)
			if !ok {
				continue
			}
			if _, known := fences[listing]; !known {
				fences[listing] = c.highestFence(listing)
			}
			if number(c.t, at(c.t, q, "hold", "fence")) > fences[listing] {
				found = append(found, fmt.Sprintf("%v: fence %v of %s, which has given %v", at(c.t, q, "name"), at(c.t, q, "hold", "fence"), listing, fences[listing]))
			}
		}
		if token, _ = page["nextPageToken"].(string); token == "" {
			return found
		}
	}
}

// highestFence is the highest fence that a listing has given a hold: that of the
// hold that is there, or the one below what a new one gets.
func (c client) highestFence(listing string) float64 {
	c.t.Helper()
	found := at(c.t, c.get("/v1/"+listing), "listing")
	if at(c.t, found, "state") == "HELD" {
		return number(c.t, at(c.t, found, "hold", "fence"))
	}
	held := c.post("/v1/"+listing+":hold", object{"minutes": 60, "requestId": uuid.NewString()})
	return number(c.t, at(c.t, held, "listing", "hold", "fence")) - 1
}

// number reads a 64-bit number, which JSON carries as text.
func number(t *testing.T, value any) float64 {
	t.Helper()
	var n float64
	if _, err := fmt.Sscan(fmt.Sprint(value), &n); err != nil {
		t.Fatalf("%v is no number: %v", value, err)
	}
	return n
}

// TestBackupUnderLoadIsRestoredElsewhere is the drill: back up while shops quote and
// yards import and upload, restore in another place, start there. All that was
// acknowledged before the backup began is there, the stores are sound, and no quote
// refers to a hold that the fitment side does not know.
func TestBackupUnderLoadIsRestoredElsewhere(t *testing.T) {
	t.Parallel()
	i := installed(t)
	dir := t.TempDir()
	keyFile := filepath.Join(dir, "key")
	if err := os.WriteFile(keyFile, []byte(i.key), 0o600); err != nil {
		t.Fatal(err)
	}
	done, end := i.worked()
	defer end()
	rounds := 1
	if os.Getenv("BELTWRIGHT_LONG") == "1" {
		rounds = 10
	}
	for round := range rounds {
		i.drill(t, done, keyFile, round)
	}
}

// drill backs up once while the work goes on, and restores.
func (i installation) drill(t *testing.T, done *acknowledged, keyFile string, round int) {
	t.Helper()
	dir := t.TempDir()
	taken, data := filepath.Join(dir, "taken"), filepath.Join(dir, "elsewhere", "data")
	before := done.reaches(t, 500*(round+1), 10*(round+1), 6*(round+1))
	said := program(t, "backup", "--server", i.fitment, "--quote-server", i.quote, "--key-file", keyFile, "-o", taken)
	during := done.reaches(t, len(before.listings)+1, len(before.photos)+1, len(before.quotes)+1) // the work went on
	after := done.reaches(t, len(during.listings)+300, len(during.photos)+2, len(during.quotes)+4)
	if !strings.Contains(said, "backed up to "+taken) || strings.Index(said, "quote ") > strings.Index(said, "fitment ") {
		t.Errorf("said %s", said)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
		t.Errorf("beside the backup lie %v, %v", entries, err)
	}
	program(t, "store", "restore", taken, data)
	restored := i.reopened(data)
	restored.has(before)
	// The control: of what came after the backup, some of each kind is missed.
	after.listings, after.photos = after.listings[len(during.listings):], after.photos[len(during.photos):]
	missed := strings.Join(restored.lacks(after), " ")
	for _, kind := range []string{"listings/", "attachments/", "quotes/"} {
		if !strings.Contains(missed, kind) {
			t.Errorf("the drill misses none of the %s that came after the backup: %s", kind, missed)
		}
	}
	if found := restored.dangling(); len(found) > 0 {
		t.Errorf("quotes refer to holds that the fitment side lacks: %v", found)
	}
	t.Logf("backed up with %d listings, %d photos and %d quotes acknowledged", len(before.listings), len(before.photos), len(before.quotes))
}

// TestADamagedPhotoIsNamedAndLeftOut: one photo that the disk has lost costs nobody the
// backup of the rest.
func TestADamagedPhotoIsNamedAndLeftOut(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	p, c := serveDemo(t, data)
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	whole, lost := c.photo(jpegOf(t, 16)), c.photo(jpegOf(t, 24))
	tenant, sum, _ := strings.Cut(strings.TrimPrefix(lost, "attachments/"), ".")
	if err := os.WriteFile(filepath.Join(data, "fitment", "files", "of-"+tenant, sum[:2], sum), []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	taken, restored := filepath.Join(t.TempDir(), "taken"), filepath.Join(t.TempDir(), "data")
	said := program(t, "backup", "--server", address, "--key", c.key, "-o", taken)
	p.signal(syscall.SIGTERM)
	p.exits()
	checked, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), "store", "check", filepath.Join(data, "fitment")).CombinedOutput()
	if err == nil || !strings.Contains(string(checked), tenant+"/"+sum+" is damaged") {
		t.Errorf("check: %v, %s", err, checked)
	}
	if !strings.Contains(said, tenant+"/"+sum+" is damaged") || !strings.Contains(said, "1 photo or document,") {
		t.Errorf("said %s", said)
	}
	program(t, "store", "restore", taken, restored)
	again := installation{client: c}.reopened(restored)
	if code, _ := again.fetch(whole, ""); code != http.StatusOK {
		t.Errorf("the whole one: %d", code)
	}
	if code, _ := again.fetch(lost, ""); code == http.StatusOK {
		t.Error("the damaged one is served")
	}
}

// archive writes one side's archive by its RPC alone.
func (i installation) archive(side, path string) {
	i.t.Helper()
	address := map[string]string{"fitment": i.fitment, "quote": i.quote}[side]
	conn, err := serve.Dial(address)
	if err != nil {
		i.t.Fatal(err)
	}
	file, err := os.Create(path)
	if err != nil {
		i.t.Fatal(err)
	}
	ctx := auth.WithKey(i.t.Context(), i.key)
	if side == "quote" {
		stream, openErr := quotev1.NewBackupServiceClient(conn).BackUp(ctx, &quotev1.BackUpRequest{})
		err = pieces(file, openErr, func() ([]byte, error) { m, err := stream.Recv(); return m.GetChunk(), err })
	} else {
		stream, openErr := fitmentv1.NewBackupServiceClient(conn).BackUp(ctx, &fitmentv1.BackUpRequest{})
		err = pieces(file, openErr, func() ([]byte, error) { m, err := stream.Recv(); return m.GetChunk(), err })
	}
	if err := errors.Join(err, file.Close(), conn.Close()); err != nil {
		i.t.Fatalf("back up %s: %v", side, err)
	}
}

func pieces(to io.Writer, opened error, next func() ([]byte, error)) error {
	if opened != nil {
		return opened
	}
	for {
		piece, err := next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			_, err = to.Write(piece)
		}
		if err != nil {
			return err
		}
	}
}

// TestTheOrderOfABackupMatters makes a quote between the copies of the two sides.
// With the quote side first, nothing dangles; the control, with the fitment side
// first, has a quote whose hold the fitment side has never given.
func TestTheOrderOfABackupMatters(t *testing.T) {
	t.Parallel()
	i := installed(t)
	for name, c := range map[string]struct {
		order    []string
		dangling int
	}{
		"quote first":            {[]string{"quote", "fitment"}, 0},
		"control: fitment first": {[]string{"fitment", "quote"}, 1},
	} {
		dir := t.TempDir()
		if !i.quoteAndDecline(&acknowledged{quotes: map[string]string{}, grown: sync.NewCond(&sync.Mutex{})}) {
			t.Fatal("no quote")
		}
		data := filepath.Join(dir, "data")
		i.archive(c.order[0], filepath.Join(dir, c.order[0]))
		if !i.quoteAndDecline(&acknowledged{quotes: map[string]string{}, grown: sync.NewCond(&sync.Mutex{})}) {
			t.Fatal("no quote")
		}
		i.archive(c.order[1], filepath.Join(dir, c.order[1]))
		for _, side := range c.order {
			program(t, "store", "restore", filepath.Join(dir, side), filepath.Join(data, side))
		}
		if found := i.reopened(data).dangling(); len(found) != c.dangling {
			t.Errorf("%s: %d quotes refer to holds that the fitment side lacks, want %d: %v", name, len(found), c.dangling, found)
		}
	}
}

// TestHealthCommand asks servers that serve and an address where nobody does.
func TestHealthCommand(t *testing.T) {
	t.Parallel()
	i := installed(t)
	for _, args := range [][]string{{"--server", i.fitment}, {"--server", i.quote}, {"--http", i.base}} {
		if said := program(t, append([]string{"health"}, args...)...); said != "ready\n" {
			t.Errorf("%v: %s", args, said)
		}
	}
	for _, args := range [][]string{{"--server", "127.0.0.1:1"}, {"--http", "http://127.0.0.1:1"}, {"--server", i.fitment, "--service", "no.such.Service"}, {"--http", i.base + "/v1"}} {
		args = append([]string{"health", "--timeout", "2s"}, args...)
		out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
		exit, failed := errors.AsType[*exec.ExitError](err)
		if !failed || exit.ExitCode() != 1 || !strings.Contains(string(out), "cannot serve") {
			t.Errorf("%v: %v, %s", args, err, out)
		}
	}
}

// TestOnlyAnOperatorTakesABackup: the key of another business that sits at every desk
// gets nothing, of either side, and leaves no file.
func TestOnlyAnOperatorTakesABackup(t *testing.T) {
	t.Parallel()
	i := installed(t)
	dir := t.TempDir()
	reach := []string{"--server", i.fitment, "--quote-server", i.quote, "--key"}
	program(t, append([]string{"business", "create", "every-desk", "--name", "Every desk", "--role", "yard,shop,books,admin"}, append(reach, i.key)...)...)
	made := program(t, append([]string{"keys", "create", "--business", "every-desk", "--label", "all desks", "--role", "yard,shop,books,admin"}, append(reach, i.key)...)...)
	key := regexp.MustCompile(`bw_every-desk_[A-Za-z0-9_-]+`).FindString(made)
	taken := filepath.Join(dir, "taken")
	out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), append([]string{"backup", "-o", taken}, append(reach, key)...)...).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "operator") {
		t.Errorf("%v, %s", err, out)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	for _, ask := range []func(ctx context.Context, conn *grpc.ClientConn) error{
		func(ctx context.Context, conn *grpc.ClientConn) error {
			stream, err := fitmentv1.NewBackupServiceClient(conn).BackUp(ctx, &fitmentv1.BackUpRequest{})
			return pieces(io.Discard, err, func() ([]byte, error) { m, err := stream.Recv(); return m.GetChunk(), err })
		},
		func(ctx context.Context, conn *grpc.ClientConn) error {
			stream, err := quotev1.NewBackupServiceClient(conn).BackUp(ctx, &quotev1.BackUpRequest{})
			return pieces(io.Discard, err, func() ([]byte, error) { m, err := stream.Recv(); return m.GetChunk(), err })
		},
	} {
		for _, address := range []string{i.fitment, i.quote} {
			conn, err := serve.Dial(address)
			if err != nil {
				t.Fatal(err)
			}
			if code := status.Code(ask(auth.WithKey(t.Context(), key), conn)); code != codes.PermissionDenied {
				t.Errorf("%s: %v", address, code)
			}
			if err := conn.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}
