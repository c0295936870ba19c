package e2e_test

import (
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"

	"beltwright.example/testdata/demo"
)

// apart starts the three servers as processes of their own.
func apart(t *testing.T) (fitment, quote *process, c client) {
	t.Helper()
	dir := t.TempDir()
	keyFile := filepath.Join(dir, "operator.key")
	fitment = start(t, "fitment", "-grpc", "127.0.0.1:0", "-data", filepath.Join(dir, "fitment"), "-key-file", keyFile, "-log-level", "info")
	fitmentAddress := fitment.awaits(`address=(127\.0\.0\.1:\d+)`)[1]
	quote = start(t, "quote", "-grpc", "127.0.0.1:0", "-data", filepath.Join(dir, "quote"), "-fitment", fitmentAddress)
	quote.awaits(`msg=ready`)
	quoteAddress := quote.awaits(`address=(127\.0\.0\.1:\d+)`)[1]
	gateway := start(t, "beltwright", "gateway", "--http", "127.0.0.1:0", "--fitment", fitmentAddress, "--quote", quoteAddress)
	base := gateway.awaits(`REST (http://127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	c = client{t, base, strings.TrimSpace(string(key))}
	c.loadScenario()
	return fitment, quote, c
}

// loadScenario imports the demo's files as a user would.
func (c client) loadScenario() {
	c.t.Helper()
	files := map[string]string{"offers": "offers.csv", "supersessions": "supersessions.csv", "recalls": "recalls.csv", "vehicleData": "vehicle-data.csv"}
	order := [][2]string{{"parts", "parts.csv"}}
	for kind, name := range files {
		order = append(order, [2]string{kind, name})
	}
	for _, yard := range demo.Yards() {
		c.admit(yard)
		order = append(order, [2]string{"listings", "listings-" + yard + ".csv"})
	}
	for _, item := range order {
		raw, err := demo.File(item[1], time.Now())
		if err != nil {
			c.t.Fatal(err)
		}
		path := "/v1/" + item[0] + ":import"
		if item[0] == "listings" {
			path += "?owner=" + strings.TrimSuffix(strings.TrimPrefix(item[1], "listings-"), ".csv")
		}
		err = c.upload(path, string(raw), func(answer object) bool {
			if answer["outcome"] == "REJECTED" || answer["error"] != nil {
				c.t.Errorf("%s: %v", item[1], answer)
			}
			return true
		})
		if err != nil {
			c.t.Fatalf("%s: %v", item[1], err)
		}
	}
}

// admit makes a yard a business.
func (c client) admit(yard string) {
	c.t.Helper()
	c.post("/v1/businesses", object{"business": object{"id": yard, "displayName": yard, "roles": []string{"yard", "admin"}}, "requestId": uuid.NewString()})
}

func TestThreeProcesses(t *testing.T) {
	t.Parallel()
	fitment, quote, c := apart(t)
	donorsAreDecided(t, c)
	quoteIsBought(t, c)
	for _, p := range []*process{quote, fitment} {
		p.signal(syscall.SIGTERM)
		if code := p.exits(); code != 0 {
			t.Errorf("SIGTERM: exit code %d", code)
		}
	}
}

// saysFits looks for anything that a person could read as "this fits": a verdict,
// a part that is proven right, something to buy, a sale.
func saysFits(answer any) bool {
	switch answer := answer.(type) {
	case object:
		options, _ := answer["options"].([]any)
		application, _ := answer["application"].(object)
		if answer["verdict"] == "FITS" || answer["state"] == "SOLD" || answer["fit"] == "YES" || len(options) > 0 || application["answer"] == "YES" {
			return true
		}
		return slices.ContainsFunc(slices.Collect(maps.Values(answer)), saysFits)
	case []any:
		return slices.ContainsFunc(answer, saysFits)
	}
	return false
}

// asks are all the ways to be told that something fits. For the sale it takes a
// hold of a listing that fits.
func asks(t *testing.T, c client) map[string]object {
	t.Helper()
	all := map[string]object{
		"/v1/fitment:decide":     {"need": solane(), "listingName": "listings/kettlewick.SOLANE-1"},
		"/v1/fitment:findDonors": {"need": solane()},
		"/v1/fitment:findParts":  {"need": solane()},
		"/v1/quotes:prepare":     quoteRequest(object{"dryRun": true}),
	}
	for _, donor := range list(t, c.post("/v1/fitment:findDonors", object{"need": solane()}), "donors") {
		if at(t, donor, "decision", "verdict") != "FITS" || at(t, donor, "listing", "state") != "AVAILABLE" {
			continue
		}
		name := fmt.Sprint(at(t, donor, "listing", "name"))
		held := c.post("/v1/"+name+":hold", object{"minutes": 60, "requestId": uuid.NewString()})
		all["/v1/"+name+":sell"] = object{
			"fence": at(t, held, "listing", "hold", "fence"), "need": solane(), "requestId": uuid.NewString(),
		}
		return all
	}
	t.Fatal("no listing that fits is for sale")
	return nil
}

func TestFitmentDeadNothingFits(t *testing.T) {
	t.Parallel()
	fitment, _, c := apart(t)
	name := fmt.Sprint(at(t, c.post("/v1/quotes:prepare", quoteRequest(object{"requestId": uuid.NewString()})), "quote", "name"))
	for path, body := range asks(t, c) { // the control: alive, each of them says so
		if answer := c.post(path, body); !saysFits(answer) {
			t.Errorf("%s: nothing fits while everything runs: %v", path, answer)
		}
	}
	all := asks(t, c)
	fitment.signal(syscall.SIGKILL)
	<-fitment.done
	nothingFits(t, c, all, name)
}

func TestFitmentSlowNothingFits(t *testing.T) {
	t.Parallel()
	fitment, _, c := apart(t)
	name := fmt.Sprint(at(t, c.post("/v1/quotes:prepare", quoteRequest(object{"requestId": uuid.NewString()})), "quote", "name"))
	all := asks(t, c)
	fitment.pause()
	nothingFits(t, c, all, name)
}

// nothingFits demands that every ask, and accepting an open quote, is an error
// that says that a dependency is down or a credential cannot be verified.
func nothingFits(t *testing.T, c client, all map[string]object, quote string) {
	t.Helper()
	all["/v1/"+quote+":accept"] = object{"requestId": uuid.NewString()}
	var asked sync.WaitGroup
	for path, body := range all {
		asked.Go(func() {
			code, answer := c.do(http.MethodPost, path, body)
			if code != http.StatusServiceUnavailable && code != http.StatusGatewayTimeout {
				t.Errorf("%s: status %d, want 503 or 504: %v", path, code, answer)
			}
			if saysFits(answer) {
				t.Errorf("%s says that something fits: %v", path, answer)
			}
		})
	}
	asked.Wait()
	if code, _ := c.do(http.MethodGet, "/healthz", nil); code != http.StatusOK {
		t.Errorf("the gateway itself is alive, yet /healthz says %d", code)
	}
}
