package e2e_test

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
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
	// idle is a second gateway, which nobody asks for anything that passes a hop: how
	// long it takes is the machine's doing.
	idle client
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
	gateways := make([]*process, 2)
	clients := make([]client, 2)
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	for i := range gateways {
		gateways[i] = start(t, "beltwright", "gateway", "--http", anyPort, "--admin", anyPort, "--rates", "off", "--log-level", "info", "--fitment", fitmentAddress, "--quote", quoteAddress)
		clients[i] = client{t, gateways[i].awaits(`REST (http://127\.0\.0\.1:\d+)`)[1], strings.TrimSpace(string(key))}
	}
	clients[0].loadScenario()
	return trio{client: clients[0], fitment: fitment, quote: quote, gateway: gateways[0], idle: clients[1]}
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
)

// What is put down to the machine. On one where the servers do not wait for a processor
// for longer than they run, nothing is. On a busy one the time that a hop has left to
// say which other one does not answer (50 ms at the first) may pass before it gets to
// run, with no defect in it.
const (
	// slack is a delay of the machine's own from which on it is busy.
	slack = 10 * time.Millisecond
	// slips is one in how many requests may then be late, or be told of the hop that came
	// too late to say so. Where there are more, all is measured again, in rounds at most.
	slips  = 50
	rounds = 5
	// passed is by how many times the machine's worst delay, and overdue by how much at
	// least, a request may then be late: it passes three processes. One that is later
	// hangs, which is never put down to the machine.
	passed  = 3
	overdue = 250 * time.Millisecond
)

// outcome is what became of one request.
type outcome struct {
	began time.Time
	took  time.Duration
	code  int // 0 where nobody answered
	body  object
	err   error
}

// machine is what it did to those that ran on it.
type machine struct {
	probes      []outcome     // of requests that pass no hop
	ran, waited time.Duration // of the servers: on a processor, and for one
}

// delayed is how long the slowest of the probes took that were under way between two
// moments.
func (m machine) delayed(from, to time.Time) (worst time.Duration) {
	for _, probe := range m.probes {
		if probe.began.Before(to) && probe.began.Add(probe.took).After(from) {
			worst = max(worst, probe.took)
		}
	}
	return worst
}

// worst is how long the slowest of all probes took.
func (m machine) worst() (worst time.Duration) {
	for _, probe := range m.probes {
		worst = max(worst, probe.took)
	}
	return worst
}

func (m machine) busy() bool { return m.worst() >= slack || m.waited > m.ran }

// String is what it did in words.
func (m machine) String() string {
	return fmt.Sprintf("the machine's own delay at worst %v, the servers ran for %v and waited for a processor for %v", m.worst(), m.ran, m.waited)
}

// faults holds what became of requests that met a stalled hop against what they were
// promised: an error in time that names the hop. Nothing excuses what is wrong; a busy
// machine excuses what slipped, where that is little enough.
func faults(hop string, all []outcome, on machine) (wrong, slipped []string) {
	hangs := late
	if on.busy() {
		hangs += max(overdue, passed*on.worst())
	} else {
		hangs += on.worst()
	}
	for _, o := range all {
		beside := on.delayed(o.began, o.began.Add(o.took))
		switch {
		case o.err != nil || o.code != http.StatusServiceUnavailable && o.code != http.StatusGatewayTimeout:
			wrong = append(wrong, fmt.Sprintf("%d %v %v, want 503 or 504", o.code, o.body, o.err))
		case o.took > hangs:
			wrong = append(wrong, fmt.Sprintf("answered after %v, want at most %v; %v", o.took, hangs, on))
		case blames(o.body) != hop:
			slipped = append(slipped, fmt.Sprintf("%q is named: %v", blames(o.body), o.body))
		case o.took > late+beside:
			slipped = append(slipped, fmt.Sprintf("answered after %v, want at most %v and the %v by which others were delayed then", o.took, late, beside))
		}
	}
	if !on.busy() {
		wrong, slipped = append(wrong, slipped...), nil
	}
	return wrong, slipped
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
	defer func() { o.began, o.took = began, time.Since(began) }()
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
// them, and what the machine did meanwhile.
func (c trio) many(limit time.Duration, paths map[string]any) (all []outcome, on machine) {
	c.t.Helper()
	sender := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 32}}
	defer sender.CloseIdleConnections()
	names := slices.Sorted(maps.Keys(paths))
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
	ran, waited := c.scheduled()
	done := make(chan struct{})
	var beside sync.WaitGroup
	beside.Go(func() { on.probes = c.probe(sender, done) })
	for i := range all {
		next <- i
	}
	close(next)
	asking.Wait()
	close(done)
	beside.Wait()
	ranSince, waitedSince := c.scheduled()
	on.ran, on.waited = ranSince-ran, waitedSince-waited
	return all, on
}

// probe asks the idle gateway every 20 ms until done. A probe's time counts from when it
// was due: one that could not be sent yet is one that the machine delayed.
func (c trio) probe(sender *http.Client, done <-chan struct{}) (probes []outcome) {
	const every = 20 * time.Millisecond
	for due := time.Now().Add(every); ; due = due.Add(every) {
		select {
		case <-done:
			return probes
		case <-time.After(time.Until(due)):
			o := c.idle.within(sender, 0, time.Minute, "/healthz", nil)
			o.took += o.began.Sub(due)
			o.began = due
			probes = append(probes, o)
		}
	}
}

