package e2e_test

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"
)

// serveLimited starts the whole program on an empty store, and returns a client with
// the operator's key and the address of gRPC.
func serveLimited(t *testing.T, flags ...string) (c client, keyFile, address string) {
	t.Helper()
	dir := t.TempDir()
	keyFile = filepath.Join(dir, "first.key")
	args := []string{"serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", filepath.Join(dir, "data"), "--key-file", keyFile}
	p := start(t, "beltwright", append(args, flags...)...)
	base := p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1]
	address = p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	return client{t, base, strings.TrimSpace(string(key))}, keyFile, address
}

// A credential has one budget, whether it comes by REST or by gRPC; the command line
// says what is the matter. Without the flag, as many calls are answered.
func TestRatesOfTheWholeProgram(t *testing.T) {
	t.Parallel()
	const calls, allowed = 60, 20
	for name, flags := range map[string][]string{
		"limited": {"--rates", fmt.Sprintf("read=0.001/%d", allowed)}, "control: as it is": nil,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c, keyFile, address := serveLimited(t, flags...)
			good := 0
			var last object
			for range calls {
				code, answer := c.do(http.MethodGet, "/v1/parts", nil)
				switch {
				case code == http.StatusOK:
					good++
				case code != http.StatusTooManyRequests || reason(t, answer) != "RATE_LIMITED":
					t.Fatalf("%d %v", code, answer)
				default:
					last = answer
				}
			}
			want := allowed
			if flags == nil {
				want = calls
			}
			if good != want {
				t.Fatalf("%d of %d reads were answered, want %d; the last refusal: %v", good, calls, want, last)
			}
			out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"),
				"--server", address, "--key-file", keyFile, "listing", "get", "listings/kettlewick.1").CombinedOutput()
			if limited := strings.Contains(string(out), "too many calls"); err == nil || limited != (flags != nil) {
				t.Errorf("the command line: %v, %s", err, out)
			}
			if code, answer := c.do(http.MethodPost, "/v1/vins:decode", object{"vin": "1M8GDM9AXKP042788"}); flags == nil && code != http.StatusOK {
				t.Errorf("%d %v", code, answer)
			}
			if code, answer := c.do(http.MethodPost, "/v1/faults:assess", object{}); code == http.StatusTooManyRequests {
				t.Errorf("another class of calls: %v", answer)
			}
		})
	}
}

// New records beyond the quota are refused, of a file row by row; what is there may
// be imported and changed again. Others are free.
func TestQuotasOfTheWholeProgram(t *testing.T) {
	t.Parallel()
	c, _, _ := serveLimited(t, "--quotas", "listings=3,saltmarrow/listings=5,needs=1,quotes=7")
	var file strings.Builder
	file.WriteString(stockHeader)
	for i := range 8 {
		fmt.Fprintf(&file, "B-%d,buckle-pretensioner,1,right,Korrin,KB-%05d,%d.00,USD\n", i, i, 100+i)
	}
	for _, yard := range []string{"kettlewick", "saltmarrow"} {
		c.admit(yard)
	}
	stored := func(yard, file string) (outcomes map[string]int) {
		t.Helper()
		outcomes = map[string]int{}
		err := c.upload("/v1/listings:import?owner="+yard, file, func(answer object) bool {
			outcome, _ := answer["outcome"].(string)
			outcomes[outcome]++
			if outcome == "REJECTED" && !strings.Contains(fmt.Sprint(answer["problems"]), "listings are kept already, the most that may be") {
				t.Errorf("%v", answer)
			}
			return true
		})
		if err != nil {
			t.Fatal(err)
		}
		return outcomes
	}
	for yard, limit := range map[string]int{"kettlewick": 3, "saltmarrow": 5} {
		if got := stored(yard, file.String()); got["CREATED"] != limit || got["REJECTED"] != 8-limit {
			t.Errorf("%s: %v, want %d created", yard, got, limit)
		}
		if got := stored(yard, file.String()); got["UNCHANGED"] != limit || got["REJECTED"] != 8-limit {
			t.Errorf("%s again: %v", yard, got)
		}
		if got := stored(yard, strings.ReplaceAll(file.String(), "10", "20")); got["UPDATED"] != limit || got["REJECTED"] != 8-limit {
			t.Errorf("%s with other prices: %v", yard, got)
		}
	}
	save := func() (int, object) {
		return c.do(http.MethodPost, "/v1/needs", object{"need": solane(), "requestId": uuid.NewString()})
	}
	code, first := save()
	if code != http.StatusOK {
		t.Fatalf("%d %v", code, first)
	}
	if code, answer := save(); code != http.StatusBadRequest || reason(t, answer) != "QUOTA_REACHED" || !strings.Contains(fmt.Sprint(answer["message"]), "keeps 1 needs") {
		t.Errorf("a second need: %d %v", code, answer)
	}
	c.post("/v1/"+fmt.Sprint(at(t, first, "savedNeed", "name"))+":delete", object{"requestId": uuid.NewString()})
	if code, answer := save(); code != http.StatusOK {
		t.Errorf("after the first was deleted: %d %v", code, answer)
	}
}

// Flags that mean nothing stop the start.
func TestLimitsThatMeanNothing(t *testing.T) {
	t.Parallel()
	for want, flags := range map[string][]string{
		`"read=fast"`:   {"--rates", "read=fast"},
		`"reads=5"`:     {"--rates", "reads=5"},
		`"cars=5"`:      {"--quotas", "cars=5"},
		`"listings=-1"`: {"--quotas", "listings=-1"},
	} {
		p := start(t, "beltwright", append([]string{"serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", t.TempDir()}, flags...)...)
		p.awaits(strings.ReplaceAll(want, `"`, `\\?"`))
		if code := p.exits(); code == 0 {
			t.Errorf("%v: exit code 0", flags)
		}
	}
}
