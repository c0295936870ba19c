package e2e_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// trio is the three servers as processes of their own, each with an admin port.
type trio struct {
	client

	fitment, quote, gateway *process
}

// threeHops starts them, without limits on how often they may be asked.
func threeHops(t *testing.T) trio {
	t.Helper()
	dir := t.TempDir()
	keyFile := filepath.Join(dir, "operator.key")
	const anyPort = "127.0.0.1:0"
	fitment := start(t, "fitment", "-grpc", anyPort, "-admin", anyPort, "-rates", "off", "-data", filepath.Join(dir, "fitment"), "-key-file", keyFile)
	fitmentAddress := fitment.awaits(`msg=listening.*address=(127\.0\.0\.1:\d+)`)[1]
	quote := start(t, "quote", "-grpc", anyPort, "-admin", anyPort, "-rates", "off", "-data", filepath.Join(dir, "quote"), "-fitment", fitmentAddress)
	quoteAddress := quote.awaits(`msg=listening.*address=(127\.0\.0\.1:\d+)`)[1]
	quote.awaits(`msg=ready`)
	gateway := start(t, "beltwright", "gateway", "--http", anyPort, "--admin", anyPort, "--rates", "off", "--log-level", "info", "--fitment", fitmentAddress, "--quote", quoteAddress)
	base := gateway.awaits(`REST (http://127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	c := client{t, base, strings.TrimSpace(string(key))}
	c.loadScenario()
	return trio{client: c, fitment: fitment, quote: quote, gateway: gateway}
}

// goroutines is how many a server runs, as its admin port says.
func (p *process) goroutines() int {
	p.t.Helper()
	admin := p.awaits(`msg="admin port" (?:at|address)=(127\.0\.0\.1:\d+)`)[1]
	request, err := http.NewRequestWithContext(p.t.Context(), http.MethodGet, "http://"+admin+"/debug/pprof/goroutine?debug=1", nil)
	if err != nil {
		p.t.Fatal(err)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	total := regexp.MustCompile(`goroutine profile: total (\d+)`).FindSubmatch(raw)
	if total == nil {
		p.t.Fatalf("no goroutine profile: %.200s", raw)
	}
	n, err := strconv.Atoi(string(total[1]))
	if err != nil {
		p.t.Fatal(err)
	}
	return n
}

// patience is how long the requests of this test wait, and late how long they may
// take in all.
const (
	patience = 200 * time.Millisecond
	late     = 250 * time.Millisecond
	// slack is a delay of the machine's own from which on it may eat up what a hop
	// has left to say which other one does not answer, 37 ms at the second hop. Then
	// one request in slips may be late, or be told of the hop that came too late to
	// say so.
	slack = 10 * time.Millisecond
	slips = 50
)

// outcome is what became of one request.
type outcome struct {
	took time.Duration
	code int // 0 where nobody answered
	body object
	err  error
}

// within sends a request whose header says how long it waits; wait 0 says nothing.
// The client itself gives up after a limit.
func (c client) within(sender *http.Client, wait, limit time.Duration, path string, body any) (o outcome) {
	raw, err := json.Marshal(body)
	if err != nil {
		return outcome{err: err}
	}
	method := http.MethodPost
	if body == nil {
		method, raw = http.MethodGet, nil
	}
	ctx, cancel := context.WithTimeout(c.t.Context(), limit)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(raw))
	if err != nil {
		return outcome{err: err}
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	if wait > 0 {
		request.Header.Set("Grpc-Timeout", fmt.Sprintf("%dm", wait.Milliseconds()))
	}
	began := time.Now()
	defer func() { o.took = time.Since(began) }()
	response, err := sender.Do(request)
	if err != nil {
		return outcome{err: err}
	}
	defer func() { _ = response.Body.Close() }()
	answer := object{}
	err = json.NewDecoder(response.Body).Decode(&answer)
	return outcome{code: response.StatusCode, body: answer, err: err}
}

// stalls is how many requests meet each stalled hop: the acceptance size with
// BELTWRIGHT_LONG.
func stalls() int {
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		return 1000
	}
	return 200
}

// many sends requests to the paths in turn, 16 at once, and returns what became of
// them, and how long a request that passes no hop took at worst in the same time: so
// much of the others' time is the machine's.
func (c client) many(limit time.Duration, paths map[string]any) (all []outcome, noise time.Duration) {
	c.t.Helper()
	sender := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 32}}
	defer sender.CloseIdleConnections()
	var names []string
	for path := range paths {
		names = append(names, path)
	}
	all = make([]outcome, stalls())
	next := make(chan int)
	var asking sync.WaitGroup
	for range 16 {
		asking.Go(func() {
			for i := range next {
				path := names[i%len(names)]
				all[i] = c.within(sender, patience, limit, path, paths[path])
			}
		})
	}
	done := make(chan struct{})
	var beside sync.WaitGroup
	beside.Go(func() {
		for tick := time.NewTicker(20 * time.Millisecond); ; {
			select {
			case <-done:
				tick.Stop()
				return
			case <-tick.C:
				noise = max(noise, c.within(sender, 0, time.Minute, "/healthz", nil).took)
			}
		}
	})
	for i := range all {
		next <- i
	}
	close(next)
	asking.Wait()
	close(done)
	beside.Wait()
	return all, noise
}

// blames returns the service that an error's details name.
func blames(t *testing.T, answer object) string {
	t.Helper()
	for _, detail := range list(t, answer, "details") {
		if at(t, detail, "reason") == "DEPENDENCY_DOWN" {
			metadata, _ := at(t, detail, "metadata").(object)
			return fmt.Sprint(metadata["service"])
		}
	}
	return ""
}

// TestAStalledHopIsNamedInTime: with each hop of gateway → quote → fitment stopped in
// turn, requests that wait 200 ms are answered within 250 ms by an error that names
// the hop that stands still, and leave no goroutine behind. The control is the same
// request without a deadline, which waits for as long as anybody lets it.
func TestAStalledHopIsNamedInTime(t *testing.T) {
	t.Parallel()
	c := threeHops(t)
	prepare := quoteRequest(object{"dryRun": true})
	c.post("/v1/quotes:prepare", prepare)
	before := map[*process]int{c.gateway: c.gateway.goroutines(), c.quote: c.quote.goroutines(), c.fitment: c.fitment.goroutines()}
	for _, hop := range []struct {
		name    string
		process *process
		paths   map[string]any
	}{
		{"quote", c.quote, map[string]any{"/v1/quotes:prepare": prepare, "/v1/quotes": nil}},
		{"fitment", c.fitment, map[string]any{"/v1/quotes:prepare": prepare, "/v1/fitment:findDonors": object{"need": solane()}, "/v1/listings/kettlewick.SOLANE-1": nil}},
	} {
		hop.process.pause()
		all, noise := c.many(time.Minute, hop.paths)
		worst, slipped := time.Duration(0), 0
		for _, o := range all {
			worst = max(worst, o.took)
			if o.err != nil || o.code != http.StatusServiceUnavailable && o.code != http.StatusGatewayTimeout {
				t.Errorf("%s stopped: %d %v %v, want 503 or 504", hop.name, o.code, o.body, o.err)
			} else if named := blames(t, o.body); named != hop.name {
				slipped++
				t.Logf("%s stopped: %q is named: %v", hop.name, named, o.body)
			} else if o.took > late+noise {
				slipped++
				t.Logf("%s stopped: answered after %v, want at most %v and the machine's own %v", hop.name, o.took, late, noise)
			}
		}
		if slipped > 0 && (slipped*slips > len(all) || noise < slack) {
			t.Errorf("%s stopped: %d of %d requests were answered late or name another one", hop.name, slipped, len(all))
		}
		t.Logf("%s stopped: %d requests answered, the slowest after %v; the machine's own delay at worst %v", hop.name, len(all), worst, noise)
		if o := c.within(http.DefaultClient, 0, 4*late, "/v1/quotes:prepare", prepare); !errors.Is(o.err, context.DeadlineExceeded) {
			t.Errorf("the control: without a deadline it was answered (%d %v %v) while %s is stopped, so this test shows nothing", o.code, o.body, o.err, hop.name)
		}
		hop.process.signal(syscall.SIGCONT)
		c.recovers(prepare)
	}
	c.settles(before)
	c.gateway.pause()
	for range 5 { // whoever talks to the gateway has only a deadline of his own
		o := c.within(http.DefaultClient, patience, patience, "/v1/quotes", nil)
		if !errors.Is(o.err, context.DeadlineExceeded) || !strings.Contains(o.err.Error(), strings.TrimPrefix(c.base, "http://")) || o.took > late+patience {
			t.Errorf("the gateway stopped: %d %v %v after %v", o.code, o.body, o.err, o.took)
		}
	}
}

// recovers waits until requests are answered again.
func (c client) recovers(prepare object) {
	c.t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		code, answer := c.do(http.MethodPost, "/v1/quotes:prepare", prepare)
		switch {
		case code == http.StatusOK:
			return
		case time.Now().After(deadline):
			c.t.Fatalf("it does not recover: %d %v", code, answer)
		}
	}
}

// settles waits until no server runs more goroutines than before, but for those of
// connections that are kept open.
func (c trio) settles(before map[*process]int) {
	c.t.Helper()
	const kept = 40 // two or three for each connection of 16 clients, and of this test
	for deadline := time.Now().Add(time.Minute); ; <-time.After(100 * time.Millisecond) {
		var grown []string
		for p, n := range before {
			if now := p.goroutines(); now > n+kept {
				grown = append(grown, fmt.Sprintf("%s: %d goroutines, %d before", filepath.Base(p.command.Path), now, n))
			}
		}
		switch {
		case len(grown) == 0:
			return
		case time.Now().After(deadline):
			c.t.Errorf("after %d requests and a minute: %v", 2*stalls(), grown)
			return
		}
	}
}
