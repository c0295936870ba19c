package e2e_test

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	"beltwright.example/gateway/guard"
	"beltwright.example/gateway/rest"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/platform/serve"
	quoteapp "beltwright.example/services/quote/app"
	"beltwright.example/services/store/embedded"
)

// firstData unpacks the data that the first build wrote and returns the directory
// and the key.
func firstData(t *testing.T) (dir, key string) {
	t.Helper()
	dir = t.TempDir()
	packed, err := os.Open("testdata/first/data.tar.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer packed.Close() //nolint:errcheck // only read
	plain, err := gzip.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	for files := tar.NewReader(plain); ; {
		header, err := files.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		unpack(t, files, filepath.Join(dir, filepath.Clean(header.Name)), header)
	}
	raw, err := os.ReadFile(filepath.Join(dir, "demo.key"))
	if err != nil {
		t.Fatal(err)
	}
	return dir, strings.TrimSpace(string(raw))
}

func unpack(t *testing.T, from io.Reader, path string, header *tar.Header) {
	t.Helper()
	if header.Typeflag == tar.TypeDir {
		if err := os.MkdirAll(path, 0o700); err != nil {
			t.Fatal(err)
		}
		return
	}
	file, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_EXCL, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.CopyN(file, from, header.Size)
	if err := errors.Join(err, file.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestDataOfTheFirstBuildIsServed starts the built program on it, today.
func TestDataOfTheFirstBuildIsServed(t *testing.T) {
	t.Parallel()
	data, key := firstData(t)
	p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	c := client{t, p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1], key}
	donors := c.post("/v1/fitment:findDonors", object{"need": solane(), "includeUnsuitable": true})
	verdicts := map[any]any{}
	for _, donor := range list(t, donors, "donors") {
		verdicts[at(t, donor, "listing", "name")] = at(t, donor, "decision", "verdict")
	}
	// It had deployed then, and has today; the other one lacks what is asked for since.
	if verdicts["listings/saltmarrow.SOLANE-6"] != "BARRED" || verdicts["listings/kettlewick.KE-0001"] != "PROVE_FIRST" {
		t.Errorf("verdicts on the first build's listings: %v", verdicts)
	}
	if sold := c.get("/v1/listings/osprey-hollow.SOLANE-3"); at(t, sold, "listing", "state") != "SOLD" {
		t.Errorf("what was sold is %v", at(t, sold, "listing", "state"))
	}
	if outcomes := list(t, c.get("/v1/outcomes?pageSize=1000"), "outcomes"); !slices.ContainsFunc(outcomes, func(o any) bool {
		return at(t, o, "quote") == "quotes/Q-2026-000001" && at(t, o, "result") == "PASSED"
	}) {
		t.Error("the outcome of the first quote is gone")
	}
	quotes := list(t, c.get("/v1/quotes"), "quotes")
	if len(quotes) != 6 {
		t.Fatalf("%d quotes", len(quotes))
	}
	for i, want := range map[int]string{0: "ACCEPTED", 3: "DECLINED", 4: "ACCEPTED"} {
		if got := at(t, quotes[i], "state"); got != want {
			t.Errorf("quote %d is %v, want %s", i+1, got, want)
		}
	}
	booksOnTheCommandLine(t, c, p)
	p.signal(syscall.SIGTERM)
	if code := p.exits(); code != 0 {
		t.Errorf("exit code %d", code)
	}
	for _, side := range []string{"fitment", "quote"} {
		if got, err := embedded.Check(filepath.Join(data, side)); err != nil || got.Records == 0 {
			t.Errorf("%s after this build: %+v, %v", side, got, err)
		}
	}
}

// TestQuotesOfTheFirstBuildLiveOn goes on with them two hours after they were
// made: what that build began, this one completes, by today's rules.
func TestQuotesOfTheFirstBuildLiveOn(t *testing.T) {
	t.Parallel()
	data, key := firstData(t)
	c := serveAt(t, data, key, time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC))
	quoteOf := func(n int) object { return c.get(fmt.Sprintf("/v1/quotes/Q-2026-%06d", n)) }
	for n, want := range map[int]string{1: "ACCEPTED", 2: "OPEN", 3: "EXPIRED", 4: "DECLINED", 5: "ACCEPTED", 6: "OPEN"} {
		if got := at(t, quoteOf(n), "quote", "state"); got != want {
			t.Errorf("quote %d is %v, want %s", n, got, want)
		}
	}
	accept := func(n int) (int, object) {
		return c.do(http.MethodPost, fmt.Sprintf("/v1/quotes/Q-2026-%06d:accept", n), object{"requestId": uuid.NewString()})
	}
	// The rules have become stricter: they ask for evidence of damage, which that
	// build's listings do not have. The gate is today's.
	if code, answer := accept(2); code != http.StatusBadRequest || reason(t, answer) != "GATE_SHUT" || !strings.Contains(fmt.Sprint(answer["message"]), "condition.damage") {
		t.Errorf("accepting the quote of an unproven listing: %d %v", code, answer)
	}
	if code, answer := accept(6); code != http.StatusOK || at(t, answer, "quote", "state") != "ACCEPTED" {
		t.Errorf("accepting the quote of an offer: %d %v", code, answer)
	}
	if code, answer := accept(3); code != http.StatusBadRequest || reason(t, answer) != "QUOTE_EXPIRED" {
		t.Errorf("accepting a quote that ran out: %d %v", code, answer)
	}
	outcomesOfTheFirstBuildCount(t, c)
	firstBooks(t, c)
	firstQuoteIsPrinted(t, c)
}

// firstQuoteIsPrinted, although nothing of what documents show was thought of then.
func firstQuoteIsPrinted(t *testing.T, c client) {
	t.Helper()
	for _, want := range [][2]string{{"PDF", "%PDF-"}, {"CSV", "quote,"}, {"JSON", "{"}} {
		response, err := c.raw(http.MethodGet, "/v1/quotes/Q-2026-000001:render?format="+want[0], "", nil)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := io.ReadAll(response.Body)
		if err := errors.Join(err, response.Body.Close()); err != nil || response.StatusCode != http.StatusOK || !strings.HasPrefix(string(raw), want[1]) {
			t.Errorf("%s: %d %v %.80q", want[0], response.StatusCode, err, raw)
		}
	}
}

// outcomesOfTheFirstBuildCount: 11 of 12 remanufactured parts had passed.
func outcomesOfTheFirstBuildCount(t *testing.T, c client) {
	t.Helper()
	answer := c.post("/v1/quotes:prepare", object{"need": solane(), "currencyCode": "USD", "dryRun": true})
	for _, option := range list(t, answer, "quote", "options") {
		if at(t, option, "source") == "offers/farrowtull-works.FT-4821-0R" {
			if passed, all := at(t, option, "passed"), at(t, option, "outcomes"); passed != 11.0 || all != 12.0 {
				t.Errorf("%v of %v outcomes", passed, all)
			}
			return
		}
	}
	t.Errorf("the remanufactured part is no option: %v", list(t, answer, "quote", "options"))
}

// firstBooks books on them: 541.89 was quoted for the remanufactured part, of
// which 181.33 is labour.
func firstBooks(t *testing.T, c client) {
	t.Helper()
	const part = "offers/farrowtull-works.FT-4821-0R"
	book := func(kind, source, amount string) {
		t.Helper()
		entry := object{"kind": kind, "quote": "quotes/Q-2026-000005", "amount": amount, "currencyCode": "USD", "day": "2026-11-25"}
		if source != "" {
			entry["source"] = source
		}
		c.post("/v1/entries:record", object{"entry": entry, "requestId": uuid.NewString()})
	}
	book("PAID", part, "36056")
	book("RECEIVED", "", "54189")
	book("CORE_RETURNED", part, "5000")
	sums := c.get("/v1/books:sumQuotes?state=ACCEPTED")
	totals := list(t, sums, "totals")
	if len(totals) != 1 || at(t, totals[0], "quotes") != "3" || at(t, totals[0], "quoted") != "148019" || at(t, totals[0], "margin") != "23133" {
		t.Errorf("totals %v", totals)
	}
	if got := at(t, list(t, sums, "quotes")[1], "expectedMargin"); got != "18133" {
		t.Errorf("expected margin %v", got)
	}
	deposits := list(t, c.get("/v1/books:listCoreDeposits"), "deposits")
	if len(deposits) != 1 || at(t, deposits[0], "quote") != "quotes/Q-2026-000006" || at(t, deposits[0], "amount") != "5000" {
		t.Errorf("deposits out: %v", deposits)
	}
}

// serveAt puts the whole program together in this process, on a clock that stands
// still, and returns a client of its gateway.
func serveAt(t *testing.T, data, key string, now time.Time) client {
	t.Helper()
	clock, log := func() time.Time { return now }, slog.New(slog.DiscardHandler)
	fitment, err := app.Open(t.Context(), app.Config{Data: filepath.Join(data, "fitment"), Now: clock, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	conn, err := memory.Dial(append(guard.Sense(), grpc.WithDisableHealthCheck())...)
	if err != nil {
		t.Fatal(err)
	}
	quote, err := quoteapp.Open(t.Context(), quoteapp.Config{
		Data: filepath.Join(data, "quote"), Fitment: conn, Verifier: fitment.Verifier, Now: clock, Log: log,
	})
	if err != nil {
		t.Fatal(err)
	}
	server, err := serve.New(serve.Config{Name: "beltwright"}, fitment.Verifier, log, append(fitment.Services, quote.Services...)...)
	if err != nil {
		t.Fatal(err)
	}
	handler, err := rest.New(rest.Options{Fitment: conn, Quote: conn, Verifier: fitment.Verifier, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	served := make(chan error, 1)
	go func() { served <- server.Serve(ctx, memory) }()
	web := httptest.NewServer(handler)
	t.Cleanup(func() {
		web.Close()
		cancel()
		if err := errors.Join(<-served, conn.Close(), quote.Close(), fitment.Close()); err != nil {
			t.Error(err)
		}
	})
	ready := rest.Follow(conn, conn)
	for limit := time.Now().Add(30 * time.Second); ready(ctx) != nil; {
		if time.Now().After(limit) {
			t.Fatal("the program is not ready")
		}
	}
	return client{t, web.URL, key}
}
