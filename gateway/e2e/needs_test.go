package e2e_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
)

// watch is an open watch over REST.
type watch struct {
	t        *testing.T
	lines    *bufio.Scanner
	has      map[string]bool // what its reader has
	revision string
}

// watchNeed opens a watch that goes on from a revision, with what its reader had.
func (c client) watchNeed(name, revision string, has map[string]bool) *watch {
	c.t.Helper()
	ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Minute)
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/v1/"+name+":watch?revision="+revision, nil)
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() {
		cancel()
		_ = response.Body.Close()
	})
	if response.StatusCode != http.StatusOK {
		c.t.Fatalf("the watch is answered %d", response.StatusCode)
	}
	lines := bufio.NewScanner(response.Body)
	lines.Buffer(nil, 1<<20)
	return &watch{t: c.t, lines: lines, has: maps.Clone(has), revision: revision}
}

// next takes one line; false at the end.
func (w *watch) next() (change string, more bool) {
	w.t.Helper()
	if !w.lines.Scan() {
		if err := w.lines.Err(); err != nil {
			w.t.Errorf("the watch broke off: %v", err)
		}
		return "", false
	}
	var m object
	if err := json.Unmarshal(w.lines.Bytes(), &m); err != nil || m["error"] != nil {
		w.t.Fatalf("%s, %v", w.lines.Text(), err)
	}
	change, w.revision = fmt.Sprint(m["change"]), fmt.Sprint(m["revision"])
	if change == "NOTHING" {
		return change, true
	}
	name := fmt.Sprint(at(w.t, m, "donor", "listing", "name"))
	if w.has[name] == (change == "NEW") {
		w.t.Errorf("%s %s, which the reader was told before", change, name)
	}
	if delete(w.has, name); change == "NEW" {
		w.has[name] = true
	}
	return change + " " + name, true
}

// catchUp reads until the first look is over.
func (w *watch) catchUp() {
	w.t.Helper()
	for {
		change, more := w.next()
		if !more {
			w.t.Fatal("the watch ended")
		}
		if change == "NOTHING" {
			return
		}
	}
}

// until reads until a change comes.
func (w *watch) until(want string) {
	w.t.Helper()
	for {
		change, more := w.next()
		if !more {
			w.t.Fatalf("the watch ended without %s", want)
		}
		if change == want {
			return
		}
	}
}

// fitting lists what a search finds to fit.
func (c client) fitting() []string {
	c.t.Helper()
	var names []string
	for _, donor := range list(c.t, c.post("/v1/fitment:findDonors", object{"need": solane(), "pageSize": 1000}), "donors") {
		if at(c.t, donor, "decision", "verdict") == "FITS" {
			names = append(names, fmt.Sprint(at(c.t, donor, "listing", "name")))
		}
	}
	slices.Sort(names)
	return names
}

// TestKeptNeedsAndDecisions follows one need and one decision over REST and the
// command line, through a recall and a restart.
func TestKeptNeedsAndDecisions(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	p, c := serveDemo(t, data)
	need := fmt.Sprint(at(t, c.post("/v1/needs", object{"need": solane(), "note": "RO 7", "requestId": uuid.NewString()}), "savedNeed", "name"))
	kept := c.post("/v1/decisions", object{"need": solane(), "listingName": "listings/kettlewick.SOLANE-1", "requestId": uuid.NewString()})
	decision := fmt.Sprint(at(t, kept, "keptDecision", "name"))
	if got := at(t, kept, "keptDecision", "decision", "verdict"); got != "FITS" {
		t.Fatalf("kept as %v", got)
	}

	w := c.watchNeed(need, "", map[string]bool{})
	w.catchUp()
	if got, want := slices.Sorted(maps.Keys(w.has)), c.fitting(); !slices.Equal(got, want) || len(got) == 0 {
		t.Errorf("the watch tells %v, a search finds %v", got, want)
	}
	listing := at(t, c.get("/v1/listings/brindlefen.SOLANE-4"), "listing")
	c.post("/v1/listings/brindlefen.SOLANE-4:withdraw", object{"etag": at(t, listing, "etag"), "requestId": uuid.NewString()})
	w.until("GONE listings/brindlefen.SOLANE-4")

	// The program stops at once, whoever watches, and the watch ends in good order.
	stopping := time.Now()
	p.signal(syscall.SIGTERM)
	if code := p.exits(); code != 0 || time.Since(stopping) > 8*time.Second {
		t.Errorf("SIGTERM: exit code %d after %v", code, time.Since(stopping))
	}
	for more := true; more; {
		_, more = w.next()
	}
	revision, has := w.revision, w.has

	again, c := serveDemo(t, data)
	w = c.watchNeed(need, revision, has)
	w.catchUp()
	if got, want := slices.Sorted(maps.Keys(w.has)), c.fitting(); !slices.Equal(got, want) {
		t.Errorf("after the restart the reader has %v, a search finds %v", got, want)
	}
	recallIsNoticed(t, c, w, decision)
	commandLineAgrees(t, c, again, need, decision)
}

