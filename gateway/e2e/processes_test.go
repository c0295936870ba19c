package e2e_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
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
	files := map[string]string{"offers": "offers.csv", "supersessions": "supersessions.csv", "recalls": "recalls.csv"}
	order := [][2]string{{"parts", "parts.csv"}}
	for kind, name := range files {
		order = append(order, [2]string{kind, name})
	}
	for _, yard := range demo.Yards() {
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

// saysFits looks for anything that a person could read as "this fits".
func saysFits(answer object) bool {
	text := fmt.Sprint(answer)
	return strings.Contains(text, "FITS") || strings.Contains(text, "options") || strings.Contains(text, "plan:")
}

// asks are all the ways to be told that something fits.
func asks() map[string]object {
	return map[string]object{
		"/v1/fitment:decide":     {"need": solane(), "listingName": "listings/kettlewick.SOLANE-1"},
		"/v1/fitment:findDonors": {"need": solane()},
		"/v1/quotes:prepare":     quoteRequest(object{"dryRun": true}),
	}
}

func TestFitmentDeadNothingFits(t *testing.T) {
	t.Parallel()
	fitment, _, c := apart(t)
	for path, body := range asks() { // the control: alive, each of them says so
		if answer := c.post(path, body); !saysFits(answer) {
			t.Errorf("%s: nothing fits while everything runs: %v", path, answer)
		}
	}
	name := fmt.Sprint(at(t, c.post("/v1/quotes:prepare", quoteRequest(object{"requestId": uuid.NewString()})), "quote", "name"))
	fitment.signal(syscall.SIGKILL)
	<-fitment.done
	nothingFits(t, c, name)
}

func TestFitmentSlowNothingFits(t *testing.T) {
	t.Parallel()
	fitment, _, c := apart(t)
	name := fmt.Sprint(at(t, c.post("/v1/quotes:prepare", quoteRequest(object{"requestId": uuid.NewString()})), "quote", "name"))
	fitment.signal(syscall.SIGSTOP)
	nothingFits(t, c, name)
}

// nothingFits demands that every ask, and accepting an open quote, is an error
// that says that a dependency is down or a credential cannot be verified.
func nothingFits(t *testing.T, c client, quote string) {
	t.Helper()
	all := asks()
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
