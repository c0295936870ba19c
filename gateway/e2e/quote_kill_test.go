package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
)

// tries posts to a server that may die meanwhile; false where there is no answer of
// 200.
func (c client) tries(path string, body object) (object, bool) {
	raw, err := json.Marshal(body)
	if err != nil {
		return nil, false
	}
	request, err := http.NewRequestWithContext(c.t.Context(), http.MethodPost, c.base+path, bytes.NewReader(raw))
	if err != nil {
		return nil, false
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	request.Header.Set("Content-Type", "application/json")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, false
	}
	defer func() { _ = response.Body.Close() }()
	var answer object
	err = json.NewDecoder(response.Body).Decode(&answer)
	return answer, err == nil && response.StatusCode == http.StatusOK
}

// TestKillInTheMiddleOfQuotes kills the program while shops quote and decline: what
// was answered is there afterwards, numbers follow each other without a gap, and a
// repeat of a request that was not answered finishes it, so that no listing stays
// held without a quote.
func TestKillInTheMiddleOfQuotes(t *testing.T) {
	t.Parallel()
	const kills, shops = 4, 3
	data := filepath.Join(t.TempDir(), "data")
	answered := map[string]bool{}
	pending := map[string]object{} // requests that were not answered, by their id
	for round := range kills + 1 {
		p, c := serveDemo(t, data)
		for id, request := range pending {
			path := "/v1/quotes:prepare"
			if name, declines := request["name"].(string); declines {
				path = "/v1/" + name + ":decline"
				request = object{"requestId": id}
			}
			if answer, ok := c.tries(path, request); ok {
				answered[name(t, answer)] = true
			}
		}
		clear(pending)
		quotesAreInOrder(t, c, answered)
		if round == kills {
			break
		}
		var lock sync.Mutex
		var all sync.WaitGroup
		enough := make(chan struct{})
		done := 0
		for range shops {
			all.Go(func() {
				for {
					id := uuid.NewString()
					request := object{"need": solane(), "currencyCode": "USD", "requestId": id}
					answer, ok := c.tries("/v1/quotes:prepare", request)
					lock.Lock()
					if !ok {
						pending[id] = request
						lock.Unlock()
						return
					}
					quoted := name(t, answer)
					answered[quoted] = true
					if done++; done == 4+3*round {
						close(enough)
					}
					lock.Unlock()
					id = uuid.NewString()
					if _, ok := c.tries("/v1/"+quoted+":decline", object{"requestId": id}); !ok {
						lock.Lock()
						pending[id] = object{"name": quoted}
						lock.Unlock()
						return
					}
				}
			})
		}
		<-enough
		p.signal(syscall.SIGKILL)
		<-p.done
		all.Wait()
	}
}

// quotesAreInOrder demands that every answered quote is there, that numbers have no
// gaps, and that what is held is held by open quotes.
func quotesAreInOrder(t *testing.T, c client, answered map[string]bool) {
	t.Helper()
	var numbers []string
	holds, stored := map[string]bool{}, map[string]bool{}
	token := ""
	for {
		page := c.get("/v1/quotes?pageSize=1000&pageToken=" + token)
		for _, q := range list(t, page, "quotes") {
			stored[fmt.Sprint(at(t, q, "name"))] = true
			numbers = append(numbers, fmt.Sprint(at(t, q, "number")))
			if listing, ok := at(t, q, "heldListing").(string); ok && at(t, q, "state") == "OPEN" {
				if holds[listing] {
					t.Errorf("%s is held by two open quotes", listing)
				}
				holds[listing] = true
			}
		}
		if token, _ = page["nextPageToken"].(string); token == "" {
			break
		}
	}
	for q := range answered {
		if !stored[q] {
			t.Errorf("%s was answered and is gone", q)
		}
	}
	slices.Sort(numbers)
	for i, number := range numbers {
		if want := fmt.Sprintf("-%06d", i+1); !strings.HasSuffix(number, want) {
			t.Fatalf("number %s where one ending in %s is due", number, want)
		}
	}
	for listing := range holds {
		if state := at(t, c.get("/v1/"+listing), "listing", "state"); state != "HELD" {
			t.Errorf("%s of an open quote is %v", listing, state)
		}
	}
	soon := time.Now().Add(6 * time.Minute) // a hold that nothing came of ends by itself
	for _, donor := range list(t, c.post("/v1/fitment:findDonors", object{"need": solane(), "pageSize": 1000}), "donors") {
		listing := fmt.Sprint(at(t, donor, "listing", "name"))
		if at(t, donor, "listing", "state") != "HELD" || holds[listing] {
			continue
		}
		end, err := time.Parse(time.RFC3339Nano, fmt.Sprint(at(t, donor, "listing", "hold", "expireTime")))
		if err != nil || end.After(soon) {
			t.Errorf("%s is held until %v, %v, and no open quote holds it", listing, end, err)
		}
	}
}