// scheduled is how long the servers have run on a processor, and waited for one, as
// Linux tells of each thread (its documentation, scheduler/sched-stats); nothing where
// there is another system.
func (c trio) scheduled() (ran, waited time.Duration) {
	for _, p := range []*process{c.gateway, c.quote, c.fitment} {
		threads, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", p.command.Process.Pid))
		for _, thread := range threads {
			raw, err := os.ReadFile(thread)
			if err != nil {
				continue // the thread has ended
			}
			var on, behind, times int64
			if _, err := fmt.Sscan(string(raw), &on, &behind, &times); err != nil {
				c.t.Fatalf("%s is %q: %v", thread, raw, err)
			}
			ran, waited = ran+time.Duration(on), waited+time.Duration(behind)
		}
	}
	return ran, waited
}

// blames returns the service that an error's details name.
func blames(answer object) string {
	details, _ := answer["details"].([]any)
	for _, each := range details {
		detail, _ := each.(object)
		metadata, _ := detail["metadata"].(object)
		if service, ok := metadata["service"].(string); ok && detail["reason"] == "DEPENDENCY_DOWN" {
			return service
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
		if o := c.within(http.DefaultClient, 0, 4*late, "/v1/quotes:prepare", prepare); !errors.Is(o.err, context.DeadlineExceeded) {
			t.Errorf("the control: without a deadline it was answered (%d %v %v) while %s is stopped, so this test shows nothing", o.code, o.body, o.err, hop.name)
		}
		for round := 1; !c.stalled(hop.name, hop.paths); round++ {
			if round == rounds {
				t.Errorf("%s stopped: in each of %d rounds more than one request in %d slipped", hop.name, rounds, slips)
				break
			}
			hop.process.signal(syscall.SIGCONT)
			c.recovers(prepare)
			hop.process.pause()
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

// stalled asks for what needs a hop that is stopped, and fails the test for what is
// wrong then. False means that so much slipped that it must be measured again.
func (c trio) stalled(hop string, paths map[string]any) bool {
	c.t.Helper()
	all, on := c.many(time.Minute, paths)
	wrong, slipped := faults(hop, all, on)
	for _, fault := range wrong {
		c.t.Errorf("%s stopped: %s", hop, fault)
	}
	for _, slip := range slipped {
		c.t.Logf("%s stopped: %s", hop, slip)
	}
	slowest := slices.MaxFunc(all, func(a, b outcome) int { return cmp.Compare(a.took, b.took) }).took
	c.t.Logf("%s stopped: %d requests answered, the slowest after %v, %d slipped; %v", hop, len(all), slowest, len(slipped), on)
	return len(wrong) > 0 || len(slipped)*slips <= len(all)
}

// TestABusyMachineExcusesLittle: on a quiet machine nothing slips, and on a busy one
// nothing excuses a request that hangs, is not answered or succeeds.
func TestABusyMachineExcusesLittle(t *testing.T) {
	t.Parallel()
	start := time.Unix(0, 0)
	answer := func(took time.Duration, names string) outcome {
		return outcome{began: start, took: took, code: http.StatusGatewayTimeout, body: object{
			"details": []any{object{"reason": "DEPENDENCY_DOWN", "metadata": object{"service": names}}},
		}}
	}
	probe := func(at time.Time, took time.Duration) []outcome { return []outcome{{began: at, took: took}} }
	quiet := machine{probes: probe(start, 2*time.Millisecond), ran: time.Second, waited: time.Second}
	busy := machine{probes: probe(start, 100*time.Millisecond), ran: time.Second, waited: time.Second}
	before := machine{probes: probe(start.Add(-time.Hour), 100*time.Millisecond), ran: time.Second}
	starved := machine{probes: probe(start, 2*time.Millisecond), ran: time.Second, waited: time.Second + 1}
	const fine, slips, wrong = "fine", "slips", "wrong"
	for name, c := range map[string]struct {
		on   machine
		odd  outcome
		want string
	}{
		"quiet, in time":                   {quiet, answer(late, "quote"), fine},
		"quiet, late":                      {quiet, answer(late+5*time.Millisecond, "quote"), wrong},
		"quiet, names another":             {quiet, answer(patience, "fitment"), wrong},
		"quiet, names nobody":              {quiet, outcome{began: start, took: patience, code: http.StatusGatewayTimeout}, wrong},
		"busy, as late as the machine":     {busy, answer(late+100*time.Millisecond, "quote"), fine},
		"busy, later":                      {busy, answer(late+110*time.Millisecond, "quote"), slips},
		"busy before, late afterwards":     {before, answer(late+50*time.Millisecond, "quote"), slips},
		"busy, names another":              {busy, answer(patience, "fitment"), slips},
		"busy, much later":                 {busy, answer(late+310*time.Millisecond, "quote"), wrong},
		"busy, hangs and names another":    {busy, answer(10*time.Second, "fitment"), wrong},
		"starved, late":                    {starved, answer(late+50*time.Millisecond, "quote"), slips},
		"starved, names another":           {starved, answer(patience, "fitment"), slips},
		"starved, hangs for half a second": {starved, answer(late+overdue+1, "quote"), wrong},
		"busy, not answered":               {busy, outcome{began: start, took: patience, err: io.EOF}, wrong},
		"busy, succeeds":                   {busy, outcome{began: start, took: patience, code: http.StatusOK}, wrong},
	} {
		found, slipped := faults("quote", []outcome{answer(patience, "quote"), c.odd}, c.on)
		got := fine
		switch {
		case len(found) == 1 && len(slipped) == 0:
			got = wrong
		case len(found) == 0 && len(slipped) == 1:
			got = slips
		case len(found)+len(slipped) > 0:
			got = fmt.Sprint(found, slipped)
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
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