// recallIsNoticed imports a notice for the number of a listing that fits.
func recallIsNoticed(t *testing.T, c client, w *watch, decision string) {
	t.Helper()
	part := at(t, c.get("/v1/listings/kettlewick.SOLANE-1"), "listing")
	row := fmt.Sprintf("notice,n-e2e,%s,,%v,%v,,invented,invented\n", time.Now().UTC().Format(time.DateOnly), at(t, part, "partMaker"), at(t, part, "partNumber"))
	err := c.upload("/v1/recalls:import", "type,number,issued,as_of,part_maker,part_number,kind,summary,source\n"+row, func(answer object) bool {
		if answer["outcome"] == "REJECTED" || answer["error"] != nil {
			t.Errorf("%v", answer)
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
	w.until("GONE listings/kettlewick.SOLANE-1")
	answer := c.post("/v1/"+decision+":recompute", object{})
	if at(t, answer, "same") != true || at(t, answer, "kept", "verdict") != "FITS" || at(t, answer, "now", "verdict") != "BARRED" {
		t.Errorf("made again: same %v, kept %v, now %v", answer["same"], at(t, answer, "kept", "verdict"), at(t, answer, "now", "verdict"))
	}
	if told := fmt.Sprint(answer["differences"]); !strings.Contains(told, "n-e2e") || !strings.Contains(told, "The verdict was fits then and is barred now.") {
		t.Errorf("differences %s", told)
	}
}

// commandLineAgrees asks the same on the command line.
func commandLineAgrees(t *testing.T, c client, p *process, need, decision string) {
	t.Helper()
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	run := func(args ...string) string {
		t.Helper()
		command := start(t, "beltwright", append(args, "--server", address, "--key", c.key)...)
		if code := command.exits(); code != 0 {
			t.Errorf("%v: exit %d: %s", args, code, command.printed())
		}
		return command.printed()
	}
	place := filepath.Join(t.TempDir(), "place")
	told := run("need", "watch", need, "--once", "--resume", place)
	if got := strings.Count(told, "\n"); got != len(c.fitting()) || strings.Count(told, "new   ● fits") != got {
		t.Errorf("%d lines for %d listings:\n%s", got, len(c.fitting()), told)
	}
	if told := run("need", "watch", need, "--once", "--resume", place); told != "" {
		t.Errorf("told twice: %s", told)
	}
	for _, want := range []string{"● fits, the same in every word", "by today's facts: ✕ barred"} {
		if got := run("decision", "recompute", decision); !strings.Contains(got, want) {
			t.Errorf("%q is missing in %s", want, got)
		}
	}
	explained := run("explain", "listings/kettlewick.SOLANE-1", "--make", "Tarvena", "--model", "Solane", "--year", "2006", "--drive-side", "left",
		"--body", "saloon", "--market", "US", "--kind", "buckle-pretensioner", "--row", "1", "--side", "right", "--jurisdiction", "US-WA")
	if short := run("explain", "listings/kettlewick.SOLANE-1", "--for", need); short != explained {
		t.Errorf("for the kept need:\n%s\nfor the same one described:\n%s", short, explained)
	}
	for _, want := range []string{"✕ BARRED   listings/kettlewick.SOLANE-1", "Speaks against it:", "recall.open", "CHECK WHEN IT ARRIVES", "SOURCES", "CAUTIONS"} {
		if !strings.Contains(explained, want) {
			t.Errorf("%q is missing in\n%s", want, explained)
		}
	}
	if got := run("dialects"); !strings.Contains(got, "standard") {
		t.Errorf("dialects: %s", got)
	}
	if got := run("jurisdictions", "US-WA"); !strings.Contains(got, "RCW 46.37.660") {
		t.Errorf("law: %s", got)
	}
}
